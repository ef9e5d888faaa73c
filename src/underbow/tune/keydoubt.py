"""Whether a written key can be right.

A written key is doubted where another one is far likelier and the tune does not end on the written tonic. Then either the
notes are right and only their tonic is another (K:G over a tune in E minor), or the K: line itself is wrong and its letters
were meant with another signature.

How likely a key is, is told by how much of the time each tone above the tonic has, which fall on the first beats, and which is
the last: profiles, as in :mod:`underbow.tune.keyfind`. Their shares are counted in a collection of tunes, and what is doubted is
measured, by ``benchmarks/chords/keys.py``; mixolydian has its seventh where major has it a semitone higher, dorian its sixth
and seventh likewise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, log

from underbow.theory.key import MODES, Key
from underbow.theory.pitch import PitchClass
from underbow.tune.keyfind import THIRDS, Tones, usual_keys
from underbow.tune.tune import Measure, Tune

__all__ = ["Doubt", "doubted", "in_key", "reread"]

# Per mille, by semitones above the tonic.
_TIME = {
    "major": (227, 4, 131, 5, 165, 83, 8, 190, 5, 103, 8, 70),
    "minor": (217, 18, 115, 134, 18, 104, 20, 172, 47, 26, 98, 31),
}
_FIRST = {
    "major": (236, 2, 108, 3, 188, 85, 5, 211, 3, 101, 7, 51),
    "minor": (244, 11, 102, 148, 11, 57, 10, 257, 35, 15, 89, 21),
}
_LAST = {
    "major": (804, 1, 37, 1, 14, 39, 1, 62, 1, 29, 3, 7),
    "minor": (750, 9, 46, 65, 9, 9, 9, 28, 9, 9, 46, 9),
}
_RARER = {"major": 0.0, "minor": -0.7, "dorian": -1.0, "mixolydian": -1.0}  # logarithms of how rare the modes are
_SIGNATURES = range(-4, 6)  # of fiddle tunes
_MOST_TIME, _MOST_FIRST, _ENDS = 100.0, 8.0, 3.0  # quarters and first beats that count, and how much the last note does
_LIKELIER, _MISREAD = 10.0, 6.0  # natural logarithms: to doubt a key, and to take its line for wrong
_PLAINLY = 15.0  # likelier by so much, the line is wrong even where the notes as they sound fit some key
_KEPT = 2.0  # for a key that has the written signature
_LEAST_NOTES = 16


@dataclass(frozen=True, slots=True)
class Doubt:
    """A key that fits far better than the written one.

    Parameters
    ----------
    key : Key
    misread : bool
        Whether the notes fit it only when their letters are read again with its signature: the K: line is wrong.
    """

    key: Key
    misread: bool


def doubted(tune: Tune) -> Doubt | None:
    r"""Say which key a tune is in where its written key is contradicted by its notes; None where it isn't.

    Only tunes in one key throughout, long enough to tell, are looked at.

    >>> from underbow.tune.abc.reader import read_abc
    >>> music = "GABc d2d2|e2c2 d4|cBAG FGAF|G2B2 G4|GABc d2d2|e2c2 d4|cBAG FDEF|G4 G4|]"
    >>> [doubted(read_abc(f"X:1\nM:4/4\nL:1/8\nK:{key}\n{music}")[0]) for key in ("G", "D")]
    [None, Doubt(key=Key(tonic=PitchClass(letter='G', alter=0), mode='major', altered=()), misread=True)]
    """
    written = tune.key
    played = [tune.measures[i] for i in sorted(set(tune.order))]
    last = next((measure.notes[-1] for i in reversed(tune.order) if (measure := tune.measures[i]).notes), None)
    if (
        last is None
        or written.altered
        or any(measure.key != written for measure in played)
        or sum(len(measure.notes) for measure in played) < _LEAST_NOTES
        or last.midi % 12 == written.tonic.number
    ):
        return None

    counted = _counted(played)

    def best(signature: int) -> tuple[float, Key]:
        read = _shifts(written, signature)
        time, first = _moved(counted, read)
        end = (last.midi + read[last.pitch.letter] * (last.pitch.alter == written.alteration(last.pitch.letter))) % 12
        ends_there = [
            (_likely(key, time, first, end), key) for key in usual_keys((signature,)) if key.tonic.number == end
        ]
        return max(ends_there, key=lambda pair: pair[0], default=(-inf, written))

    time, first = _moved(counted, {})
    same_tonic = [Key(written.tonic, mode) for mode in _RARER if -7 <= written.tonic.fifths + MODES[mode] <= 7]
    end = last.midi % 12
    now = max(_likely(key, time, first, end) for key in same_tonic)
    sounding, key = max(
        (
            (_likely(key, time, first, end) + _KEPT * (key.signature == written.signature), key)
            for key in usual_keys(range(-5, 7))
        ),
        key=lambda pair: pair[0],
    )
    others = [
        (merit - _MISREAD - abs(signature - 1), other)
        for signature in _SIGNATURES
        if signature != written.signature
        for merit, other in [best(signature)]
    ]
    meant, other = max(others, key=lambda pair: pair[0])
    if max(sounding, meant) - now < _LIKELIER:
        return None
    if sounding - now >= _LIKELIER and meant - sounding < _PLAINLY:
        return Doubt(key, misread=False)
    return Doubt(other, misread=True)


def reread(tune: Tune, key: Key) -> Tune:
    r"""Read a tune's letters again with another key's signature; notes that differ from the old one stay.

    >>> from underbow.tune.abc.reader import read_abc
    >>> [note.midi for note in reread(read_abc("K:D\nFc^g|")[0], Key.parse("C")).measures[0].notes]
    [65, 72, 80]
    """

    def again(measure: Measure) -> Measure:
        notes = []
        for note in measure.notes:
            pitch = note.pitch
            if pitch.alter == measure.key.alteration(pitch.letter):
                note = replace(note, pitch=replace(pitch, alter=key.alteration(pitch.letter)))  # noqa: PLW2901
            notes.append(note)
        return replace(measure, notes=tuple(notes), key=key)

    return replace(tune, measures=tuple(again(measure) for measure in tune.measures), key=key)


def in_key(tune: Tune) -> Tune:
    """Give a tune the key that its notes are in, where they contradict the written one; its letters read again if need be."""
    doubt = doubted(tune)
    if doubt is None:
        return tune
    if doubt.misread:
        return reread(tune, doubt.key)
    return replace(tune, key=doubt.key, measures=tuple(replace(m, key=doubt.key) for m in tune.measures))


def _shifts(written: Key, signature: int) -> dict[str, int]:
    """By how many semitones each letter moves under another signature."""
    other = Key(PitchClass.at_fifths(signature))
    return {letter: other.alteration(letter) - written.alteration(letter) for letter in "ABCDEFG"}


def _counted(measures: list[Measure]) -> dict[tuple[str, int], tuple[float, int]]:
    """The time of each tone, and how often it falls on a first beat, by letter where it has the signature's."""
    signed = {letter: measures[0].key.alteration(letter) for letter in "ABCDEFG"}  # one key throughout
    counted: dict[tuple[str, int], tuple[float, int]] = {}
    for measure in measures:
        for note in measure.notes:
            pitch = note.pitch
            which = (pitch.letter if pitch.alter == signed[pitch.letter] else "", note.midi % 12)
            time, first = counted.get(which, (0.0, 0))
            counted[which] = (time + note.length.numerator / note.length.denominator, first + (not note.start))
    return counted


def _moved(counted: Mapping[tuple[str, int], tuple[float, int]], shifts: Mapping[str, int]) -> tuple[Tones, Tones]:
    """The time of each tone and its first beats, the letters of the signature moved."""
    time: dict[int, float] = {}
    first: dict[int, float] = {}
    for (letter, tone), (long, times) in counted.items():
        there = (tone + shifts.get(letter, 0)) % 12
        time[there] = time.get(there, 0.0) + long
        first[there] = first.get(there, 0.0) + times
    return time, first


def _likely(key: Key, time: Tones, first: Tones, last: int) -> float:
    """The logarithm of how likely a key is."""
    tonic, shares = key.tonic.number, _SHARES[key.mode]
    merit = _RARER[key.mode] + _ENDS * shares[2][(last - tonic) % 12]
    for counted, share, most in ((time, shares[0], _MOST_TIME), (first, shares[1], _MOST_FIRST)):
        total = sum(counted.values())
        if total:
            merit += min(total, most) / total * sum(many * share[(tone - tonic) % 12] for tone, many in counted.items())
    return merit


def _logs(mode: str) -> tuple[tuple[float, ...], ...]:
    out = []
    for table in (_TIME, _FIRST, _LAST):
        row = list(map(float, table[THIRDS[mode]]))
        if mode == "mixolydian":
            row[10], row[11] = row[11], row[10]
        if mode == "dorian" and table is not _LAST:
            sixth, seventh = row[8] + row[9], row[10] + row[11]
            row[8:12] = 0.12 * sixth, 0.88 * sixth, 0.9 * seventh, 0.1 * seventh
        out.append(tuple(log(share / sum(row)) for share in row))
    return tuple(out)


_SHARES = {mode: _logs(mode) for mode in _RARER}
