"""The file boundary of a track sheet: TOML text to checked tables, every fault in our own words.

The models are private: pydantic says what is wrong where, :data:`EXPECTED` says what is written instead.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from underbow.errors import Fault, near_miss
from underbow.track.instruments import MELODY_VOICES
from underbow.track.ramp import KINDS, MOST_PASSES

MOST_MIXES, MOST_COUNT_IN = 12, 16
# Path of a key -> what is written there.
EXPECTED: dict[str, str] = {
    "title": 'text of at most 200 characters, such as "Lamplight"',
    "tune": 'the name of a file beside the sheet, such as "lamplight.abc"',
    "number": "the tune's number in its file, such as 1",
    "abc": 'a tune in ABC between triple quotes, """ ... """',
    "compose": "a table such as { seed = 3 }",
    "compose.seed": "a whole number from 0 up, such as 3",
    "compose.bars": "a whole number of bars from 1 to 512, such as 16",
    "compose.dance": 'a dance, such as "reel"',
    "meter": 'the meter of a composed tune, such as "6/8"',
    "key": 'a key, such as "G" or "Ador"',
    "pattern": 'a pattern\'s name, or one for each section, such as { A = "nashville-shuffle", B = "georgia-shuffle" }',
    "progression": 'bars of chords, such as "G | G | C | D"',
    "tuning": 'a tuning, such as "GDAE"',
    "strings": '"low", "middle" or "high"',
    "shapes": 'hand shapes by chord, such as { G = "0-3" }',
    "form": 'section letters, such as "AABB"',
    "bars": 'bars as played, such as "5-8"',
    "tempo": "a line [tempo], and start = 60, goal = 104 and the like on lines of their own below it",
    "tempo.beat": 'a note value, such as "1/4", "3/8" or "1/2"',
    "tempo.start": "a whole number of beats a minute, such as 60",
    "tempo.goal": "a whole number of beats a minute, such as 104",
    "tempo.passes": f"a whole number of passes from 1 to {MOST_PASSES}, such as 8",
    "tempo.step": "a whole number of beats a minute from 1 to 200, such as 6",
    "tempo.ramp": '"steps", "glide" or "steady"',
    "tempo.count_in": f"a whole number of bars from 0 to {MOST_COUNT_IN}, such as 2",
    "sound": "a line [sound], and its keys on lines of their own below it",
    "sound.concert_pitch": "Hz of the A from 380 to 480, such as 440.0",
    "sound.loudness": "LUFS from -40 to -8, such as -16.0",
    "sound.seed": "a whole number from 0 up, such as 0",
    "sound.voice": f"the melody's instrument: {', '.join(MELODY_VOICES)}",
    "sound.swing": "a share from 0.5 (even) to 0.75, such as 0.667 for triplet swing",
    "sound.feel_ms": "milliseconds from 0 to 30, such as 4",
    "sound.feel_db": "dB from 0 to 3, such as 0.4",
    "sound.drone": "true or false",
    "sound.tuning_notes": "true or false",
    "mix": "a line [[mix]], and its keys on lines of their own below it",
    "mix.name": 'a name of at most 60 characters, such as "backup turn"',
    "mix.turns": "true or false",
}
_LEVEL = 'dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]'
EXPECTED |= {f"mix.{part}": _LEVEL for part in ("melody", "backup", "rhythm", "click", "drone", "tuning")}

_Text = Annotated[str, Field(min_length=1)]
_Level = Annotated[float, Field(ge=-60, le=12, allow_inf_nan=False)] | Literal["off"]
_Levels = _Level | Annotated[list[_Level], Field(min_length=1, max_length=MOST_PASSES)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class ComposeTable(_Table):
    """``compose = { ... }``."""

    seed: Annotated[int, Field(ge=0, lt=2**63)] = 0
    bars: Annotated[int, Field(ge=1, le=512)] | None = None
    dance: _Text | None = None


class TempoTable(_Table):
    """``[tempo]``."""

    beat: _Text | None = None
    start: int | None = None
    goal: int | None = None
    passes: Annotated[int, Field(ge=1, le=MOST_PASSES)] | None = None
    step: Annotated[int, Field(ge=1, le=200)] | None = None
    ramp: Literal["steps", "glide", "steady"] = "steps"
    count_in: Annotated[int, Field(ge=0, le=MOST_COUNT_IN)] = 2


class SoundTable(_Table):
    """``[sound]``."""

    concert_pitch: Annotated[float, Field(ge=380, le=480)] = 440.0
    loudness: Annotated[float, Field(ge=-40, le=-8)] = -16.0
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 0
    voice: str = "fiddle"
    swing: Annotated[float, Field(ge=0.5, le=0.75)] | None = None
    feel_ms: Annotated[float, Field(ge=0, le=30)] = 4.0
    feel_db: Annotated[float, Field(ge=0, le=3)] = 0.4
    drone: bool = False
    tuning_notes: bool = False


class MixTable(_Table):
    """``[[mix]]``."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    turns: bool = False
    melody: _Levels | None = None
    backup: _Levels | None = None
    rhythm: _Levels | None = None
    click: _Levels | None = None
    drone: _Levels | None = None
    tuning: _Levels | None = None


class SheetTable(_Table):
    """The whole sheet."""

    title: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    tune: _Text | None = None
    number: int | None = None
    abc: _Text | None = None
    compose: ComposeTable | None = None
    meter: _Text | None = None
    key: _Text | None = None
    pattern: _Text | dict[str, _Text] | None = None
    progression: _Text | None = None
    tuning: _Text = "GDAE"
    strings: _Text = "low"
    shapes: dict[str, _Text] = {}
    form: _Text | None = None
    bars: _Text | None = None
    tempo: TempoTable = TempoTable()
    sound: SoundTable = SoundTable()
    mix: Annotated[list[MixTable], Field(max_length=MOST_MIXES)] = []


_TABLES: dict[str, type[_Table]] = {
    "": SheetTable, "compose": ComposeTable, "tempo": TempoTable, "sound": SoundTable, "mix": MixTable,
}  # fmt: skip


def checked(table: Mapping[str, Any], file: str) -> tuple[SheetTable, list[Fault]]:
    """Check a sheet's keys and values.

    Returns
    -------
    SheetTable, list of Fault
        The sheet as far as it could be read: what is faulty is left out, so that the rest can be checked as well.
    """
    try:
        return SheetTable.model_validate(dict(table)), []
    except ValidationError as error:
        errors = error.errors()
    faults: dict[str, Fault] = {}
    bad: set[tuple[str | int, ...]] = set()
    for one in errors:
        path, where, key = _place(one["loc"])
        bad.add(path)
        faults.setdefault(where, Fault(_what(one, path, key), file=file, where=where))
    kept = _without(dict(table), bad)
    try:
        return SheetTable.model_validate(kept), list(faults.values())
    except ValidationError:  # a table that lacks what it needs
        return SheetTable(), list(faults.values())


def _place(loc: tuple[str | int, ...]) -> tuple[tuple[str | int, ...], str, str]:
    """From pydantic's place: the path into the table, how a reader finds it, and the key in :data:`EXPECTED`."""
    path, key = loc[:1], str(loc[0])
    if key == "mix" and len(loc) > 1:
        path = loc[: 3 if len(loc) > 2 else 2]
        number = int(loc[1]) + 1
        return (
            path,
            f"mix {number}" + (f".{loc[2]}" if len(loc) > 2 else ""),
            f"mix.{loc[2]}" if len(loc) > 2 else "mix",
        )
    if key in _TABLES and len(loc) > 1:
        path = loc[:2]
        return path, f"{key}.{loc[1]}", f"{key}.{loc[1]}"
    return path, key, key


def _what(error: Any, path: tuple[str | int, ...], key: str) -> str:
    if error["type"] == "extra_forbidden":
        here = key.rpartition(".")[0]
        for table, model in _TABLES.items():
            if path[-1] in model.model_fields and table != here:
                lines = "[[mix]]" if table == "mix" else f"[{table}]"
                place = f"below the line {lines}" if table else "above the first line in brackets"
                return f"in the wrong place; write it {place}"
        names = list(_TABLES[here].model_fields)
        return f"unknown key{near_miss(str(path[-1]), names)}; the keys are {', '.join(names)}"
    if error["type"] == "missing":
        return f"missing; write {EXPECTED[key]}"
    if key == "mix" and error["type"] == "too_long":
        return f"found more than {MOST_MIXES} mixes; write {MOST_MIXES} at most"
    if key in ("tempo.ramp", "sound.voice", "strings"):
        near = near_miss(str(error["input"]), [*KINDS, *MELODY_VOICES, "low", "middle", "high"])
        return f"found {shown(error['input'])}, expected {EXPECTED[key]}{near}"
    return f"found {shown(error['input'])}, expected {EXPECTED[key]}"


def in_order(faults: list[Fault]) -> list[Fault]:
    """Put faults in the order in which a sheet has its keys, each once; those of another file come where it is named."""
    keys = list(SheetTable.model_fields)

    def place(fault: Fault) -> int:
        key = re.split(r"[.,\s]", fault.where)[0]
        return keys.index(key) if key in keys else keys.index("tune")

    return sorted(dict.fromkeys(map(one_line, faults)), key=place)


def one_line(fault: Fault) -> Fault:
    """Write what a terminal would obey rather than show, line ends among it, as escapes."""
    return replace(fault, what=_printable(fault.what), where=_printable(fault.where))


def plain(text: str) -> str:
    """Leave out what can't be shown, and spaces at the ends."""
    return "".join(sign for sign in text if sign.isprintable()).strip()


def _printable(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii") for sign in text)


def shown(value: object) -> str:
    """Write a value as a sheet would, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value if len(value) <= 40 else value[:37] + "..."}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"[{', '.join(shown(item) for item in value[:4])}{', ...' if len(value) > 4 else ''}]"
    return str(value)


def _without(table: dict[str, Any], bad: set[tuple[str | int, ...]]) -> dict[str, Any]:
    """Leave out what is faulty."""
    out = {key: value for key, value in table.items() if (key,) not in bad}
    for key in ("compose", "tempo", "sound"):
        if isinstance(out.get(key), dict):
            out[key] = {name: value for name, value in out[key].items() if (key, name) not in bad}
    out["mix"] = [] if any(path[0] == "mix" for path in bad) else out.get("mix", [])
    return out
