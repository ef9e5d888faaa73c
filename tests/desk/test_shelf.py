"""The shelf: what it says of each sheet; a copy beside a sheet, a sheet off the shelf and back, nothing of anybody's lost."""

from __future__ import annotations

import os
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from underbow.desk import shelf
from underbow.desk.folder import Folder
from underbow.errors import InputError, UnderbowError
from underbow.files.caches import cache_folder

from .conftest import Opened, opened
from .page.jobs_by_hand import JIG, REEL, WALTZ


def held(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def put(desk: Opened, name: str, way: str) -> dict[str, Any]:
    answer = desk.post(f"/sheet/{name}/put/{way}", {})
    assert answer.status_code == 200, answer.text
    return answer.json()


def on_the_shelf(desk: Opened) -> list[str]:
    return [one["name"] for one in desk.get("/shelf").json()["sheets"]]


def test_a_copy_has_a_name_of_its_own_and_shares_the_tune(desk: Opened, lessons: Path) -> None:
    before = held(lessons)
    first, second = put(desk, "rushes.toml", "copy"), put(desk, "rushes.toml", "copy")
    title = tomllib.loads(before["rushes.toml"].decode())["title"]
    assert [one["title"] for one in (first, second)] == [f"{title}, copy", f"{title}, copy 2"]
    assert put(desk, first["name"], "copy")["title"] == f"{title}, copy 3"
    assert first["tune"] == "rushes.abc"
    own = before["rushes.toml"].decode().splitlines()
    copied = (lessons / first["name"]).read_text("utf-8").splitlines()
    assert [line for line in copied if line not in own] == [
        copied[next(i for i, one in enumerate(own) if "title" in one)]
    ]
    assert desk.sheet(first["name"])["staff"] == desk.sheet("rushes.toml")["staff"]
    desk.change(first["name"], (["tempo", "start"], 44))
    assert {name: data for name, data in held(lessons).items() if name in before} == before


def test_a_copy_of_a_sheet_in_a_folder_lies_beside_it(desk: Opened, lessons: Path) -> None:
    (lessons / "jigs").mkdir()
    for ending in ("toml", "abc"):
        (lessons / f"wet-socks.{ending}").rename(lessons / "jigs" / f"wet-socks.{ending}")
    name = put(desk, "jigs/wet-socks.toml", "copy")["name"]
    assert name.startswith("jigs/")
    assert desk.sheet(name)["problems"] == []


def test_a_sheet_put_away_comes_back_as_it_was(desk: Opened, lessons: Path) -> None:
    before = held(lessons)
    away = put(desk, "rushes.toml", "away")
    assert "rushes.toml" not in on_the_shelf(desk)
    assert [one["name"] for one in desk.get("/shelf").json()["away"]] == [away["name"]] == ["put away/rushes.toml"]
    assert sorted(held(lessons).values()) == sorted(before.values())
    assert not (lessons / "rushes.abc").exists()
    assert put(desk, away["name"], "back")["name"] == "rushes.toml"
    assert held(lessons) == before
    assert desk.get("/shelf").json()["away"] == []


@pytest.mark.parametrize("back", [(0, 1), (1, 0)], ids=["as they went", "the last one first"])
def test_a_tune_that_another_sheet_plays_stays(desk: Opened, lessons: Path, back: tuple[int, int]) -> None:
    copy = put(desk, "rushes.toml", "copy")["name"]
    before = held(lessons)
    away = [put(desk, "rushes.toml", "away")["name"]]
    assert desk.sheet(copy)["problems"] == []
    away.append(put(desk, copy, "away")["name"])  # its tune is the other's as well, wherever that lies
    assert (lessons / "rushes.abc").exists()
    for number in back:
        shown = desk.sheet(put(desk, away[number], "back")["name"])
        assert shown["problems"] == []
    assert held(lessons) == before


def test_a_recording_and_takes_go_away_with_their_sheet_and_come_back(desk: Opened, lessons: Path) -> None:
    takes = ("rushes-take-1.wav", "rushes-take-1.html", "rushes-take-12.webm")
    others = ("rushes-take-1.toml", "rushes-take-one.wav", "rushes-2-take-1.wav", "shared.wav")
    for name in (*takes, *others, "me.wav"):
        (lessons / name).write_bytes(b"title = 'sound'\n")
    desk.change("rushes.toml", (["recording", "file"], "me.wav"))
    desk.change("gateposts.toml", (["recording", "file"], "shared.wav"))
    desk.change("wet-socks.toml", (["recording", "file"], "shared.wav"))
    before = held(lessons)
    away = [put(desk, name, "away")["name"] for name in ("rushes.toml", "wet-socks.toml")]
    gone = before.keys() - held(lessons).keys()
    assert gone == {"rushes.toml", "rushes.abc", "me.wav", *takes, "wet-socks.toml", "wet-socks.abc"}
    assert {f"put away/{name}" for name in gone} <= held(lessons).keys()
    for name in away:
        put(desk, name, "back")
    assert held(lessons) == before


def test_a_take_that_another_sheet_plays_stays(desk: Opened, lessons: Path) -> None:
    (lessons / "rushes-take-1.wav").write_bytes(b"sound")
    desk.change("gateposts.toml", (["recording", "file"], "rushes-take-1.wav"))
    put(desk, "rushes.toml", "away")
    assert (lessons / "rushes-take-1.wav").exists()


def test_a_sheet_in_the_deepest_folder_is_put_away_and_comes_back(desk: Opened, lessons: Path) -> None:
    deep = lessons / "a" / "b" / "c" / "d" / "e"
    deep.mkdir(parents=True)
    for ending in ("toml", "abc"):
        (lessons / f"rushes.{ending}").rename(deep / f"rushes.{ending}")
    before = held(lessons)
    away = put(desk, "a/b/c/d/e/rushes.toml", "away")["name"]
    assert [one["name"] for one in desk.get("/shelf").json()["away"]] == [away] == ["put away/a/b/c/d/e/rushes.toml"]
    assert not list(deep.iterdir())
    put(desk, away, "back")
    assert held(lessons) == before


def test_a_book_stays_where_it_is(desk: Opened, lessons: Path) -> None:
    (lessons / "book.abc").write_text(f"{REEL}\n{REEL.replace('X:1', 'X:2')}", "utf-8")
    (lessons / "second.toml").write_text('title = "Second"\ntune = "book.abc"\nnumber = 2\n', "utf-8")
    put(desk, "second.toml", "away")
    assert (lessons / "book.abc").exists()


def test_a_new_sheet_takes_no_name_of_one_that_was_put_away(desk: Opened, lessons: Path) -> None:
    first = desk.post("/sheets", {"abc": REEL}).json()["name"]
    away = put(desk, first, "away")["name"]
    second = desk.post("/sheets", {"abc": REEL}).json()["name"]
    assert second != first
    assert put(desk, away, "back")["name"] == first
    assert {first, second} <= set(on_the_shelf(desk))


def test_what_lies_at_its_place_by_now_is_not_overwritten(desk: Opened, lessons: Path) -> None:
    away = put(desk, "rushes.toml", "away")["name"]
    (lessons / "rushes.abc").write_text(REEL, "utf-8")
    before = held(lessons)
    answer = desk.post(f"/sheet/{away}/put/back", {})
    assert answer.status_code == 400
    assert "there is such a file already" in answer.json()["problems"][0]["what"]
    assert held(lessons) == before


@pytest.mark.parametrize(
    "name", ["none.toml", "../rushes.toml", "/etc/passwd", "gateposts.abc", "put away/rushes.toml"]
)
@pytest.mark.parametrize("way", ["copy", "away", "back", "elsewhere"])
def test_nothing_but_a_sheet_of_the_shelf_is_copied_or_moved(desk: Opened, lessons: Path, name: str, way: str) -> None:
    before = held(lessons)
    assert desk.post(f"/sheet/{name}/put/{way}", {}).status_code in {400, 404}
    assert held(lessons) == before


def test_files_are_moved_together_or_not_at_all(lessons: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, folder, rename = held(lessons), Folder(lessons), Path.rename

    def failing(path: Path, new: Path) -> Path:
        if path.name == "rushes.abc":
            raise OSError(5, "Input/output error")
        return rename(path, new)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(UnderbowError):
        folder.move({"rushes.toml": "put away/rushes.toml", "rushes.abc": "put away/rushes.abc"})
    assert held(lessons) == before


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="needs links")
def test_nothing_is_put_away_to_where_a_link_leads_out(desk: Opened, lessons: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (lessons / "put away").symlink_to(tmp_path / "outside")
    before = held(lessons)
    assert desk.post("/sheet/rushes.toml/put/away", {}).status_code == 400
    assert held(lessons) == before
    with pytest.raises(InputError):
        Folder(lessons).move({"rushes.toml": "../rushes.toml"})


def test_the_shelf_follows_what_is_in_the_folder(desk: Opened, lessons: Path) -> None:
    def titles() -> list[str]:
        return [one["title"] for one in desk.get("/shelf").json()["sheets"]]

    assert titles() == sorted(titles(), key=str.casefold)
    assert len(titles()) == 5
    shutil.copy(lessons / "gateposts.toml", lessons / "copy.toml")
    assert titles().count("The Four Gateposts") == 2
    desk.change("copy.toml", (["title"], "A copy"))
    (lessons / "rushes.toml").unlink()
    assert titles()[0] == "A copy"
    assert "Rushes at Low Water" not in titles()


def test_the_shelf_says_what_the_paper_says(desk: Opened) -> None:
    for paper in desk.get("/shelf").json()["sheets"]:
        shown = desk.sheet(paper["name"])
        assert paper["key"].partition(" ")[0].replace("♯", "#").replace("♭", "b") == shown["head"]["tonic"]
        assert paper["meter"] == shown["head"]["meter"]
        assert paper["stairs"] == [round(begin) for begin, _ in shown["plan"]["tempos"]]
        assert {one["chord"] for one in shown["fingers"]["shapes"]} <= set(paper["chords"])


def test_a_sheet_without_a_tune_stands_on_the_shelf_all_the_same(desk: Opened, lessons: Path) -> None:
    (lessons / "nothing.toml").write_text('title = "Nothing yet"\n', "utf-8")
    (paper,) = [one for one in desk.get("/shelf").json()["sheets"] if one["name"] == "nothing.toml"]
    assert (paper["title"], paper["chords"]) == ("Nothing yet", [])
    while desk.get("/shelf/chords").json()["waiting"]:
        pass


def test_a_bare_tunes_chords_come_to_the_shelf_once_it_was_read(desk: Opened, lessons: Path) -> None:
    """They take a while, so the shelf is there first; what was found is kept as long as the files stay as they are."""

    def waiting() -> list[str]:
        return [paper["name"] for paper in desk.get("/shelf").json()["sheets"] if paper["waiting"]]

    assert waiting() == []  # the shipped sheets say all their chords
    bare = [desk.post("/sheets", {"abc": tune}).json()["name"] for tune in (REEL, JIG)]
    desk.change(bare[1], (["changes", "2"], "Am"))
    (lessons / "odd.toml").write_text('abc = "T:x\\nK:Em\\ne2e2|B4|"\n', "utf-8")
    faulty = (
        'title = "none"\n',
        "abc = 5\n",
        'tune = "gone.abc"\n',
        'abc = "K:G\\n"\nkey = "H"\n',
        'abc = "K:G\\n"\nchanges = 3\n',
    )
    for number, text in enumerate(faulty):
        (lessons / f"faulty-{number}.toml").write_text(text, "utf-8")
    assert sorted(waiting()) == sorted([*bare, "odd.toml", *(f"faulty-{number}.toml" for number in range(len(faulty)))])
    while (more := desk.get("/shelf/chords").json())["waiting"]:
        assert more["sheets"]
    assert waiting() == []
    papers = {paper["name"]: paper for paper in desk.get("/shelf").json()["sheets"]}
    for name in [*bare, "odd.toml"]:
        shown, paper = desk.sheet(name), papers[name]
        assert {chord for bar in shown["changes"] for chord in bar["chords"]} == set(paper["chords"]) != set()
        assert paper["meter"] == shown["head"]["meter"]
        assert paper["stairs"] == [round(begin) for begin, _ in shown["plan"]["tempos"]]
    desk.change(bare[1], (["changes", "2"], "Bm"))
    assert waiting() == bare[1:]


def test_chords_of_bare_tunes_are_known_when_the_desk_is_started_again(
    desk: Opened, lessons: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = [desk.post("/sheets", {"abc": tune}).json()["name"] for tune in (REEL, JIG)]
    read: list[str] = []

    def chords(again: Opened) -> dict[str, list[str]]:
        again.get("/shelf")
        while again.get("/shelf/chords").json()["waiting"]:
            pass
        return {one["name"]: one["chords"] for one in again.get("/shelf").json()["sheets"] if one["name"] in names}

    first, plain = chords(desk), shelf._worked_out
    monkeypatch.setattr(shelf, "_worked_out", lambda folder, name: read.append(name) or plain(folder, name))
    assert chords(opened(lessons)) == first
    assert read == []
    tune = tomllib.loads((lessons / names[1]).read_text("utf-8"))["tune"]
    (lessons / tune).write_text(WALTZ, "utf-8")
    assert chords(opened(lessons)) != first
    assert read == [names[1]]
    kept = cache_folder("tunes.jsonl")
    assert kept is not None
    kept.write_bytes(kept.read_bytes()[:-20] + b"\xff\x00{")  # broken off
    assert chords(opened(lessons))[names[0]] == first[names[0]]
    assert read == [names[1]] * 2
