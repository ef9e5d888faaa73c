"""What was done is taken back and done again, and what somebody else did is never overwritten."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import tomllib
from pathlib import Path

import pytest

from underbow.desk.folder import ChangedElsewhereError, Folder
from underbow.files.caches import cache_folder

from .conftest import TRACKS, Opened, opened
from .page.jobs_by_hand import REEL

SHEETS = sorted(TRACKS.glob("*.toml"))


# --- taking back ---


def test_everything_can_be_taken_back_and_done_again(desk: Opened, lessons: Path) -> None:
    states = [(lessons / "wet-socks.toml").read_bytes()]
    for n in range(6):
        desk.change("wet-socks.toml", (["tempo", "start"], 50 + n))
        states.append((lessons / "wet-socks.toml").read_bytes())
    shown = desk.sheet("wet-socks.toml")  # as after loading the page anew
    assert (shown["back"], shown["forth"]) == (6, 0)
    for state in reversed(states[:-1]):
        assert desk.post("/sheet/wet-socks.toml/take/back", {}).status_code == 200
        assert (lessons / "wet-socks.toml").read_bytes() == state
    assert (
        desk.post("/sheet/wet-socks.toml/take/back", {}).json()["back"] == 0
    )  # there is nothing more: nothing happens
    for state in states[1:]:
        desk.post("/sheet/wet-socks.toml/take/forth", {})
        assert (lessons / "wet-socks.toml").read_bytes() == state
    desk.post("/sheet/wet-socks.toml/take/back", {})
    assert desk.change("wet-socks.toml", (["title"], "New way"))["forth"] == 0


def test_taking_back_on_a_new_sheet_ends_where_it_was_begun(desk: Opened, lessons: Path) -> None:
    name = desk.post("/sheets", {"abc": REEL}).json()["name"]
    begun = {path.name: path.read_bytes() for path in lessons.iterdir()}
    assert (desk.sheet(name)["back"], desk.sheet(name)["forth"]) == (0, 0)
    desk.change(name, (["title"], "Another name"))
    for back in range(3):
        shown = desk.post(f"/sheet/{name}/take/back", {}).json()
        assert (shown["back"], shown["forth"]) == (0, 1), back
        assert {path.name: path.read_bytes() for path in lessons.iterdir()} == begun
    assert desk.post(f"/sheet/{name}/take/forth", {}).json()["title"]["text"] == "Another name"


def test_what_was_done_is_taken_back_after_the_desk_was_started_again(lessons: Path) -> None:
    first, sheet = opened(lessons), lessons / "wet-socks.toml"
    states = [sheet.read_bytes()]
    for n in range(3):
        first.change("wet-socks.toml", (["tempo", "start"], 50 + n))
        states.append(sheet.read_bytes())
    second = opened(lessons)
    assert second.sheet("wet-socks.toml")["back"] == 3
    for state in states[2:0:-1]:
        second.post("/sheet/wet-socks.toml/take/back", {})
        assert sheet.read_bytes() == state
    third = opened(lessons)
    shown = third.sheet("wet-socks.toml")
    assert (shown["back"], shown["forth"]) == (1, 2)
    third.post("/sheet/wet-socks.toml/take/forth", {})
    assert sheet.read_bytes() == states[2]


def test_what_no_longer_fits_the_files_is_forgotten_when_the_desk_is_started_again(lessons: Path) -> None:
    opened(lessons).change("wet-socks.toml", (["title"], "Mine"))
    undo = cache_folder("undo")
    assert undo is not None
    (kept,) = undo.iterdir()
    theirs = (lessons / "wet-socks.toml").read_bytes() + b"# theirs\n"
    (lessons / "wet-socks.toml").write_bytes(theirs)
    again = opened(lessons)
    assert again.sheet("wet-socks.toml")["back"] == 0
    again.change("wet-socks.toml", (["title"], "Mine again"))
    whole = kept.read_bytes()
    assert opened(lessons).sheet("wet-socks.toml")["back"] == 1
    for broken in (b"", b"[]", b'{"done": [[{"wet-socks.toml": "\xe2\x82\xac"}, 5]]}', whole[:-30]):
        kept.write_bytes(broken)
        assert opened(lessons).sheet("wet-socks.toml")["back"] == 0
    assert (lessons / "wet-socks.toml").read_bytes() != theirs


# --- somebody else ---


def test_a_file_changed_elsewhere_is_shown_beside_and_never_overwritten(desk: Opened, lessons: Path) -> None:
    shown = desk.sheet("gateposts.toml")
    theirs = (lessons / "gateposts.toml").read_text("utf-8").replace("start    = 60", "start    = 66")
    (lessons / "gateposts.toml").write_text(theirs, "utf-8")
    wanted = {"version": shown["version"], "edits": [{"key": ["title"], "value": "Mine"}]}
    answer = desk.post("/sheet/gateposts.toml/changes", wanted)
    assert answer.status_code == 409
    (found,) = answer.json()["elsewhere"]
    assert found["file"] == "gateposts.toml"
    assert 'title    = "Mine"' in found["mine"]
    assert found["theirs"] == theirs
    assert [one["key"] for one in found["differs"]] == [["title"], ["tempo"]]
    assert (lessons / "gateposts.toml").read_text("utf-8") == theirs
    again = desk.post("/sheet/gateposts.toml/changes", {**wanted, "version": desk.sheet("gateposts.toml")["version"]})
    assert again.json()["title"]["text"] == "Mine"
    assert again.json()["plan"]["start"] == 66  # theirs is kept beside it


def test_what_was_changed_elsewhere_is_not_taken_back(desk: Opened, lessons: Path) -> None:
    desk.change("gateposts.toml", (["title"], "Mine"))
    theirs = (lessons / "gateposts.toml").read_bytes() + b"\n# theirs\n"
    (lessons / "gateposts.toml").write_bytes(theirs)
    assert desk.post("/sheet/gateposts.toml/take/back", {}).status_code == 409
    assert (lessons / "gateposts.toml").read_bytes() == theirs


def test_a_tune_changed_elsewhere_is_noticed_too(desk: Opened, lessons: Path) -> None:
    shown = desk.sheet("gateposts.toml")
    (lessons / "gateposts.abc").write_text(REEL, "utf-8")
    assert desk.get("/sheet/gateposts.toml/version").json()["version"] != shown["version"]
    assert (
        desk.post("/sheet/gateposts.toml/tune", {"version": shown["version"], "abc": "X:1\nK:G\nG4|"}).status_code
        == 409
    )
    assert (lessons / "gateposts.abc").read_text("utf-8") == REEL


def test_two_desks_on_one_folder_lose_nothing_of_each_other(lessons: Path) -> None:
    one, other = opened(lessons), opened(lessons)
    a, b = one.sheet("rushes.toml"), other.sheet("rushes.toml")
    first = one.post(
        "/sheet/rushes.toml/changes", {"version": a["version"], "edits": [{"key": ["title"], "value": "One"}]}
    )
    second = other.post(
        "/sheet/rushes.toml/changes", {"version": b["version"], "edits": [{"key": ["title"], "value": "Other"}]}
    )
    assert (first.status_code, second.status_code) == (200, 409)
    assert tomllib.loads((lessons / "rushes.toml").read_text("utf-8"))["title"] == "One"


def test_many_at_once_on_one_folder_count_up_without_losing_one(lessons: Path) -> None:
    """Writers that read, add one and write, each trying again where somebody was before it."""
    (lessons / "count.toml").write_text("0", "utf-8")

    def work() -> None:
        folder = Folder(lessons)
        for _ in range(10):
            while True:
                seen = folder.read("count.toml")
                try:
                    folder.write({"count.toml": str(int(seen) + 1).encode()}, {"count.toml": seen})
                    break
                except ChangedElsewhereError:
                    continue

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (lessons / "count.toml").read_bytes() == b"40"


WRITER = """
import sys, itertools
from pathlib import Path
from underbow.desk.folder import ChangedElsewhereError, Folder
folder = Folder(Path(sys.argv[1]))
print("begun", flush=True)
texts = [b"title = 'old'\\n" + b"# " + b"x" * 400_000, b"title = 'new'\\n" + b"# " + b"y" * 400_000]
seen = folder.read("big.toml")
for n in itertools.count():
    folder.write({"big.toml": texts[n % 2]}, {"big.toml": seen})
    seen = texts[n % 2]
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
def test_killed_while_it_saves_the_sheet_is_old_or_new_and_whole(lessons: Path) -> None:
    (lessons / "big.toml").write_bytes(b"title = 'old'\n" + b"# " + b"x" * 400_000)
    for n in range(12):
        with subprocess.Popen([sys.executable, "-c", WRITER, str(lessons)], stdout=subprocess.PIPE) as program:
            assert program.stdout is not None
            program.stdout.readline()
            time.sleep(0.011 * n)
            os.kill(program.pid, signal.SIGKILL)
        data = (lessons / "big.toml").read_bytes()
        assert len(data) == 14 + 2 + 400_000
        assert data[16:] in (b"x" * 400_000, b"y" * 400_000)
    assert opened(lessons).sheet("gateposts.toml")["problems"] == []  # what a killed one left hidden disturbs nobody


# --- beginning ---
