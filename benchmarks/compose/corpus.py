"""The real tunes that composed ones are compared with: O'Neill's and Ryan's collections, as music21 carries them.

They are read from the installed package and only counted; nothing of them is kept. A tune belongs to the half of the corpus
that the sum of its title's bytes is in, odd or even, so that the halves stay the same on every machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import music21

from underbow.tune.abc.reader import read_abc
from underbow.tune.tune import Tune

ROOT = Path(music21.__file__).parent / "corpus"

# dance -> (collection, meter, words in the rhythm field, of which one must be there; none: an empty field will do)
WHERE: dict[str, tuple[tuple[str, str, tuple[str, ...]], ...]] = {
    "reel": (("oneills1850", "C|", ("reel",)), ("ryansMammoth", "C|", ("reel",))),
    "jig": (("oneills1850", "6/8", ("jig",)), ("ryansMammoth", "6/8", ("jig",))),
    "slip jig": (("oneills1850", "9/8", ("slip",)), ("ryansMammoth", "9/8", ("jig",))),
    "waltz": (("oneills1850", "3/4", ()), ("airdsAirs", "3/4", ())),
    "hornpipe": (("oneills1850", "C|", ("hornpipe",)), ("ryansMammoth", "C|", ("hornpipe",))),
    "polka": (("oneills1850", "2/4", ()),),
    "march": (("airdsAirs", "C|", ()),),
    "air": (("oneills1850", "C", ()),),
}


@dataclass(frozen=True)
class Bar:
    """A full bar as written: (start, length, MIDI number) of its notes, in quarters."""

    notes: tuple[tuple[Fraction, Fraction, int], ...]
    number: int  # within its section, from 0


def tunes(dance: str) -> Iterator[Tune]:
    """Give the tunes of a dance, in the order of the collections."""
    for folder, meter, words in WHERE[dance]:
        for path in sorted((ROOT / folder).glob("*.abc")):
            for tune in read_abc(path.read_bytes().decode("latin-1")):
                if str(tune.meter) == meter and tune.measures and _dances(tune.rhythm, words):
                    yield tune


def _dances(rhythm: str, words: tuple[str, ...]) -> bool:
    return any(word in rhythm for word in words) if words else rhythm == ""


def halves(found: list[Tune]) -> tuple[list[Tune], list[Tune]]:
    """Divide tunes in two, by their titles."""
    odd = [sum(tune.title.encode()) % 2 for tune in found]
    return [t for t, o in zip(found, odd, strict=True) if not o], [t for t, o in zip(found, odd, strict=True) if o]


def bars(tune: Tune) -> list[Bar]:
    """Give a tune's full bars as written, ties joined inside a bar."""
    out: list[Bar] = []
    number = 0
    for i, measure in enumerate(tune.measures):
        if i and (measure.section != tune.measures[i - 1].section or measure.repeat_start):
            number = 0
        if measure.length != measure.meter.bar:
            continue
        notes: list[tuple[Fraction, Fraction, int]] = []
        tied = False
        for note in measure.notes:
            if tied and notes[-1][2] == note.midi:
                notes[-1] = (notes[-1][0], notes[-1][1] + note.length, note.midi)
            else:
                notes.append((note.start, note.length, note.midi))
            tied = note.tied
        out.append(Bar(tuple(notes), number))
        number += 1
    return out
