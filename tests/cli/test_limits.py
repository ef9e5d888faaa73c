"""Every limit that README.md states: it holds, and what is beyond it is refused in a line that names it."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import mido
import numpy as np
import pytest
import soundfile

from underbow.errors import Fault, InputError
from underbow.jobs.recorded import listened
from underbow.tables import read_table, read_text
from underbow.theory.progression import Progression
from underbow.track.sheet import melody
from underbow.track.sheet.read import build_sheet
from underbow.tune import source
from underbow.tune.abc import builder, reader
from underbow.tune.abc.reader import read_abc
from underbow.tune.midi import reader as midi_reader
from underbow.tune.midi.reader import read_midi

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
TABLE = README[README.index("## How large things may be") : README.index("## Look after yourself")]
HEAD = "X:1\nT:t\nM:4/4\nL:1/4\nK:G\n"
SHEET = {"abc": f"{HEAD}GABc|", "pattern": "saw", "progression": "G"}


def refused(action: Callable[[], object]) -> str:
    with pytest.raises(InputError) as told:
        action()
    return "\n".join(map(str, told.value.faults))


def of_abc(text: str) -> str:
    (tune,) = read_abc(text)
    assert not tune.measures
    (fault,) = (one for one in (getattr(tune, "remarks", None) or tune.told) if isinstance(one, Fault))
    return str(fault)


def midi(quarters: int = 1, notes: int = 1) -> bytes:
    file = mido.MidiFile(ticks_per_beat=1)
    track = file.add_track()
    for _ in range(notes):
        track += [mido.Message("note_on", note=69), mido.Message("note_off", note=69, time=quarters)]
    data = io.BytesIO()
    file.save(file=data)
    return data.getvalue()


def silence(tmp_path: Path, seconds: int) -> Path:
    soundfile.write(tmp_path / "me.wav", np.zeros(seconds * 4000, np.int16), 4000)
    return tmp_path / "me.wav"


def a_file(tmp_path: Path, name: str, size: int) -> Path:
    with (tmp_path / name).open("wb") as file:
        file.truncate(size)
    return tmp_path / name


LIMITS: dict[str, Callable[[Path], str]] = {
    "500,000 bytes": lambda tmp: refused(lambda: read_text(a_file(tmp, "s.toml", 500_001))),
    "20 brackets": lambda tmp: refused(lambda: read_table("a = " + "[" * 21, "s.toml")),
    "10 dots": lambda tmp: refused(lambda: read_table(".".join("a" * 12) + " = 1", "s.toml")),
    "10,000 bars |": lambda tmp: refused(lambda: Progression.parse("|".join(["G"] * 10_001))),
    "200 passes": lambda tmp: refused(lambda: build_sheet(SHEET | {"tempo": {"passes": 201}})),
    "3 hours": lambda tmp: refused(
        lambda: build_sheet(SHEET | {"abc": HEAD + "GABc|" * 200, "tempo": {"passes": 200, "start": 40, "goal": 60}})
    ),
    "12 mixes": lambda tmp: refused(
        lambda: build_sheet(SHEET | {"mix": [{"name": str(n), "melody": 0} for n in range(13)]})
    ),
    "64 MB": lambda tmp: refused(lambda: source.load_tunes(a_file(tmp, "b.abc", 64_000_001))),
    "20,000 bars": lambda tmp: of_abc("X:1\nM:4/4\nL:1/1\nP:A900\nK:G\nP:A\n" + "G|" * 30),
    "4 MB": lambda tmp: refused(lambda: read_midi(midi() + bytes(4_000_000))),
    "40,000 quarter notes": lambda tmp: refused(lambda: read_midi(midi(quarters=40_001))),
    "or 10,000 bars": lambda tmp: refused(lambda: read_midi(midi(quarters=40_001))),
    "30 minutes": lambda tmp: refused(lambda: listened(silence(tmp, 1801), tmp)),
    "300 MB in a sheet": lambda tmp: refused(
        lambda: build_sheet(SHEET | {"recording": {"file": a_file(tmp, "me.wav", 301_000_000).name}}, tmp, "s.toml")
    ),
}
# Those that take many seconds to reach are brought down to 100 for the moment: the module, the constant, what goes beyond it.
LOWERED: dict[str, tuple[ModuleType, str, Callable[[], str]]] = {
    "100,000 notes in one pass": (
        melody, "MOST_NOTES", lambda: refused(lambda: build_sheet(SHEET | {"abc": HEAD + "GABc|" * 26}))
    ),
    "100,000 tunes": (source, "MOST_TUNES", lambda: refused(lambda: source.load_tune("X:1\n" * 101))),
    "100,000 notes as written": (reader, "MOST_WRITTEN", lambda: of_abc(HEAD + "GABc|" * 26)),
    "100,000 notes with": (reader, "MOST_SOUNDED", lambda: of_abc(HEAD + "|:GABc|GABc:|" * 7)),
    "; 100,000 notes; 40,000": (midi_reader, "MOST_NOTES", lambda: refused(lambda: read_midi(midi(notes=101)))),
}  # fmt: skip


@pytest.mark.parametrize("limit", LIMITS)
def test_a_limit_is_stated_and_named_where_it_is_passed(tmp_path: Path, limit: str) -> None:
    assert limit in TABLE
    number = re.findall(r"\d+", limit.replace(",", ""))[0]
    told = LIMITS[limit](tmp_path)
    assert number in re.findall(r"\d+", told.replace(",", "")), told
    assert all(line.isprintable() and len(line) < 400 for line in told.splitlines())


@pytest.mark.parametrize("limit", LOWERED)
def test_a_high_limit_is_stated_and_named_where_it_is_passed(limit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    module, name, beyond = LOWERED[limit]
    assert limit in TABLE
    assert getattr(module, name) == int(re.findall(r"\d+", limit.replace(",", ""))[0])
    for place in {module, builder} if hasattr(builder, name) else {module}:
        monkeypatch.setattr(place, name, 100)
    assert "100" in re.findall(r"\d+", beyond())


@pytest.mark.parametrize(
    "limit", ["8 MB", "20,000 notes", "2,000 measures", "64 beats", "endings up to 99", "500,000 elements"]
)
def test_the_limits_of_musicxml_are_stated(limit: str) -> None:
    """That they hold is tested beside their reader."""
    assert limit in TABLE


def test_no_limit_is_stated_that_is_not_tested() -> None:
    stated = re.findall(
        r"\d[\d,]*", "".join(line.split("|")[2] for line in TABLE.splitlines() if line.startswith("| a "))
    )
    tested = re.findall(r"\d[\d,]*", " ".join([*LIMITS, *LOWERED]))
    assert set(stated) <= set(tested)
