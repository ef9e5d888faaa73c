"""What may stand in a track sheet: every key, what is written there, and what holds where it is left out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import inf
from typing import Any

from underbow.errors import Fault
from underbow.fiddle.shapes.cost import HANDS
from underbow.tables.keys import between, entry, rows, subtable, subtables, text, text_to, texts, whole, yes_or_no
from underbow.tables.keys import checked as checked_keys
from underbow.track.instruments import MELODY_VOICES
from underbow.track.ramp import KINDS, MOST_BETWEEN, MOST_EACH, MOST_PASSES

MOST_MIXES, MOST_COUNT_IN = 12, 16
LONGEST_RECORDING = 3600  # seconds
MOST_WORDS = 2000  # characters to the learner
Level = float | str  # dB or "off"
_LEVEL = 'dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]'
_SEED = whole(0, 2**63 - 1)
_one_level = between(-60, 12)


def _levels(value: object) -> bool:
    values = value if isinstance(value, list) else [value]
    return 1 <= len(values) <= MOST_PASSES and all(level == "off" or _one_level(level) for level in values)


def _seconds(value: object) -> bool:
    return isinstance(value, Mapping) and all(map(between(0, LONGEST_RECORDING), value.values()))


def _pattern(value: object) -> bool:
    return text(value) or texts(value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ComposeTable:
    """``compose = { ... }``."""

    seed: int = entry("a whole number from 0 up, such as 3", _SEED, 0)
    bars: int | None = entry("a whole number of bars from 1 to 512, such as 16", whole(1, 512), None, also="length")
    dance: str | None = entry('a dance, such as "reel"', text, None, also="rhythm style type")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TempoTable:
    """``[tempo]``."""

    beat: str | None = entry('a note value, such as "1/4", "3/8" or "1/2"', text, None, also="unit")
    start: int | None = entry(
        "a whole number of beats a minute, such as 60", whole(), None, also="from slow low speed bpm tempo"
    )
    goal: int | None = entry(
        "a whole number of beats a minute, such as 104", whole(), None, also="to fast high end target"
    )
    passes: int | None = entry(
        f"a whole number of passes from 1 to {MOST_PASSES}, such as 8",
        whole(1, MOST_PASSES),
        None,
        also="repeats times",
    )
    step: int | None = entry("a whole number of beats a minute from 1 to 200, such as 6", whole(1, 200), None)
    ramp: str = entry('"steps", "glide" or "steady"', KINDS, "steps")
    each: int = entry(
        f"a whole number from 1 to {MOST_EACH}, such as 2 to play every tempo twice",
        whole(1, MOST_EACH),
        1,
        also="rounds",
    )
    between: int = entry(
        f"a whole number of bars of clicks from 0 to {MOST_BETWEEN}, such as 1",
        whole(0, MOST_BETWEEN),
        0,
        also="gap rest break",
    )
    count_in: int = entry(
        f"a whole number of bars from 0 to {MOST_COUNT_IN}, such as 2", whole(0, MOST_COUNT_IN), 2, also="countin count"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SoundTable:
    """``[sound]``."""

    concert_pitch: float = entry(
        "Hz of the A from 380 to 480, such as 440.0", between(380, 480), 440.0, also="pitch a a4"
    )
    loudness: float = entry("LUFS from -40 to -8, such as -16.0", between(-40, -8), -16.0, also="volume level lufs")
    room: str = entry('"small" or "off"', ("small", "off"), "small", also="reverb hall echo")
    seed: int = entry("a whole number from 0 up, such as 0", _SEED, 0)
    voice: str = entry(
        f"the melody's instrument: {', '.join(MELODY_VOICES)}", tuple(MELODY_VOICES), "fiddle", also="instrument melody"
    )
    swing: float | None = entry(
        "a share from 0.5 (even) to 0.75, such as 0.667 for triplet swing", between(0.5, 0.75), None
    )
    feel_ms: float = entry("milliseconds from 0 to 30, such as 4", between(0, 30), 4.0)
    feel_db: float = entry("dB from 0 to 3, such as 0.4", between(0, 3), 0.4)
    drone: bool = entry("true or false", yes_or_no, False)
    tuning_notes: bool = entry("true or false", yes_or_no, False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RecordingTable:
    """``[recording]``."""

    file: str = entry(
        'the name of a recording beside the sheet, such as "me.wav"', text, also="recording take name audio sound"
    )
    by: str | None = entry("whose playing it is, at most 100 characters", text_to(100), None, also="player artist who")
    bar_lines: Mapping[str, float] = entry(
        'bars and where they begin in the recording, in seconds, such as { "7" = 14.31, "7.2" = 31.05 }; 7.2 is bar 7 '
        "the second time",
        _seconds,
        factory=dict,
        also="bars lines barlines",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MixTable:
    """``[[mix]]``."""

    name: str = entry('a name of at most 60 characters, such as "backup turn"', text_to(60), also="title")
    turns: bool = entry("true or false", yes_or_no, False)
    melody: Level | list[Level] | None = entry(_LEVEL, _levels, None, also="tune lead")
    backup: Level | list[Level] | None = entry(_LEVEL, _levels, None, also="fiddle chords double_stops doublestops")
    rhythm: Level | list[Level] | None = entry(_LEVEL, _levels, None, also="guitar piano accompaniment")
    click: Level | list[Level] | None = entry(_LEVEL, _levels, None, also="metronome")
    drone: Level | list[Level] | None = entry(_LEVEL, _levels, None)
    tuning: Level | list[Level] | None = entry(_LEVEL, _levels, None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SheetTable:
    """The whole sheet."""

    title: str | None = entry('text of at most 200 characters, such as "Lamplight"', text_to(200), None, also="name")
    tune: str | None = entry(
        'the name of a file beside the sheet, such as "lamplight.abc"', text, None, also="file melody"
    )
    number: int | None = entry("the tune's number in its file, such as 1", whole(), None)
    abc: str | None = entry('a tune in ABC between triple quotes, """ ... """', text, None, also="notes")
    compose: ComposeTable | None = subtable("a table such as { seed = 3 }", ComposeTable, None)
    meter: str | None = entry('the meter of a composed tune, such as "6/8"', text, None, also="time")
    key: str | None = entry('a key, such as "G" or "Ador"', text, None, also="transpose")
    pattern: str | Mapping[str, str] | None = entry(
        'a pattern\'s name, or one for each section, such as { A = "nashville-shuffle", B = "georgia-shuffle" }',
        _pattern, None, also="bowing bow rhythm bowings stroke strokes patterns",
    )  # fmt: skip
    progression: str | None = entry(
        'bars of chords, such as "G | G | C | D"', text, None, also="chords chord harmony chord_progression"
    )
    tuning: str = entry('a tuning, such as "GDAE"', text, "GDAE", also="tuned")
    strings: str = entry('"low", "middle" or "high"', text, "low", also="pair string")
    hand: str = entry(
        '"steady" (one shape for each chord) or "nearest" (whichever lies nearest each time)',
        tuple(HANDS),
        "steady",
        also="fingering",
    )
    changes: Mapping[str, str] = entry(
        'a line [changes], and bars by their printed number below it, such as 7 = "D Bm"',
        texts,
        factory=dict,
        also="change",
    )
    shapes: Mapping[str, str] = entry(
        'hand shapes by chord, such as { G = "0-3" }', texts, factory=dict, also="shape fingers fingering fingerings"
    )
    form: str | None = entry('section letters, such as "AABB"', text, None, also="order sections structure")
    bars: str | None = entry('bars as printed, such as "5-8"', text, None, also="bar measures")
    to_learner: str | None = entry(
        f"your words to the learner, at most {MOST_WORDS} characters",
        text_to(MOST_WORDS),
        None,
        also="remark message comment",
    )
    tempo: TempoTable = subtable(
        "a line [tempo], and start = 60, goal = 104 and the like on lines of their own below it",
        TempoTable, TempoTable(), also="speed bpm tempos",
    )  # fmt: skip
    sound: SoundTable = subtable(
        "a line [sound], and its keys on lines of their own below it", SoundTable, SoundTable(), also="audio"
    )
    recording: RecordingTable | None = subtable(
        'a line [recording], and file = "me.wav" below it', RecordingTable, None, also="take audio_file record"
    )
    mix: tuple[MixTable | None, ...] = subtables(
        "a line [[mix]], and its keys on lines of their own below it", MixTable, MOST_MIXES, also="mixes levels volume"
    )


# Path of a key -> what is written there.
EXPECTED: dict[str, str] = {path: row.expected for path, row in rows(SheetTable)}


def checked(found: Mapping[str, Any], file: str) -> tuple[SheetTable, list[Fault]]:
    """Check a sheet's keys and values.

    Returns
    -------
    SheetTable, list of Fault
        The sheet as far as it could be read: what is faulty is left out, so that the rest can be checked as well.
    """
    good, faults = checked_keys(SheetTable, found)
    return SheetTable(**good), [replace(fault, file=file) for fault in faults]


def names_in(where: str) -> list[str]:
    """Take the place of a fault apart.

    >>> names_in("tempo.start"), names_in("mix 2.name"), names_in("changes, 7")
    (['tempo', 'start'], ['mix', '2', 'name'], ['changes', '7'])
    """
    return re.split(r"[.,\s]+", where)


def in_order(faults: list[Fault], found: Mapping[str, Any]) -> list[Fault]:
    """Put faults in the order in which their file has the keys, each once.

    Those of another file come where the tune is named, those of keys that aren't there at the end.
    """
    known = {each.name for each in fields(SheetTable)}
    tune = next((number for number, name in enumerate(found) if name in {"tune", "abc", "compose"}), -1)

    def place(fault: Fault) -> list[float]:
        names = names_in(fault.where)
        if names[0] not in found:
            return [len(found) if names[0] in known - {"tune"} else tune]
        out: list[float] = []
        table: object = found
        for name in names:
            if isinstance(table, list):
                table = {str(number): each for number, each in enumerate(table, start=1)}
            if not isinstance(table, Mapping) or name not in table:
                break
            out.append([*table].index(name))
            table = table[name]
        return [*out, inf]

    return sorted(dict.fromkeys(faults), key=place)
