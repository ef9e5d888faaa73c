"""Patterns: bow-stroke rhythms with a name, read from plain text files that a fiddler may edit.

The library is the folder ``patterns`` of the repository (the package ``underbow.patterns``): one TOML file a pattern, its name
the file's. A sheet may also name a file of its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from underbow.errors import InputError, near_miss
from underbow.fiddle.grid import AccentGrid
from underbow.fiddle.pattern_file import TempoRange, read_entry
from underbow.tables import read_text
from underbow.theory.meter import Meter

# What is played for a dance (the first that suits the meter), else for the units of a bar; common practice, no source.
_BY_DANCE = (
    ("slip-jig", ("slip-jig",)),
    ("slide", ("slide",)),
    ("jig", ("jig-separate", "slip-jig", "slide")),
    ("hornpipe", ("hornpipe", "three-two-hornpipe")),
    ("strathspey", ("strathspey",)),
    ("polka", ("polka",)),
    ("waltz", ("waltz-oom-pah-pah",)),
    ("mazurka", ("mazurka",)),
    ("march", ("march", "march-in-three", "march-six-eight")),
    ("two-step", ("two-step",)),
    ("barn-dance", ("shuffle-swung",)),
    ("schottische", ("shuffle-swung",)),
    ("air", ("slow-air", "slow-air-in-three", "slow-air-in-six")),
)
_BY_METER = (
    "three-two-hornpipe",
    "nashville-shuffle",
    "waltz-oom-pah-pah",
    "jig-separate",
    "slip-jig",
    "slide",
)


MOST_NAMED = 6  # patterns that suit, where one does not


@dataclass(frozen=True, slots=True)
class Pattern:
    """A bow-stroke rhythm with its names and where it comes from.

    >>> shuffle = find_pattern("Nashville shuffle")
    >>> shuffle.name, shuffle.grid.written("bow"), str(shuffle.tempo)
    ('nashville-shuffle', 'd - u d u - d u', '1/2 = 50 to 124')
    """

    name: str
    title: str
    aka: tuple[str, ...]
    grid: AccentGrid
    tempo: TempoRange
    source: str
    about: str

    def suits(self, meter: Meter) -> bool:
        """Whether the grid can be laid under a meter: as many units in the bar, or two and four (2/4, 4/4, C, 2/2).

        >>> jig = find_pattern("jig-separate")
        >>> jig.suits(Meter.parse("6/8")), jig.suits(Meter.parse("3/4")), find_pattern("saw").suits(Meter.parse("2/4"))
        (True, False, True)
        """
        return _kind(self.grid.meter) == _kind(meter)

    def fitted(self, meter: Meter) -> Pattern:
        """Give the pattern under a meter that it suits, such as a 4/4 shuffle in sixteenths for a reel written in 2/4.

        The beat of its tempos goes with the bar: a half note in 4/4 is a quarter in 2/4.

        Raises
        ------
        InputError
            Naming patterns of the library that suit.
        """
        if not self.suits(meter):
            others = [name for name, pattern in library().items() if pattern.suits(meter)]
            others.sort(key=lambda name: name not in _BY_METER)  # the plainest first
            few = ", ".join(others[:MOST_NAMED]) + (
                ", ... (`underbow patterns` lists them)" if others[MOST_NAMED:] else ""
            )
            cure = f"choose one of {few}" if others else f'write a pattern file with meter = "{meter}"'
            raise InputError(f"pattern {self.name} is in {self.grid.meter} and the tune in {meter}; {cure}")
        beat = self.tempo.beat * meter.bar / self.grid.meter.bar
        return replace(self, grid=self.grid.in_meter(meter), tempo=replace(self.tempo, beat=beat))


def read_pattern(text: str, file: str = "") -> Pattern:
    """Read a pattern file.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        The file as the user named it; its stem is the pattern's name.

    Raises
    ------
    InputError
        With every fault, each naming the file and the key.

    >>> pattern = read_pattern('''title = "Saw"
    ... meter = "2/4"
    ... cells = 4
    ... bow = "d u d u"
    ... accent = "8 6 7 6"
    ... tempo = { beat = "1/4", low = 60, high = 120 }
    ... source = "common practice"
    ... about = "One bow a note."''', "my-saw.toml")
    >>> pattern.name, len(pattern.grid.strokes())
    ('my-saw', 4)
    """
    grid, tempo, given = read_entry(text, file)
    return Pattern(
        Path(file).stem or kebab(given.title),
        given.title.strip(),
        tuple(given.aka),
        grid,
        tempo,
        given.source.strip(),
        " ".join(given.about.split()),
    )


def library() -> dict[str, Pattern]:
    """Give every pattern of the library by name, in alphabetical order.

    >>> str(library()["polka"].grid.meter), list(library()) == sorted(library())
    ('2/4', True)
    """
    return {name: _shipped(name) for name in _files()}


def find_pattern(name: str, beside: Path | None = None) -> Pattern:
    """Find a pattern by its name, title or other name, or read it from a .toml file.

    Parameters
    ----------
    name : str
        Capitals, spaces and hyphens make no difference; a name that ends in .toml is a file.
    beside : Path, optional
        The folder where such a file is looked for.

    Raises
    ------
    InputError
        Where there is none, with the near miss, or where the file has faults.

    >>> find_pattern("Georgia bow").name
    'georgia-shuffle'
    """
    if name.lower().endswith(".toml"):
        return _from_file(name, beside)
    wanted = kebab(name)
    found = wanted if wanted in _files() else _names().get(wanted)
    if found is None:
        raise InputError(
            f"no pattern {name!r}{near_miss(kebab(name), _names())}; `underbow patterns` lists them; "
            "for a file of your own write its whole name, such as my-shuffle.toml"
        )
    return _shipped(found)


def default_pattern(meter: Meter, rhythm: str = "") -> Pattern:
    """Choose what a fiddler would play when nothing is asked for: by the dance, else by the meter.

    Parameters
    ----------
    meter : Meter
    rhythm : str
        The dance as a tune names it (ABC ``R:``), such as ``reel`` or ``Slip jig``; may be empty.

    Returns
    -------
    Pattern
        Under the meter asked for; one bow a beat where the library has nothing for it.

    >>> default_pattern(Meter.parse("6/8"), "Double jig").name, default_pattern(Meter.parse("C|"), "").name
    ('jig-separate', 'nashville-shuffle')
    >>> default_pattern(Meter.parse("(3+2+2)/8")).grid.written("bow")
    'd - - u - d - | u - - d - u -'
    """
    wanted = [name for _, names in _dances(rhythm) for name in names]
    same = [name for name in _BY_METER if _shipped(name).grid.meter == meter]
    for name in (*wanted, *same, *_BY_METER):
        if _shipped(name).suits(meter):
            return _shipped(name).fitted(meter)
    return _bow_a_beat(meter)


def suited_to(pattern: str, rhythm: str) -> Literal["dance", "any", "other"]:
    """Say whether a pattern of the library, by its name, is for a tune's dance, for any dance, or for another one.

    >>> [suited_to(name, "Double jig") for name in ("jig-slur-three", "saw", "polka")]
    ['dance', 'any', 'other']
    """
    dances = _dances(rhythm) or [(kebab(rhythm), ())]
    if any(pattern in names or (word and word in pattern) for word, names in dances):
        return "dance"
    return "other" if any(pattern in names or word in pattern for word, names in _BY_DANCE) else "any"


def _dances(rhythm: str) -> list[tuple[str, tuple[str, ...]]]:
    """Find the dances that a tune's rhythm names, each with its patterns, the likeliest first."""
    dance = kebab(rhythm)
    return [(word, names) for word, names in _BY_DANCE if word in dance]


def kebab(text: str) -> str:
    """Write a name in small letters with hyphens.

    >>> kebab("Jig: one and two")
    'jig-one-and-two'
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


@cache
def _files() -> dict[str, Traversable]:
    """The library's files by the names of their patterns, in alphabetical order; each is read when it is wanted."""
    entries = (entry for entry in files("underbow.patterns").iterdir() if entry.name.endswith(".toml"))
    return dict(sorted((entry.name.removesuffix(".toml"), entry) for entry in entries))


@cache
def _shipped(name: str) -> Pattern:
    entry = _files()[name]
    return read_pattern(entry.read_text("utf-8"), entry.name)


@cache
def _names() -> dict[str, str]:
    """Every way to call a pattern of the library -> its name."""
    return {kebab(word): name for name, pattern in library().items() for word in (*pattern.aka, pattern.title, name)}


def _from_file(name: str, beside: Path | None) -> Pattern:
    missing = "check its name and its folder; a sheet names it by its path from the sheet"
    return read_pattern(read_text((beside or Path()) / name, name, missing=missing), name)


def _kind(meter: Meter) -> tuple[int, ...]:
    """Meters under which the same grids are played: by the units of the bar, with two counted as four."""
    if len(meter.groups) > 1:
        return meter.groups
    units = meter.groups[0]
    return (4,) if units == 2 else (units,)


def _bow_a_beat(meter: Meter) -> Pattern:
    """Make a grid for a meter that the library has nothing for: one bow a beat, the first of the bar leaning."""
    units = sum(meter.groups)
    starts = {int(beat * meter.unit / 4) for beat in meter.beats}
    bars = 1 if len(starts) % 2 == 0 else 2
    turns = iter("du" * len(starts) * bars)
    bow = "".join(next(turns) if unit in starts else "-" for _ in range(bars) for unit in range(units))
    accent = "".join("8" if unit == 0 else "6" if unit in starts else "." for _ in range(bars) for unit in range(units))
    grid = AccentGrid.parse(meter, units, bow, accent)
    about = "One bow a beat, down and up in turn, leaning a little on the first of the bar."
    return Pattern("bow-a-beat", "A bow a beat", (), grid, TempoRange(meter.beat, 40, 160), "common practice", about)
