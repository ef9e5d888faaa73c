"""Whatever is wrong with a sheet is told in one go: no fault hides another that doesn't follow from it, and none comes of it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.track.sheet.read import build_sheet

TUNE = 'X:1\nT:Two parts\nM:4/4\nL:1/4\nK:G\nP:A\n|:"G"GABc|"D"d4:|\nP:B\n|:"C"cdef|"G"g4:|\n'
SOUND = {
    "mix": '[[mix]]\nname = "one"\nmelody = 0\n[[mix]]\nname = "two"\nbackup = 0',
    "recording": '[recording]\nfile = "me.wav"\nbar_lines = { "1" = 0.5 }',
    "tempo": "[tempo]\nstart = 60\ngoal = 80\npasses = 3",
    "tune": 'tune = "tune.abc"',
    "bars": 'bars = "1-2"',
    "changes": 'changes = { 1 = "G" }',
    "form": 'form = "AABB"',
    "shapes": 'shapes = { G = "0-0" }',
    "pattern": 'pattern = { A = "nashville-shuffle", B = "saw" }',
    "progression": "",
    "strings": 'strings = "low"',
    "tuning": 'tuning = "GDAE"',
}
# A part of the sheet, what is wrong there, and the place and the beginning of what is told.
FAULTS = {
    "no tune": ("tune", 'tune = "lost.abc"', 'tune: no file "lost.abc"'),
    "bars too high": ("bars", 'bars = "1-99"', "bars: found '1-99'"),
    "bars in words": ("bars", 'bars = "five"', "bars: found 'five'"),
    "changed bar's chord": ("changes", 'changes = { 1 = "H7" }', "changes, 1: not a chord: 'H7'"),
    "changed bar": ("changes", 'changes = { 99 = "G" }', "changes, 99: there is no bar 99"),
    "form": ("form", 'form = "AAZ"', "form: found 'AAZ'"),
    "shape of no chord": ("shapes", 'shapes = { H = "0-0" }', "shapes, H: not a chord: 'H'"),
    "shape of another chord": ("shapes", 'shapes = { Em = "0-0" }', "shapes, Em: Em is not played"),
    "shape": ("shapes", 'shapes = { G = "x" }', "shapes, G: hand shape 'x'"),
    "pattern": ("pattern", 'pattern = { A = "nash", B = "saw" }', "pattern.A: no pattern 'nash'"),
    "pattern's section": (
        "pattern", 'pattern = { A = "nashville-shuffle", B = "saw", Q = "saw" }', "pattern.Q: no such section",
    ),
    "progression": ("progression", 'progression = "G | H9"', "progression, bar 2: not a chord: 'H9'"),
    "progression's bars": ("progression", 'progression = "G | G | C"', "progression: found 3 bars of chords"),
    "progression's section": ("progression", 'progression = "A: G | D\\nB: C | G\\nC: G"', "progression: section C is not"),
    "strings": ("strings", 'strings = "deep"', "strings: strings must be"),
    "tuning": ("tuning", 'tuning = "HHHH"', "tuning: not a tuning"),
    "mix": ("mix", '[[mix]]\nname = "one"\nmelody = 99\n[[mix]]\nname = "two"', "mix 1.melody: found 99"),
    "recording": ("recording", '[recording]\nfile = "lost.wav"', 'recording.file: no file "lost.wav"'),
    "recorded bar": ("recording", '[recording]\nfile = "me.wav"\nbar_lines = { "77" = 1 }', "recording.bar_lines: there is no"),
    "tempo": ("tempo", "[tempo]\nstart = 60\ngoal = 8000", "tempo.goal: found 1/4 = 8000"),
    "hours": ("tempo", '[tempo]\nstart = 20\ngoal = 20\nramp = "steady"\npasses = 200\neach = 8', "tempo: 1600 passes"),
}  # fmt: skip
# What nobody can know as long as something else is wrong.
WHAT_IS_PLAYED = {
    "form", "bars too high", "bars in words", "changed bar", "changed bar's chord", "progression", "progression's bars",
    "progression's section",
}  # fmt: skip
RESTS_ON = {
    "bars too high": {"no tune"},
    "bars in words": set[str](),
    "changed bar": {"no tune"},
    "form": {"no tune"},
    "shape of another chord": {"no tune", *WHAT_IS_PLAYED},
    "shape": {"tuning", "strings"},
    "pattern's section": {"no tune"},
    "progression's bars": {"no tune", "form"},
    "progression's section": {"no tune"},
    "recorded bar": {"no tune"},
    "hours": {"no tune", "form", "bars too high", "bars in words"},
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sheet")
    (folder / "tune.abc").write_text(TUNE)
    (folder / "me.wav").write_bytes(b"not listened to")
    return folder


def told(folder: Path, faults: tuple[str, ...], order: tuple[str, ...] = tuple(SOUND)) -> list[str]:
    """Lines without the cure, in the order in which they are told."""
    written = SOUND | {FAULTS[name][0]: FAULTS[name][1] for name in faults}
    parts = sorted(order, key=lambda part: written[part].startswith("["))
    try:
        build_sheet(tomllib.loads("\n".join(written[part] for part in parts)), folder, "s.toml")
    except InputError as wrong:
        return [str(fault).removeprefix("s.toml: ") for fault in wrong.faults]
    return []


def test_the_sheet_is_fine_without_its_faults(folder: Path) -> None:
    assert told(folder, ()) == []


@pytest.mark.parametrize("name", FAULTS)
def test_two_faults_of_a_sheet_are_both_told_and_nothing_else(folder: Path, name: str) -> None:
    for other in FAULTS:
        pair = (name, other)
        if FAULTS[name][0] == FAULTS[other][0]:
            continue
        expected = {FAULTS[each][2] for each in pair if not RESTS_ON.get(each, set()) & {*pair}}
        lines = told(folder, pair)
        found = {begin for begin in expected if any(line.startswith(begin) for line in lines)}
        assert found == expected, pair
        mixes = ["mix 2: no part is heard; write a level in dB for one, such as melody = 0"] * ("mix" in pair)
        assert len(lines) == len(expected) + len(mixes), lines


@pytest.mark.parametrize("backwards", [False, True])
def test_faults_come_in_the_order_of_their_file(folder: Path, backwards: bool) -> None:
    keys = ("bars", "form", "shapes", "strings", "tuning", "recording", "tempo", "mix")
    rest = tuple(part for part in SOUND if part not in keys)
    order = (*rest, *(reversed(keys) if backwards else keys))
    lines = told(folder, ("bars too high", "form", "shape of no chord", "strings", "recording", "tempo", "mix"), order)
    places = ["bars", "form", "shapes, H", "strings", "recording.file", "tempo.goal", "mix 1.melody", "mix 2"]
    if backwards:
        places = ["strings", "shapes, H", "form", "bars", "mix 1.melody", "mix 2", "tempo.goal", "recording.file"]
    assert [line.partition(": ")[0] for line in lines] == places


def test_every_fault_at_once(folder: Path) -> None:
    """As many as a sheet has parts, each told once."""
    alone = [name for name in FAULTS if not RESTS_ON.get(name)]
    chosen = tuple({FAULTS[name][0]: name for name in alone}.values())
    assert len(chosen) >= 9
    lines = told(folder, chosen)
    for name in chosen:
        assert sum(line.startswith(FAULTS[name][2]) for line in lines) == 1, name


def test_what_rests_on_something_is_told_when_that_is_mended(folder: Path) -> None:
    for name, others in RESTS_ON.items():
        lines = told(folder, (name,))
        assert [line.startswith(FAULTS[name][2]) for line in lines] == [True], name
        assert others <= {*FAULTS}
