"""What is wrong on the paper stands in red where it is, in words, until it is put right there."""

from __future__ import annotations

import base64

from .conftest import DROP, At

NOTES = "return [...document.querySelectorAll('#part-{} .red[data-part]')].map((one) => one.textContent)"


def test_the_words_in_the_margin_follow_what_is_typed(at: At) -> None:
    at.write_in_bar_4()
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


def test_what_would_refuse_is_not_offered(at: At) -> None:
    """Behind a wrong bar nothing can be heard yet: the button begins where it can, and says so."""
    at.open("gateposts.toml")
    bar = "import('/page/stage.js').then(({{ state }}) => done(state.now.change([{{ key: ['changes', '{}'], value: '{}' }}])))"
    at.browser.wait(bar.format(12, "H7"))
    at.hands.kept()
    at.browser.run("document.querySelector('.bar[data-bar=\"13\"]').click()")
    at.browser.keys("Escape")
    assert at.browser.run("return document.querySelector('#hear').textContent").strip() == "▶ Hear it"
    assert "up to bar 11" in at.browser.run("return document.querySelector('.more').textContent")
    at.browser.keys("Space")
    at.hands.see(".sounding")
    assert at.browser.run("return document.querySelector('.sounding').dataset.bar") == "1"
    at.browser.keys("Space")
    assert at.browser.run("return document.querySelector('#said').textContent") == ""
    at.browser.wait(bar.format(1, "H7"))
    at.hands.kept()
    at.until(lambda: at.browser.run("return document.querySelector('#hear').disabled"))
    assert "once bar 1 is put right" in at.browser.run("return document.querySelector('.more').textContent")
    assert at.complaints() == []


def test_a_doubt_in_the_pickup_is_called_by_its_name_and_its_mark_is_no_slip(at: At) -> None:
    (at.folder / "heard.abc").write_text(
        'X:1\nT:Heard\nM:4/4\nL:1/8\nN:bar 0: a pitch isn\'t clear\nK:D\n"^?"FG|"D"A2FA d2AF|"G"G2BG "D"d4|]\n', "utf-8"
    )
    (at.folder / "heard.toml").write_text('tune = "heard.abc"\n', "utf-8")
    at.open("heard.toml")
    assert (
        at.browser.run("return document.querySelector('.doubts').innerText")
        == "pickup: a pitch isn't clear · it is right"
    )
    assert at.browser.run("return [...document.querySelectorAll('.remark')].map((one) => one.innerText)") == []


def test_a_sheet_that_cannot_be_read_shows_its_own_text_and_nowhere_to_write_a_tune(at: At) -> None:
    sheet = at.folder / "gateposts.toml"
    whole = sheet.read_text("utf-8")
    sheet.write_text(whole + "\n[half\n", "utf-8")
    at.browser.run("location.hash = '#sheet/gateposts.toml'")
    at.hands.see("#sheet-text")
    at.hands.see("#abc", gone=True)
    assert "can't be read" in at.browser.run("return document.querySelector('#part-head .red').textContent")
    at.browser.run(
        "const t = document.querySelector('#sheet-text'); t.focus(); t.value = arguments[0]; t.blur()", whole
    )
    at.hands.see("#part-learner")
    (at.folder / "bare.toml").write_text('title = "Bare"\n', "utf-8")
    at.browser.run("location.hash = '#sheet/bare.toml'")
    at.until(lambda: at.browser.run("return document.querySelector('#title')?.value") == "Bare")
    assert "no tune yet; write it here" in at.browser.run("return document.querySelector('#part-tune').innerText")
    assert at.complaints() == []


def test_a_wrong_entry_stays_in_red_until_it_is_put_right_or_rubbed_out(at: At) -> None:
    at.open("gateposts.toml")

    def written(key: str) -> object:
        table = at.table("gateposts.toml")
        return (table | table["tempo"]).get(key)

    def put(field: str, text: str) -> None:
        at.hands.press(field)
        at.hands.clear()
        at.hands.type(text)
        at.browser.keys("Enter")

    for field, text, key in (("#bars", "5 to 90", "bars"), ("#tempos", "many", "passes")):
        put(field, text)
        at.hands.see(f"{field}.wrong[aria-invalid=true]")
        assert written(key) == text
    shown = "return [...document.querySelectorAll('.line.wrong')].map((one) => one.value)"
    assert at.browser.run(shown) == ["5 to 90", "many"]
    at.browser.run("document.querySelector('#tempos').focus()")
    at.browser.keys("Escape")
    at.until(lambda: written("passes") is None)
    at.hands.see("#tempos.wrong", gone=True)
    assert at.browser.run("return document.querySelector('#tempos').value").isdecimal()
    put("#bars", "5-8")
    at.until(lambda: written("bars") == "5-8")
    at.hands.see("#bars.wrong", gone=True)
    assert at.browser.run("return document.querySelector('#bars').value") == "5-8"
    assert at.complaints() == []


def test_a_file_that_holds_no_tune_and_a_field_of_the_heading_are_named(at: At) -> None:
    at.browser.run(DROP, base64.b64encode(b"%PDF-1.7").decode(), "the plan.pdf")
    at.until(lambda: "the plan.pdf: not a tune" in at.browser.run("return document.body.innerText"))
    at.open("rushes.toml")
    at.hands.press("#bars")
    at.browser.keys("9-3", "Enter")
    at.hands.see("#part-head .red")
    at.make_the_lesson()
    at.until(lambda: "only bars: found '9-3'" in at.browser.run("return document.querySelector('.slip').innerText"))
