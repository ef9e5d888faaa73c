"""How sheets begin at the desk: from chords, from ABC, from the tunes of a book."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from .conftest import HOME, Opened, opened
from .page.jobs_by_hand import REEL, WALTZ


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ({"abc": ""}, "no tune in ABC yet"),
        ({"abc": "hello"}, "no tune in ABC yet"),
        ({"abc": "T:x\nK:G\n"}, "no notes"),
        ({"abc": REEL + "\n" + REEL.replace("X:1", "X:2")}, "several tunes"),
        ({"chords": ""}, "no chords"),
        ({"chords": "G H7 Q"}, "not a chord"),
        ({}, "choose a tune"),
        ({"book": "9", "tune": 0}, "choose a tune"),
        ({"book": 1, "tune": -1}, "choose a tune"),
    ],
    ids=str,
)
def test_what_is_no_beginning_says_so_and_leaves_nothing(
    desk: Opened, lessons: Path, wanted: dict[str, Any], says: str
) -> None:
    before = sorted(path.name for path in lessons.iterdir())
    answer = desk.post("/sheets", wanted)
    assert answer.status_code == 400
    assert says in answer.json()["problems"][0]["what"]
    assert sorted(path.name for path in lessons.iterdir()) == before


def test_a_tunebook_gives_its_tunes_one_by_one(desk: Opened, lessons: Path) -> None:
    book = "%abc-2.1\nM:6/8\n\n" + "\n".join(f"X:{n}\nT:Tune {n}\nL:1/8\nK:D\ndfa afd|d6|]\n" for n in range(1, 41))
    found = desk.client.post(
        "/book", content=book.encode(), headers={"Origin": "http://127.0.0.1:8765", "X-File-Name": "book.abc"}
    ).json()
    assert len(found["tunes"]) == 40
    name = desk.post("/sheets", {"book": found["book"], "tune": 16}).json()["name"]
    shown = desk.sheet(name)
    assert (shown["title"]["text"], shown["head"]["meter"], shown["problems"]) == (
        "Tune 17",
        "6/8",
        [],
    )  # the book's own meter


def test_several_tunes_of_a_book_become_sheets_at_once(desk: Opened, lessons: Path) -> None:
    second, third = REEL.replace("X:1", "X:2"), "X:3\nT:Nothing\nK:G\n"
    book = "\n".join([REEL, second, third, WALTZ.replace("X:1", "X:4")])
    headers = {"Origin": HOME, "X-File-Name": "book.abc"}
    key = desk.client.post("/book", content=book.encode(), headers=headers).json()["book"]
    made = desk.post("/sheets", {"book": key, "tunes": [0, 1, 2, 3]}).json()
    assert made["names"] == ["moss-on-the-lintel.toml", "moss-on-the-lintel-2.toml", "lamp-in-the-byre.toml"]
    assert len(made["problems"]) == 1
    assert "no notes" in made["problems"][0]
    for name in made["names"]:
        assert desk.sheet(name)["problems"] == []
    before = sorted(path.name for path in lessons.iterdir())
    for wanted in ([], [2], [0, 9], [0, "1"], list(range(201))):
        assert desk.post("/sheets", {"book": key, "tunes": wanted}).status_code == 400
    assert sorted(path.name for path in lessons.iterdir()) == before


def test_two_tunes_of_one_title_have_a_sheet_each(desk: Opened) -> None:
    names = {desk.post("/sheets", {"abc": REEL}).json()["name"] for _ in range(3)}
    assert len(names) == 3


def test_a_tune_of_a_book_is_shown_and_written_alone(lessons: Path) -> None:
    """The other tunes of the file stay as they are, and its problems are counted in its own lines."""
    other = "X:7\nT:Another\nM:4/4\nL:1/4\nK:D\ndefg|a4|]\n"
    (lessons / "book.abc").write_text(
        f"% ours\n\n{other}\n{REEL.replace('X:1', 'X:12')}\n{other.replace('7', '8')}", "utf-8"
    )
    (lessons / "of-book.toml").write_text('tune = "book.abc"\nnumber = 12\n', "utf-8")
    desk = opened(lessons)
    shown = desk.sheet("of-book.toml")
    assert shown["tune"]["abc"] == REEL.replace("X:1", "X:12")
    assert shown["tune"]["number"] == 12
    broken = shown["tune"]["abc"].replace("G2BG dGBG|A2cA", "G2BG dGBGG|A2cA", 1)
    tried = desk.post("/sheet/of-book.toml/trial", {"abc": broken}).json()
    assert [one["line"] for one in tried["problems"]] == [7]
    assert tried["staff"]
    kept = desk.post("/sheet/of-book.toml/tune", {"version": shown["version"], "abc": broken}).json()
    assert kept["tune"]["abc"] == broken
    assert [one["line"] for one in kept["problems"]] == [7]
    text = (lessons / "book.abc").read_text("utf-8")
    assert text == f"% ours\n\n{other}\n{broken}\n{other.replace('7', '8')}"
