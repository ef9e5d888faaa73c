"""The shelf as it is searched: by title, key, meter and chords; which sheet is which."""

from __future__ import annotations

from .conftest import At
from .jobs_by_hand import JIG


def test_the_shelf_is_searched_by_title_key_meter_and_chords(at: At) -> None:
    def found(words: str) -> list[str]:
        at.browser.run(
            "const f = document.querySelector('#find'); f.value = arguments[0]; f.dispatchEvent(new Event('input'))",
            words,
        )
        return at.browser.run(
            "return [...document.querySelectorAll('.papers:not(.blanks) b')].map((b) => b.textContent)"
        )

    assert found("lamp") == ["Lamplight on the Landing"]
    assert found("6/8") == ["Wet Socks on the Stile"]
    assert found("d major jig") == ["Wet Socks on the Stile"]
    assert found("Bm Em") == ["Wet Socks on the Stile"]
    assert found("f e") == ["Snow on the Weir"]
    assert found("no such thing") == []
    assert len(found("")) == 5


def test_sheets_of_one_title_are_told_apart_by_their_files(at: At) -> None:
    (at.folder / "again.toml").write_bytes((at.folder / "rushes.toml").read_bytes())
    at.browser.run("location.reload()")
    at.hands.see(".small .file")
    files = "return [...document.querySelectorAll('.small .file')].map((one) => one.textContent)"
    assert at.browser.run(files) == ["again.toml", "rushes.toml"]
    title = at.table("rushes.toml")["title"]
    at.hands.see(f'[aria-label="put away {title}, again.toml"]')
    assert at.complaints() == []


def test_a_bare_tune_is_found_by_the_chords_that_are_suggested_for_it(at: At) -> None:
    (at.folder / "churn.abc").write_text(JIG, "utf-8")
    (at.folder / "churn.toml").write_text('title = "Churn"\ntune = "churn.abc"\n', "utf-8")
    at.browser.go(at.address.partition("?")[0])
    at.hands.see("#find")
    titles = "return [...document.querySelectorAll('.papers:not(.blanks) b')].map((one) => one.textContent)"
    at.until(lambda: "Churn" in at.browser.run(titles))
    at.browser.run("const f = document.querySelector('#find'); f.value = 'a7 jig'; f.dispatchEvent(new Event('input'))")
    at.until(lambda: at.browser.run(titles) == ["Churn"])
    card = "return document.querySelector('.papers:not(.blanks) a').innerText"
    assert {"D", "G", "A7"} <= set(at.browser.run(card).split())
    at.browser.keys("Tab")
    at.hands.press(".papers:not(.blanks) .corner input")
    at.hands.see("#make")
    at.browser.run("[...document.querySelectorAll('.class .word')].at(-1).click()")
    assert not at.browser.run("return document.querySelector('.papers:not(.blanks) .corner input').checked")


def test_cut_time_stands_as_two_two_and_is_found_by_either_name(at: At) -> None:
    """Two halves to the bar: musicians write the sign, or 2/2; the letters of ABC for it stand nowhere on the paper."""
    listed = "document.querySelectorAll('.papers:not(.blanks) > li')"
    found = f"return [...{listed}].filter((one) => one.checkVisibility()).map((one) => one.innerText)"
    at.until(lambda: len(at.browser.run(found)) > 3)
    for name in ("cut time", "2/2"):
        at.browser.run(
            "const find = document.querySelector('#find'); find.value = arguments[0]; find.dispatchEvent(new Event('input'))",
            name,
        )
        at.until(lambda: any("Lamplight" in one for one in at.browser.run(found)))
        assert all("2/2" in one and "C|" not in one for one in at.browser.run(found))
    at.open("lamplight.toml")
    head = at.browser.run("return document.querySelector('.paper').innerText.slice(0, 400)")
    assert "2/2" in head
    assert "C|" not in head
