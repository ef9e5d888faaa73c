"""Sheets and patterns changed key by key within their grammar, so that most get past the reader and its deep paths are reached.

A real file is read to its table; values are exchanged for others that are allowed, for the edges of what is allowed, and now
and then for what isn't; the table is written again in one of TOML's many ways. What reads TOML itself is met by the damage
that :mod:`mutate` does to the text of some.
"""

# ruff: noqa: E501  values in rows

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Iterable
from typing import Any

from in_toml import Table, written

Chance = random.Random

_WRONG: tuple[Any, ...] = (
    0,
    -1,
    2**64,
    1.5,
    float("nan"),
    float("inf"),
    "",
    " ",
    "x",
    "\u202e",
    "a\x1b[2J",
    True,
    [],
    {},
    ["x"],
    {"x": 1},
    [[]],
    "½",
    "9" * 400,
    -0.0,
)
_METERS = ("4/4", "2/2", "6/8", "3/4", "2/4", "9/8", "12/8", "3/2", "7/8", "C", "C|", "5/4", "2+3/8", "3+2+2/8")
_CHORDS = ("G", "C", "D", "Em", "Am", "Bm", "D7", "A", "F#m", "G/B", "Cmaj7", "Asus4", "Bdim", "Bb", "E7#9", "G5")
_TUNES = ("gateposts.abc", "lamplight.abc", "rushes.abc", "snow-on-the-weir.abc", "wet-socks.abc")


def _level(chance: Chance) -> Any:
    one = lambda: chance.choice((0, -6, -12.5, "off", "off", 12, -60, -3, 0.0))  # noqa: E731
    return one() if chance.random() < 0.7 else [one() for _ in range(chance.choice((1, 2, 3, 6, 8)))]


def _bars(chance: Chance) -> str:
    first = chance.randint(1, 12)
    return chance.choice(
        (
            f"{first}-{first + chance.randint(0, 7)}",
            f"{first}",
            f"{first}-{first + 3}, {first + 4}-16",
            f"{first} - {first}",
        )
    )


def _progression(chance: Chance) -> str:
    def line(bars: int) -> str:
        return " | ".join(
            chance.choice((chance.choice(_CHORDS),) * 6 + ("%", f"{chance.choice(_CHORDS)} {chance.choice(_CHORDS)}", "N.C."))
            for _ in range(bars)
        )  # fmt: skip

    first = f"{chance.choice(_CHORDS)} | {line(chance.choice((1, 3, 7, 15)))}"
    return (
        first if chance.random() < 0.5 else f"A: {first}\nB: {chance.choice(_CHORDS)} | {line(chance.choice((3, 7)))}"
    )


def _sections(value: Callable[[Chance], Any]) -> Callable[[Chance], Any]:
    return lambda chance: {letter: value(chance) for letter in chance.choice(("A", "AB", "AB", "AB", "ABC"))}


def _values(*values: Any) -> Callable[[Chance], Any]:
    return lambda chance: chance.choice(values)


def _pattern_name(chance: Chance, meter: str = "") -> str:
    return chance.choice(
        PATTERNS_BY_METER.get(meter) or [name for names in PATTERNS_BY_METER.values() for name in names]
    )


# What may stand under each key of a sheet: mostly good, at the edges too.
SHEET: dict[str, dict[str, Callable[[Chance], Any]]] = {
    "": {
        "title": _values("x", "Lamplight", "é" * 200, "A / B", "CON", "..", 'a "b"', "😀", "title:1"),
        "number": _values(1, 1, 1, 2),
        "key": _values("G", "D", "A", "Am", "Em", "Edor", "Amix", "Bb", "F#m", "C", "Gm", "Eb"),
        "progression": _progression,
        "tuning": _values("GDAE", "AEAE", "ADAE", "GDGB", "DDAD", "AEAC#", "EAEA"),
        "strings": _values("low", "middle", "high"),
        "hand": _values("steady", "nearest"),
        "form": _values("A", "AB", "AABB", "BA", "AAB", "ABA", "AABBA", "AB" * 8, "A B"),
        "bars": _bars,
        "to_learner": _values("Slowly.", "One\nTwo", "w" * 2000, "a\tb"),
        "changes": lambda chance: {str(chance.randint(1, 16)): chance.choice(("D Bm", "G", "C D", "N.C.", "G C D Em")) for _ in range(chance.randint(1, 3))},
        "shapes": lambda chance: {chance.choice(("G", "C", "D", "Em", "Am", "A")): f"{chance.randint(0, 3)}-{chance.randint(0, 3)}"},
    },
    "tempo": {
        "beat": _values("1/4", "1/4", "1/2", "3/8", "1/8"),
        "start": lambda chance: chance.randint(40, 100),
        "goal": lambda chance: chance.randint(90, 180),
        "passes": _values(1, 2, 3, 5, 8, 64, 100),
        "step": _values(1, 2, 4, 8, 10, 50),
        "ramp": _values("steps", "steps", "glide", "steady"),
        "each": _values(1, 2, 3),
        "between": _values(0, 1, 2),
        "count_in": _values(0, 1, 2, 16),
    },
    "sound": {
        "concert_pitch": _values(440, 415.0, 380, 480, 442.5),
        "loudness": _values(-16, -40, -8, -23.0),
        "seed": _values(0, 1, 2**63 - 1),
        "voice": _values("fiddle", "flute", "whistle", "accordion", "harmonica", "guitar", "banjo", "piano", "mandolin"),
        "swing": _values(0.5, 0.6, 0.667, 0.75),
        "feel_ms": _values(0, 4, 30.0),
        "feel_db": _values(0, 0.4, 3),
        "drone": _values(True, False),
        "tuning_notes": _values(True, False),
    },
    "mix": {
        "name": _values("together", "backup", "melody", "turn about", "n" * 60),
        "turns": _values(True, False),
        **dict.fromkeys(("melody", "backup", "rhythm", "click", "drone", "tuning"), _level),
    },
}  # fmt: skip
PATTERNS_BY_METER: dict[str, list[str]] = {}
_METER_OF_TUNE = {
    "gateposts.abc": "4/4",
    "lamplight.abc": "4/4",
    "rushes.abc": "4/4",
    "snow-on-the-weir.abc": "3/4",
    "wet-socks.abc": "6/8",
}
_METER_OF_DANCE = {
    "reel": "4/4",
    "jig": "6/8",
    "waltz": "3/4",
    "polka": "2/4",
    "air": "4/4",
    "march": "4/4",
    "hornpipe": "4/4",
    "slip jig": "9/8",
}


def _source(sheet: Table, chance: Chance, abc: Callable[[Chance], str]) -> None:
    """Give the sheet another tune, and a pattern of its meter."""
    for key in (
        "tune",
        "abc",
        "compose",
        "number",
        "meter",
        "progression",
        "pattern",
        "key",
        "form",
        "bars",
        "changes",
    ):
        sheet.pop(key, None)
    how = chance.randrange(10)
    if how < 6:
        sheet["tune"] = chance.choice(_TUNES)
        meter = _METER_OF_TUNE[sheet["tune"]]
    elif how < 8:
        sheet["abc"] = abc(chance)
        meter = next((line[2:].strip() for line in sheet["abc"].splitlines() if line.startswith("M:")), "4/4")
        if chance.random() < 0.7:
            sheet["progression"] = _progression(chance)
    else:
        dance = chance.choice(list(_METER_OF_DANCE))
        meter = _METER_OF_DANCE[dance]
        sheet["compose"] = {"seed": chance.randrange(100), "bars": chance.choice((4, 8, 16, 32)), "dance": dance}
        sheet.update(meter=meter, progression=_progression(chance), title="x")
    if chance.random() < 0.8:
        sheet["pattern"] = (
            _pattern_name(chance, meter)
            if chance.random() < 0.7
            else _sections(lambda c: _pattern_name(c, meter))(chance)
        )


def sheet(chance: Chance, seeds: list[str], abc: Callable[[Chance], str]) -> str:
    """Give a sheet that may stand, or nearly."""
    table = tomllib.loads(chance.choice(seeds))
    if chance.random() < 0.5:
        _source(table, chance, abc)
    for _ in range(chance.choice((0, 1, 1, 2, 3, 4, 6))):
        place = chance.choice(("", "", "tempo", "tempo", "sound", "mix"))
        if place == "mix":
            mixes = table.setdefault("mix", [])
            if not mixes or (len(mixes) < 13 and chance.random() < 0.3):
                mixes.append({"name": f"mix {len(mixes)}", "melody": _level(chance), "backup": 0})
            home = chance.choice(mixes)
        else:
            home = table.setdefault(place, {}) if place else table
        key = chance.choice(list(SHEET[place]))
        home[key] = SHEET[place][key](chance)
        if key == "start" and home.get("goal", 999) < home[key]:
            home["goal"] = home[key] + chance.choice((1, 10, 40))
        if key in ("ramp", "step") and chance.random() < 0.9:  # what doesn't go together
            for other in {"ramp": ("step", "each", "between", "passes"), "step": ("passes", "ramp")}[key]:
                home.pop(other, None)
    return written(_spoiled(table, chance, 0.15), chance)


def _row(bars: int, cells: int, chance: Chance) -> tuple[str, str, str]:
    """Write rows that a player can bow."""
    bow, way = [], chance.choice("du")
    for cell in range(bars * cells):
        sign = chance.choice("ssss--~~x.") if cell else chance.choice("sssx.-~")
        if sign == "s" or (sign in "~-" and (cell and bow[-1] in ".x")):
            bow.append(way)
            way = "u" if way == "d" else "d"
        else:
            bow.append(sign)
    if not set(bow) & set("du"):
        bow[0] = "d"
    if bow[-1] in ".x" and bow[0] in "-~":
        bow[0] = way
    accent = [chance.choice("5678996314") if sign in "dux~" else "." for sign in bow]
    strings = [chance.choice("==_^") if sign in "dux~" else "." for sign in bow]
    return _spaced(bow, cells, chance), _spaced(accent, cells, chance), _spaced(strings, cells, chance)


def _spaced(row: Iterable[str], cells: int, chance: Chance) -> str:
    signs = list(row)
    between = chance.choice((" ", " ", "", "  "))
    bars = [between.join(signs[at : at + cells]) for at in range(0, len(signs), cells)]
    return chance.choice((" | ", "|")).join(bars)


def pattern(chance: Chance, seeds: list[str]) -> str:
    """Give a pattern that may stand, or nearly."""
    table = tomllib.loads(chance.choice(seeds))
    cells = table["cells"]
    signs = {
        row: [sign for sign in table[row] if sign not in " |"] for row in ("bow", "accent", "strings") if row in table
    }
    for _ in range(chance.choice((0, 1, 1, 2, 3))):
        match chance.randrange(10):
            case 0 | 1:  # rows of another length
                cells = chance.choice((cells, cells, 2, 3, 4, 6, 8, 9, 12, 16, 24, 96))
                bow, accent, strings = _row(chance.choice((1, 1, 2, 3, 4, 64 if cells < 9 else 1)), cells, chance)
                table.update(bow=bow, accent=accent, strings=strings, cells=cells)
                table.pop("swing", None)
                table["retake"] = chance.random() < 0.7
                signs = {row: [sign for sign in table[row] if sign not in " |"] for row in ("bow", "accent", "strings")}
            case 2:  # begun elsewhere in the bar
                by = chance.randrange(len(signs["bow"]))
                signs = {row: them[by:] + them[:by] for row, them in signs.items()}
            case 3:
                at = chance.randrange(len(signs["bow"]))
                if signs["accent"][at : at + 1] != ["."]:
                    signs["accent"][at : at + 1] = chance.choice("123456789")
            case 4 if "strings" in signs:
                at = chance.randrange(len(signs["bow"]))
                if signs["strings"][at : at + 1] != ["."]:
                    signs["strings"][at : at + 1] = chance.choice("=_^")
            case 5:  # twice as long
                signs = {row: them * 2 for row, them in signs.items()}
            case 6:  # cells half as long
                signs = {
                    row: [
                        sign for old in them for sign in (old, ("." if old in ".x" else "-") if row == "bow" else ".")
                    ]
                    for row, them in signs.items()
                }
                cells *= 2
            case 7:
                table["swing"] = chance.choice((0.5, 0.55, 0.6, 0.667, 0.75))
            case 8:
                table["retake"] = True
            case _:
                low = chance.randint(10, 200)
                table["tempo"] = {
                    "beat": chance.choice(("1/8", "1/4", "3/8", "1/2", "3/4")),
                    "low": low,
                    "high": low + chance.randint(0, 200),
                }
    if chance.random() < 0.2:
        table["meter"] = chance.choice(_METERS)
    table["cells"] = cells
    for row, them in signs.items():
        table[row] = _spaced(them, cells, chance)
    if chance.random() < 0.1:
        row = chance.choice(list(signs))
        at = chance.randrange(len(table[row]) + 1)
        table[row] = (
            table[row][:at]
            + chance.choice(("d", "u", "x", "~", "-", ".", "9", "0", "^", "|", " ", "é", "D", ""))
            + table[row][at + 1 :]
        )
    return written(_spoiled(table, chance, 0.1), chance)


def _spoiled(table: Table, chance: Chance, how_often: float) -> Table:
    """Now and then put in what is wrong: another type, a strange key, a key gone or in another table."""
    if chance.random() >= how_often:
        return table
    inner = [table, *(value for value in table.values() if isinstance(value, dict)), *table.get("mix", [])]
    home = chance.choice([each for each in inner if isinstance(each, dict) and each] or [table])
    key = chance.choice(list(home))
    match chance.randrange(5):
        case 0 | 1:
            home[key] = chance.choice(_WRONG)
        case 2:
            home[chance.choice((key[:-1] or "y", key.upper(), key + "s", "", "a b", "é", "\u202e"))] = home.pop(key)
        case 3:
            chance.choice([each for each in inner if isinstance(each, dict)])[key] = home[key]
        case _:
            del home[key]
    return table
