"""What a player should know about the shapes chosen: other strings, two shapes, tones left out, shapes that fit two chords."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain

from underbow.fiddle.shapes.cost import fits
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

_WORDS = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


def remarks_on(
    placed: Sequence[tuple[Chord | None, HandShape | None]],
    tuning: Tuning,
    pair: tuple[int, int],
    *,
    fallbacks: bool = False,
) -> tuple[str, ...]:
    """One line for each thing worth knowing about the shapes of a progression, each thing once.

    Parameters
    ----------
    placed : sequence of (Chord or None, HandShape or None)
        In the order of the progression.
    tuning : Tuning
    pair : tuple of int
        The strings that were asked for.
    fallbacks : bool
        Only what is not as it was asked for: silence, other strings, a note that is not in the chord.
    """
    different = dict.fromkeys((chord, shape) for chord, shape in placed if chord is not None)
    company = {chord: frozenset(chord.numbers) for chord, _ in different}
    labels: dict[Chord, list[str]] = {}
    for chord, shape in different:
        labels.setdefault(chord, []).append(str(shape))
    lines: dict[str, None] = {}
    for chord, shape in different:
        about = _fallbacks(chord, shape, tuning, pair)
        if not fallbacks and shape is not None:
            about = chain(about, _remarks(chord, shape, company))
        for line in about:
            lines[line] = None
        if not fallbacks and len(labels[chord]) > 1:
            lines[f"{chord}: {' and '.join(labels[chord])}, for the sake of quick changes"] = None
    return tuple(lines)


def _fallbacks(chord: Chord, shape: HandShape | None, tuning: Tuning, pair: tuple[int, int]) -> Iterator[str]:
    if shape is None:
        yield f"{chord}: no hand shape within reach on any strings; the backup is silent there"
        return
    if not set(shape.strings) >= set(pair):
        yield (
            f"{chord} {shape.label}: no two of its notes within reach on the {_names(tuning, pair)} strings; the nearest are "
            f"{_sounding(chord, shape)} on {_names(tuning, shape.strings)}"
        )
    if not fits(shape, chord):
        foreign = [str(note.pitch_class) for note in shape.notes if note.midi % 12 not in chord.numbers]
        yield f"{chord} {shape.label}: {' and '.join(foreign)} is not in the chord and rings as a drone"


def _remarks(chord: Chord, shape: HandShape, company: Mapping[Chord, frozenset[int]]) -> Iterator[str]:
    here = f"{chord} {shape.label}"
    sounding = _sounding(chord, shape)
    if len(shape.tones) < 2:
        yield f"{here}: {sounding}, one note doubled"
    degrees = shape.degrees(chord)
    missing = [
        f"{degree} ({tone})"
        for degree, tone in zip(chord.degrees, chord.tones, strict=True)
        if degree not in degrees and degree not in {"1", "3", "b3", "5"}
    ]
    if len(chord.tones) > 4 or missing:
        count = _WORDS[len(chord.tones)]
        without = f", without its {' and '.join(missing)}" if missing else ""
        yield f"{here}: of its {count} notes the shape keeps {sounding} ({', '.join(degrees)}){without}"
    sounds = shape.tones
    claims = [str(other) for other, has in company.items() if sounds <= has and other.root.number != chord.root.number]
    if claims and len(sounds) > 1:
        yield f"{here}: {sounding} also fit {', '.join(claims)}"


def _sounding(chord: Chord, shape: HandShape) -> str:
    return " and ".join(str(note.pitch_class) for note in shape.spelled(chord))


def _names(tuning: Tuning, strings: Sequence[int]) -> str:
    return " and ".join(str(tuning.strings[string].pitch_class) for string in strings)


def also_fits(shape: HandShape, chord: Chord) -> tuple[Chord, ...]:
    """The other major and minor chords that have all the notes of a shape; none where it doubles one note.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> c = HandShape((0, 1), (Stop(5, 3), Stop(2, 1)), Tuning.parse("GDAE"))
    >>> [str(other) for other in also_fits(c, Chord.parse("C"))]
    ['Am']
    """
    if len(shape.tones) < 2:
        return ()
    around = (Chord(chord.root, quality).transposed(fifths) for fifths in range(-5, 7) for quality in ("", "m"))
    same = (chord.root.number, chord.is_minor)
    return tuple(other for other in around if fits(shape, other) and (other.root.number, other.is_minor) != same)
