"""The key of a melody from its notes.

A key is as likely as the notes are in it: how much of the time each tone above the tonic has, which tones begin and end the
parts, and which sound in their first and last bars. The method is that of profiles (Krumhansl and Kessler 1982, by correlation;
here by likelihood). The shares are counted in a collection of tunes, and what they weigh is found by a conditional logit
(McFadden 1974), by ``benchmarks/recording/tonics.py``. Mixolydian is taken for major with a low
seventh, dorian for minor with a high sixth.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import log, sqrt

from underbow.theory.key import MODES, Key
from underbow.theory.pitch import PitchClass

__all__ = ["KINDS", "THIRDS", "Line", "Tones", "claims", "find_key", "heard", "profile", "swapped", "usual_keys"]

Tones = Mapping[int, float]
Shares = Mapping[str, Sequence[float]]
Line = Sequence[tuple[Fraction, Fraction, int]]

# Per mille, by semitones above the tonic.
_COUNTED = {
    "major": {
        "time": (225, 2, 133, 4, 168, 83, 7, 193, 3, 106, 4, 72),
        "begins": (346, 2, 50, 3, 282, 20, 2, 225, 2, 53, 3, 14),
        "ends": (743, 3, 31, 4, 28, 28, 4, 93, 2, 52, 5, 7),
        "first bar": (269, 2, 87, 6, 239, 44, 6, 224, 1, 76, 3, 43),
        "last bar": (650, 1, 62, 2, 66, 33, 3, 93, 1, 44, 1, 44),
    },
    "minor": {
        "time": (250, 1, 116, 166, 1, 107, 6, 192, 43, 4, 103, 11),
        "begins": (321, 21, 21, 240, 21, 21, 21, 222, 29, 21, 42, 21),
        "ends": (602, 21, 35, 81, 21, 57, 21, 53, 21, 21, 47, 21),
        "first bar": (279, 3, 77, 218, 3, 61, 12, 204, 36, 8, 88, 13),
        "last bar": (590, 3, 75, 148, 3, 56, 3, 84, 11, 3, 22, 3),
    },
}
KINDS = ("time", "begins", "ends", "first bar", "last bar")
THIRDS = {"major": "major", "minor": "minor", "dorian": "minor", "mixolydian": "major"}  # what is counted for each mode
_WEIGHTS = {"time": 0.97, "begins": 0.42, "ends": 0.34, "first bar": 0.21, "last bar": 0.47}
_USUAL = {"major": 0.0, "minor": -1.07, "dorian": -2.75, "mixolydian": -2.27}  # logarithms of how usual the modes are


def find_key(line: Line, bar: Fraction, part: Fraction | None = None) -> Key:
    """Find the key of a line of notes.

    Parameters
    ----------
    line : sequence of (Fraction, Fraction, int)
        For each note its start in quarters from the first bar line (in a pickup, below 0), its length, and its MIDI number; in
        order, at least one.
    bar : Fraction
        Quarters.
    part : Fraction, optional
        Quarters of a part, where one is repeated; else all of it is one part.

    Examples
    --------
    >>> scale = [(Fraction(at), Fraction(1), midi) for at, midi in enumerate((62, 64, 66, 67, 69, 71, 73, 74))]
    >>> str(find_key(scale, Fraction(4)))
    'D'
    """
    said = heard(line, bar, part)

    def likely(key: Key) -> float:
        spoken = claims(said, key.tonic.number, _SHARES[key.mode])
        return _USUAL[key.mode] + sum(_WEIGHTS[kind] * spoken[kind] for kind in KINDS) - 0.01 * abs(key.signature)

    return max(usual_keys(range(-5, 7)), key=likely)


def heard(line: Line, bar: Fraction, part: Fraction | None = None) -> dict[str, Tones]:
    """Give what is heard of each tone, by its number (C is 0), for each of :data:`KINDS`.

    Of the time, quarters over the root of them all: notes are no news one by one. Of the others, shares: of the notes that begin
    and end the parts, and of the time of their first and last full bars.

    Examples
    --------
    >>> said = heard([(Fraction(-1), Fraction(1), 62), (Fraction(0), Fraction(3), 67)], Fraction(4))
    >>> {kind: dict(tones) for kind, tones in said.items()}  # doctest: +NORMALIZE_WHITESPACE
    {'time': {2: 0.5, 7: 1.5}, 'begins': {7: 1.0}, 'ends': {7: 1.0}, 'first bar': {7: 1.0}, 'last bar': {7: 1.0}}
    """
    out: dict[str, defaultdict[int, float]] = {kind: defaultdict(float) for kind in KINDS}
    whole = float(sum(length for _, length, _ in line)) or 1.0
    for _, length, midi in line:
        out["time"][midi % 12] += float(length) / sqrt(whole)
    parts = _parts(line, part)
    for notes in parts:
        first = [note for note in notes if 0 <= note[0] < bar] or notes[:1]
        last = [note for note in notes if note[0] // bar == notes[-1][0] // bar]
        out["begins"][first[0][2] % 12] += 1 / len(parts)
        out["ends"][last[-1][2] % 12] += 1 / len(parts)
        for kind, some in (("first bar", first), ("last bar", last)):
            long = float(sum(length for _, length, _ in some)) or 1.0
            for _, length, midi in some:
                out[kind][midi % 12] += float(length) / long / len(parts)
    return dict(out)


def _parts(line: Line, part: Fraction | None) -> list[Line]:
    """Cut a line into parts, the starts counted from the first bar line of each."""
    if part is None:
        return [line]
    begin, end = line[0][0], line[-1][0] + line[-1][1]
    most = max(round((end - begin) / part), 1) - 1  # what is left over belongs to the last part
    parts: defaultdict[int, list[tuple[Fraction, Fraction, int]]] = defaultdict(list)
    for start, length, midi in line:
        number = min(int((start - begin) / part), most)
        parts[number].append((start - number * part, length, midi))
    return list(parts.values())


def claims(said: Mapping[str, Tones], tonic: int, shares: Shares) -> dict[str, float]:
    """Give how much each kind of what is heard speaks for a tonic: the logarithm of its likelihood, before it is weighed.

    Parameters
    ----------
    said : mapping of str to (mapping of int to float)
        As :func:`heard` gives it.
    tonic : int
        0 to 11.
    shares : mapping of str to (sequence of 12 floats)
        For each kind, the logarithm of the share of each tone above the tonic.
    """
    return {kind: sum(much * shares[kind][(tone - tonic) % 12] for tone, much in said[kind].items()) for kind in said}


def swapped(row: Sequence[float], mode: str) -> list[float]:
    """Change a mode's own tone with the one that major or minor has: mixolydian's low seventh, dorian's high sixth.

    >>> swapped(range(12), "mixolydian")[-2:], swapped(range(12), "dorian")[8:10], swapped(range(12), "minor")[8:10]
    ([11, 10], [9, 8], [8, 9])
    """
    own = {"mixolydian": 10, "dorian": 8}.get(mode)
    out = list(row)
    if own is not None:
        out[own : own + 2] = out[own + 1], out[own]
    return out


def profile(counted: Sequence[float], mode: str) -> list[float]:
    """Give the logarithms of the shares of the tones in a mode, of what was counted for its third."""
    return [log(share / sum(counted)) for share in swapped(counted, mode)]


def usual_keys(signatures: Iterable[int]) -> list[Key]:
    """Every key of these signatures in one of the four modes, where its name is a usual one."""
    found = ((signature - MODES[mode], mode) for signature in signatures for mode in THIRDS)
    return [Key(PitchClass.at_fifths(fifths), mode) for fifths, mode in found if -5 <= fifths <= 8]


_SHARES = {mode: {kind: profile(row, mode) for kind, row in _COUNTED[third].items()} for mode, third in THIRDS.items()}
