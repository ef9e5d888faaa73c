"""A tunebook is a course: every tune becomes a sheet, what can't be played is named, and a template counts for all."""

from __future__ import annotations

from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.files.trouble import DiskError
from underbow.jobs.book import book_tunes
from underbow.jobs.gather import gather
from underbow.jobs.run import run_job
from underbow.jobs.size import check_room, estimate
from underbow.lesson.options import LessonOptions
from underbow.sound.options import RenderOptions
from underbow.track.sheet.read import read_sheet
from underbow.tune.source import load_tunes, single_tunes
from underbow.tune.tune import Note

from .sheets import RENDER, write_sheet

BOOK = """%%a remark
C:Anon
X:3
T:One
M:6/8
L:1/8
K:D
"D"dfd "A"ece|"D"d3 d3|]

X:7
T:Nothing

X:7
T:Two
R:reel
M:C|
L:1/8
K:G % no chords
GABc d2 B2|G4 G4|]

X:9
T:one
M:4/4
L:1/4
K:G
"G"GABc|"D"d4|]
"""
TEMPLATE = "[tempo]\nramp = 'steady'\ngoal = 100\npasses = 1\ncount_in = 1\n[[mix]]\nname = 'x'\nmelody = 0\n"


@pytest.fixture
def book(tmp_path: Path) -> Path:
    (tmp_path / "book.abc").write_text(BOOK)
    return tmp_path / "book.abc"


@pytest.fixture
def template(tmp_path: Path) -> Path:
    (tmp_path / "template.toml").write_text(TEMPLATE)
    return tmp_path / "template.toml"


def test_every_tune_of_a_book_is_a_job_and_what_is_none_is_named(book: Path) -> None:
    found = gather([book], RENDER)
    assert [job.title for job in found.jobs] == ["One", "Two", "one"]
    left_out = [line for line in found.told if line.startswith("left out")]
    assert len(left_out) == 1
    assert f"{book}: tune 7, Nothing: " in left_out[0]
    patterns = [job.read().patterns[0][1].name for job in found.jobs]
    assert patterns[0] != patterns[1]
    assert all(any(span.chord for span in job.read().melody.chords) for job in found.jobs)
    assert [job.sound.name for job in found.jobs] == ["", "", "one 2"]  # files of like names don't meet


def test_a_number_given_to_a_name_meets_no_name_that_has_one(tmp_path: Path) -> None:
    titles = ["Reel", "reel", "Reel 2"]
    found = gather([write_sheet(tmp_path, f"s{n}", title) for n, title in enumerate(titles)], RENDER)
    names = [job.sound.name or job.title for job in found.jobs]
    assert names == ["Reel", "reel 2", "Reel 2 2"]


def played(note: Note) -> tuple[object, ...]:
    return note.start, note.length, note.pitch


def test_a_tune_alone_is_read_as_it_is_in_its_book(book: Path, tmp_path: Path) -> None:
    for tune, (called, content) in zip(load_tunes(book), single_tunes(book), strict=True):
        (tmp_path / "alone.abc").write_bytes(content)
        (alone,) = load_tunes(tmp_path / "alone.abc")
        assert [list(map(played, measure.notes)) for measure in alone.measures] == [
            list(map(played, measure.notes)) for measure in tune.measures
        ]
        assert (alone.title, alone.key, alone.composer) == (tune.title, tune.key, tune.composer)
        assert called == f"tune {tune.number}, {tune.title}"


def test_a_job_of_a_book_follows_its_own_tune_alone(book: Path) -> None:
    before = [job.stamp for job in gather([book], RENDER).jobs]
    book.write_text(BOOK.replace("GABc d2 B2", "GABc d2 G2"))
    after = [job.stamp for job in gather([book], RENDER).jobs]
    assert [a == b for a, b in zip(after, before, strict=True)] == [True, False, True]


def test_a_template_counts_for_every_tune(book: Path, template: Path) -> None:
    jobs = gather([book], RENDER, template=template).jobs
    assert {job.tracks for job in jobs} == {1}
    assert {len(job.read().ramp.tempos) for job in jobs} == {1}
    template.write_text(f"title = 'x'\ntune = 'y.abc'\n{TEMPLATE}")
    with pytest.raises(InputError) as wrong:
        gather([book], RENDER, template=template)
    assert [(fault.where, fault.file) for fault in wrong.value.faults] == [
        (n, str(template)) for n in ("title", "tune")
    ]


def test_where_no_tune_can_be_played_that_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "bad.abc").write_text("X:1\nT:Nothing\nK:G\n")
    with pytest.raises(InputError, match="tune 1, Nothing"):
        gather([tmp_path / "bad.abc"], RENDER)
    with pytest.raises(InputError, match="no such file"):
        list(book_tunes(tmp_path / "none.abc"))


def test_the_room_is_estimated_within_a_factor_of_three_and_asked_for_beforehand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    sheet.write_text(sheet.read_text().replace("passes = 2", "passes = 9"))
    assert len(read_sheet(sheet).ramp.tempos) == 9
    for kind in (RenderOptions(voices="builtin", stems=True), LessonOptions(RenderOptions(("mp3",), voices="builtin"))):
        (job,) = gather([sheet], kind).jobs
        made = run_job(job, tmp_path / type(kind).__name__).report()["files"]
        assert sum(file["bytes"] for file in made) / 1.2 < estimate(job) < 3 * sum(file["bytes"] for file in made)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: type("Usage", (), {"free": 1000})())
    with pytest.raises(DiskError, match=r"this needs about \d+ MB, and 0 MB are free"):
        check_room([job], tmp_path)
