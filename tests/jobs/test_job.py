"""A job is the same wherever it is made: its stamp follows what decides its bytes, and its result names no place."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.jobs import job as jobs
from underbow.jobs import run
from underbow.jobs.gather import Gathered, gather, gather_text
from underbow.jobs.job import Bank, Job
from underbow.jobs.run import run_job
from underbow.lesson.options import LessonOptions
from underbow.sound.options import RenderOptions
from underbow.sound.soundfont.banks import find_banks

from .sheets import RENDER, gathered, write_sheet


def one(folder: Path) -> Job:
    folder.mkdir(exist_ok=True)
    return gathered(folder, 1).jobs[0]


def test_a_job_is_the_same_from_any_folder_and_comes_to_the_same(tmp_path: Path) -> None:
    here, there = one(tmp_path / "here"), one(tmp_path / "there")
    assert here == there
    assert here.stamp == there.stamp == pickle.loads(pickle.dumps(here)).stamp
    reports = [run_job(job, tmp_path / name) for name, job in (("a", here), ("b", there))]
    assert reports[0].report() == reports[1].report()
    assert reports[0].is_whole(here.stamp)
    text = (tmp_path / "a" / "report.json").read_text()
    assert str(tmp_path) not in text
    assert all((reports[0].files / file["path"]).stat().st_size == file["bytes"] for file in json.loads(text)["files"])
    (reports[0].files / "Sheet 0 - both.cue").write_text("changed")
    assert not reports[0].is_whole(here.stamp)


def test_the_stamp_follows_everything_that_decides_the_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = one(tmp_path)
    bank = Bank("0" * 64, "a.sf2")
    others = [
        replace(job, sheet=job.sheet + b"# a remark\n"),
        replace(job, files=(("s0.abc", b"X:1\n"),)),
        replace(job, name="another.toml"),
        replace(job, mixes=("tune",)),
        replace(job, options=replace(RENDER, rate=48_000)),
        replace(job, options=LessonOptions(RENDER)),
        replace(job, banks=(bank,)),
        replace(job, banks=(replace(bank, sha256="1" * 64),)),
    ]
    stamps = {one.stamp for one in [job, *others]}
    assert len(stamps) == len(others) + 1
    unkept = replace(RENDER, kept=False)
    assert replace(job, options=unkept).stamp == job.stamp  # how quickly it is made decides nothing
    assert replace(job, options=LessonOptions(unkept)).stamp == replace(job, options=LessonOptions(RENDER)).stamp
    monkeypatch.setattr(jobs, "versions", lambda fluidsynth: (("numpy", "another"),))
    assert job.stamp not in stamps


def test_every_file_that_a_sheet_names_goes_along_and_no_other_is_seen(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    (tmp_path / "own").mkdir()
    own = 'title = "Own"\nmeter = "4/4"\ncells = 4\nbow = "d u d u"\naccent = "6 6 6 6"\n'
    own += 'tempo = { beat = "1/4", low = 60, high = 200 }\nsource = "common practice"\nabout = "x"\n'
    (tmp_path / "own" / "mine.toml").write_text(own)
    sheet.write_text(sheet.read_text().replace("'saw'", "{ A = 'own/mine.toml' }"))
    job = gather([sheet], RENDER).jobs[0]
    assert [name for name, _ in job.files] == ["one.abc", "own/mine.toml"]
    for name in ("one.abc", "own/mine.toml", "one.toml"):
        (tmp_path / name).unlink()
    assert job.read().patterns[0][1].title == "Own"
    with pytest.raises(InputError, match="no file"):
        replace(job, files=job.files[:1]).read()


def test_a_sheet_is_read_once_so_that_what_was_checked_is_what_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets = [write_sheet(tmp_path, name, name) for name in ("one", "two")]
    opened: list[Path] = []
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda path, *how, **more: opened.append(path) or real(path, *how, **more))
    assert len(gather(sheets, RENDER).jobs) == 2
    assert [path for path in opened if path.suffix == ".toml" and path.parent == tmp_path] == sheets


def test_a_sheet_that_is_no_file_is_a_job_too() -> None:
    text = 'title = "x"\nprogression = "G | D"\nmeter = "4/4"\ncompose = { seed = 1 }\n'
    text += 'pattern = "saw"\n[tempo]\ngoal = 200\npasses = 1\n'
    assert gather_text(text, RENDER).jobs[0].title == "x"
    with pytest.raises(InputError, match="no mix 'nonsense'"):
        gather_text(text, RENDER, ["nonsense"])


def test_problems_of_all_sheets_are_listed_in_one_go(tmp_path: Path) -> None:
    paths = [write_sheet(tmp_path, name, name) for name in ("one", "two", "three")]
    for name in ("one", "three"):
        (tmp_path / f"{name}.abc").unlink()
    with pytest.raises(InputError) as wrong:
        gather(paths, RENDER)
    assert len(wrong.value.faults) == 2


def test_a_soundfont_that_can_not_be_played_gives_way_to_the_next_and_then_to_built_in_voices(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bank whose violin is silent, for one; no message names where a bank lies."""
    tried: list[Path] = []

    def refuse(performance: object, kind: str, *, soundfont: Path, rate: int) -> object:
        tried.append(soundfont)
        raise InputError(f"{soundfont}: plays no sound")

    monkeypatch.setattr(run, "choose_voice", refuse)
    banks = (Bank("0" * 64, "a.sf2"), Bank("1" * 64, "b.sf2"))
    places = {bank.sha256: tmp_path / "secret" / bank.name for bank in banks}
    job = replace(one(tmp_path), banks=banks, options=replace(RENDER, voices="auto"))
    report = run_job(job, tmp_path / "out", places=places).report()
    assert tried == list(places.values())
    assert report["voices"] == "builtin"
    assert report["told"][0] == "sound: built-in voices; for a SoundFont: b.sf2: plays no sound"
    asked = replace(job, options=replace(RENDER, voices="soundfont"))
    with pytest.raises(InputError, match=r"^b\.sf2: plays no sound$"):
        run_job(asked, tmp_path / "out2", places=places)


def test_a_named_soundfont_is_no_part_of_a_job_but_its_content_is(tmp_path: Path, fluidsynth_library: str) -> None:
    assert fluidsynth_library
    small_bank = next(bank.path for bank in find_banks() if bank.path.name == "TimGM6mb.sf2")
    copies = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        copies.append(tmp_path / name / "bank.sf2")
        copies[-1].write_bytes(small_bank.read_bytes())
    sheet = write_sheet(tmp_path, "one", "One")
    found: list[Gathered] = [gather([sheet], RenderOptions(soundfont=path)) for path in copies]
    assert found[0].jobs == found[1].jobs
    assert found[0].jobs[0].sound.voices == "soundfont"
    assert str(tmp_path) not in repr(found[0].jobs)
    assert found[0].voices.places != found[1].voices.places
