"""What the page asks of a lesson reaches the one who makes it, and what is made comes back a click away."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from underbow.desk.folder import Folder
from underbow.desk.lessons import Making
from underbow.jobs.gather import gather
from underbow.lesson.letters import left_out_of, shown
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions

from .conftest import Opened

TUNE = 'X:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]\n'


@pytest.mark.parametrize(
    ("asked", "made"), [("", None), ("phone", VideoOptions()), ("screen", VideoOptions(wide=True)), ([1], None)]
)
def test_a_video_is_made_where_it_is_chosen(
    asked: object, made: VideoOptions | None, desk: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    monkeypatch.setattr(
        "underbow.desk.lessons.Lessons.begin", lambda self, names, title, options, video: seen.append(video) or "key"
    )
    answer = desk.post("/lessons", {"sheets": ["gateposts.toml"], "title": "", "video": asked})
    assert answer.json() == {"lesson": "key"}
    assert seen == [made]


def test_what_breaks_off_because_the_desk_ends_is_stopped_and_anything_else_is_told(
    lessons: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an interpreter ends, it begins no more threads: a lesson that is still being made comes upon that."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("cannot schedule new futures after interpreter shutdown")

    monkeypatch.setattr("underbow.desk.lessons.make_lesson", broken)
    gathered = gather([lessons / "gateposts.toml"], LessonOptions())
    ended, going_on = Making("a"), Making("b")
    ended.stop()
    ended.run(Folder(lessons), gathered)
    assert (ended.state, ended.what) == ("stopped", "")
    with pytest.raises(RuntimeError):
        going_on.run(Folder(lessons), gathered)
    assert going_on.state == "failed"


def short_sheet(folder: Path, name: str, title: str) -> str:
    """A sheet that is made in a moment; its name."""
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text(
        f'title = "{title}"\nabc = """{TUNE}"""\npattern = "saw"\n'
        "[tempo]\nstart = 200\ngoal = 200\npasses = 1\ncount_in = 1\n",
        "utf-8",
    )
    return name


def made(desk: Opened, sheets: list[str], title: str = "") -> dict[str, Any]:
    """Make a lesson, wait for it, and give what the page is told."""
    key = desk.post("/lessons", {"sheets": sheets, "title": title}).json()["lesson"]
    making = desk.desk.lessons.get(key)
    assert making is not None
    *_, told = making.news()
    assert (told["state"], told["what"]) == ("made", "")
    return told


def test_a_lesson_replaces_an_earlier_one_of_the_same_sheets_and_no_other(desk: Opened, lessons: Path) -> None:
    a, b = short_sheet(lessons, "a.toml", "Ash Bucket"), short_sheet(lessons, "b.toml", "Byre")
    c = short_sheet(lessons, "week/a.toml", "Ash Bucket")  # called alike, and another
    several = made(desk, [a, b])
    assert (several["title"], several["place"]) == ("Ash Bucket and 1 more", "Ash Bucket and 1 more")
    (contents,) = [file["path"] for file in several["files"] if file["kind"] == "contents"]
    assert "Byre" in desk.get(f"/made/{contents}").text
    alone = made(desk, [a])
    assert alone["place"] == "Ash Bucket"
    assert {file["kind"] for file in alone["files"]} == {"zip", "handout", "page"}
    assert made(desk, [a, b], "Ash Bucket")["place"] == "Ash Bucket 2"
    assert made(desk, [c])["place"] == "Ash Bucket 3"
    home = lessons / "lessons"
    before = {path.name: path.read_bytes() for path in home.glob("*.zip")}
    assert len(before) == 4
    (home / "Ash Bucket 4").mkdir()
    (home / "Ash Bucket 4" / "hers.txt").write_text("hers")
    assert made(desk, [b], "Ash Bucket")["place"] == "Ash Bucket 5"
    desk.change(a, (["to_learner"], "Slowly."))
    assert made(desk, [b, a], "Ash Bucket")["place"] == "Ash Bucket 2"
    assert made(desk, [a])["place"] == "Ash Bucket"
    changed = {name for name, data in before.items() if (home / name).read_bytes() != data}
    assert changed == {"Ash Bucket.zip", "Ash Bucket 2.zip"}
    assert (home / "Ash Bucket 4" / "hers.txt").read_text() == "hers"


def test_what_was_handed_out_last_week_stays_as_it_was(desk: Opened, lessons: Path) -> None:
    sheet = short_sheet(lessons, "a.toml", "Ash Bucket")
    assert made(desk, [sheet])["place"] == "Ash Bucket"
    home = lessons / "lessons"
    last_week = time.time() - 7 * 86_400
    os.utime(home / "Ash Bucket" / "manifest.json", (last_week, last_week))
    before = {path: path.read_bytes() for path in home.rglob("*") if path.is_file()}
    desk.change(sheet, (["changes", "2"], "Em"))
    told = made(desk, [sheet])
    assert told["place"] == "Ash Bucket 2"
    assert told["remarks"] == ["“Ash Bucket”, which was made before, stays as it is"]
    assert {path: path.read_bytes() for path in before} == before
    assert made(desk, [sheet])["place"] == "Ash Bucket 2"  # while she works on it, there is one


def test_what_keeps_a_lesson_from_being_made_is_told_in_the_words_of_the_margin(desk: Opened) -> None:
    beside = desk.change("gateposts.toml", (["changes", "12"], "H7"), (["tempo", "start"], "fast"))["problems"]
    answer = desk.post("/lessons", {"sheets": ["rushes.toml", "gateposts.toml"], "title": ""})
    assert answer.status_code == 400
    told = {(one["file"], one["where"], one["what"]) for one in answer.json()["problems"]}
    title = desk.sheet("gateposts.toml")["title"]["text"]
    assert told == {
        (title, one["part"], f"bar {one['bar']}: {one['what']}" if one["bar"] else one["what"]) for one in beside
    }
    assert (title, "changes") in {one[:2] for one in told}
    desk.change("rushes.toml", (["bars"], "9-3"))
    answer = desk.post("/lessons", {"sheets": ["rushes.toml"], "title": ""})
    assert [one["where"] for one in answer.json()["problems"]] == ["head.bars"]


def test_letters_that_no_font_has_are_told_in_the_words_of_the_command_line(desk: Opened, lessons: Path) -> None:
    """U+13000, a man who sits, is in no font but those made for it: most machines have none."""
    title = "Reel \U00013000"
    told = made(desk, [short_sheet(lessons, "odd.toml", title)])
    left_out = shown(title).left_out
    assert told["remarks"] == ([left_out_of(title, left_out, "the printed sheet")] if left_out else [])


def test_the_video_lies_beside_the_zip(desk: Opened, lessons: Path) -> None:
    (lessons / "short.toml").write_text(
        f'title = "Short"\nabc = """{TUNE}"""\npattern = "saw"\n[tempo]\nstart = 200\ngoal = 200\npasses = 1\ncount_in = 1\n'
    )
    key = desk.post("/lessons", {"sheets": ["short.toml"], "title": "Short", "video": "phone"}).json()["lesson"]
    making = desk.desk.lessons.get(key)
    assert making is not None
    end = time.monotonic() + 300
    while making.state == "making" and time.monotonic() < end:
        time.sleep(0.1)
    assert (making.state, making.what) == ("made", "")
    kinds = {file["kind"]: file["path"] for file in making.files}
    assert kinds.keys() == {"zip", "handout", "page", "video"}
    served = desk.get(f"/made/{kinds['video']}")
    assert served.status_code == 200
    assert served.headers["content-type"] == "video/mp4"
    assert served.headers["content-disposition"].startswith("attachment")
    assert served.content[4:8] == b"ftyp"
