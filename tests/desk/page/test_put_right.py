"""What is wrong on the paper stands in red where it is, in words, until it is put right there."""

from __future__ import annotations

from .conftest import At

NOTES = "return [...document.querySelectorAll('#part-{} .red[data-part]')].map((one) => one.textContent)"


def test_the_words_in_the_margin_follow_what_is_typed(at: At) -> None:
    at.open("wet-socks.toml")
    at.hands.press("#write-tune")
    at.hands.press("#abc")
    text = (at.folder / "wet-socks.abc").read_text("utf-8")
    place = text.index('"A"ecA c2e') + len('"A"ecA')
    at.browser.run("document.querySelector('#abc').setSelectionRange(arguments[0], arguments[0])", place)
    at.hands.type("A")
    at.until(lambda: [note[:26] for note in at.browser.run(NOTES.format("tune"))] == ["bar 4: holds 7 eighth note"])
    at.browser.keys("Shift+ArrowLeft", "Delete")
    at.until(lambda: at.browser.run(NOTES.format("tune")) == [])
    assert at.browser.run("return document.activeElement.id") == "abc"
    assert at.complaints() == []


def test_a_shape_that_a_new_tuning_forbids_stands_in_red_at_its_chord_and_is_rubbed_out_there(at: At) -> None:
    at.open("gateposts.toml")
    at.hands.press('[data-at="shape-D"]')
    at.hands.see(".choices .hand")
    taken = "[...document.querySelectorAll('.choices .hand')].find((one) => one.textContent.includes('4-2'))"
    at.browser.run(f"{taken}.click()")
    at.until(lambda: at.table("gateposts.toml").get("shapes") == {"D": "4-2"})
    at.hands.choose("#tuning", "AEAE")
    at.hands.see(".refused .hand svg")
    held = "document.querySelector('[data-at=\"shape-D\"]').closest('.held')"
    assert "yours, but not to be played so here" in at.browser.run(f"return {held}.innerText")
    assert "4-2" in at.browser.run(f"return {held}.querySelector('.refused').textContent")
    note = at.browser.run(NOTES.format("fingers"))
    assert len(note) == 1
    assert "it sounds E and G#" in note[0]
    assert "write" not in note[0]  # there is nowhere to write it
    at.hands.press('[data-at="refused-D"]')
    at.until(lambda: "shapes" not in at.table("gateposts.toml"))
    at.hands.see(".refused", gone=True)
    assert at.browser.run(NOTES.format("fingers")) == []
    assert at.complaints() == []
