"""The notes of a composed tune: a line drawn through a lattice of scale steps.

Every note of the rhythm has a choice of steps within the range. A line's weight is the product of, note by note, how well a
step fits the chord where it stands, how real tunes of the dance move there after the move before (melody.json), how near it
lies to the dance's register and to the bar it takes after, and what the bow must do to get there. A line is drawn with
exactly the probability that its weight gives it: sums of weights are passed forward through the lattice, then the notes
are drawn from the last to the first (forward filtering, backward sampling).

Notes foreign to the chord are passing or neighbour notes: nothing but a step leads to them and away from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from random import Random

import numpy as np
from numpy.typing import NDArray

from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.pitch import LETTERS, Pitch
from underbow.tune.melody.figures import KINDS, MOST_STEPS, Figures

Array = NDArray[np.float64]

# Weight of a note foreign to the chord, by strength, a chord note having 1.
FOREIGN = (0.6, 0.35, 1e-4, 1e-6)
SEVENTH = 0.35  # of a chord's seventh and other tones above the fifth
LEAP_TO_FOREIGN = 1e-7
AUGMENTED = 0.01  # a step of three semitones, as from F to G# in A minor
REGISTER = 0.012  # how strongly a note is held to the register; by the fourth power, so that it is free inside
LIKENESS = 5.0, 0.7  # per step away from the bar taken after: where its note fits the chord, and where it does not
SKIPPED_STRING = 0.45  # for each string that a short note skips


@dataclass(frozen=True, slots=True)
class Slot:
    """A note to be found.

    Parameters
    ----------
    start, length : Fraction
        Quarters from the start of the tune, and of the note.
    chord : Chord
    strength : int
        3 on the first beat of a bar, 2 on its other strong beats, 1 on a weak beat, 0 off the beat.
    ending : str
        ``"open"`` or ``"closed"`` for the last note of a phrase, ``"end"`` for the tune's last note, else empty.
    like : int or None
        Number of the note that it takes after.
    high : bool
    """

    start: Fraction
    length: Fraction
    chord: Chord
    strength: int
    ending: str = ""
    like: int | None = None
    high: bool = False


@dataclass(frozen=True, slots=True)
class Range:
    """The places of the lattice: (letter, octave) from low to high; lowest and highest note and open strings as MIDI numbers."""

    places: tuple[tuple[str, int], ...]
    limits: tuple[int, int]
    strings: tuple[int, ...]

    @classmethod
    def between(cls, low: int, high: int, strings: tuple[int, ...]) -> Range:
        """Take the letters of which the natural or a neighbour of it may lie between two MIDI numbers."""
        every = [(letter, octave) for octave in range(10) for letter in LETTERS]
        return cls(tuple(p for p in every if low - 1 <= Pitch(p[0], 0, p[1]).midi <= high + 1), (low, high), strings)


def sounding(place: tuple[str, int], chord: Chord, key: Key) -> Pitch:
    """Give the pitch of a letter under a chord: the chord's own, else the key's.

    Under a chord with the leading note of a minor key the sixth is raised with it, as in the melodic minor scale.

    >>> str(sounding(("C", 5), Chord.parse("A7"), Key.parse("G")))
    'C#5'
    """
    letter, octave = place
    tones = {tone.letter: tone.alter for tone in chord.tones}
    if letter in tones:
        return Pitch(letter, tones[letter], octave)
    alter = key.alteration(letter)
    sixth, seventh = key.scale[5], key.scale[6]
    if letter == sixth.letter and tones.get(seventh.letter, seventh.alter) > seventh.alter and key.is_minor:
        alter += (sixth.number - key.tonic.number) % 12 == 8
    return Pitch(letter, alter, octave)


def line(slots: list[Slot], key: Key, where: Range, figures: Figures, rng: Random) -> list[Pitch]:
    """Draw a melody's pitches, one for every slot."""
    lattice = _Lattice(slots, key, where, figures)
    chosen: list[int] = []
    before = 0
    while before < len(slots):
        after = _stretch(slots, before)
        ahead = min(
            after + 1, len(slots)
        )  # one note more is drawn and dropped, so that a stretch ends where it can go on
        chosen += lattice.drawn(before, ahead, chosen, rng)[: after - before]
        before = after
    return [sounding(where.places[place], slot.chord, key) for place, slot in zip(chosen, slots, strict=True)]


def _stretch(slots: list[Slot], first: int) -> int:
    """Find how far a line can be drawn at once: to the end of the phrase, or to a bar that takes after one not yet drawn."""
    for n in range(first, len(slots)):
        like = slots[n].like
        if like is not None and like >= first:
            return n
        if slots[n].ending:
            return n + 1
    return len(slots)


class _Lattice:
    """Weights of all steps and moves; drawing from them."""

    def __init__(self, slots: list[Slot], key: Key, where: Range, figures: Figures) -> None:
        self.slots, self.key, self.where, self.limits, self.figures = slots, key, where, where.limits, figures
        count = len(where.places)
        self.step = np.clip(np.arange(count)[None, :] - np.arange(count)[:, None], -MOST_STEPS, MOST_STEPS)
        size = np.abs(self.step)
        kind = np.where(size == 0, 2, np.where(self.step > 0, np.where(size == 1, 3, 4), np.where(size == 1, 1, 0)))
        self.kind = np.eye(len(KINDS))[kind]  # from, to, kind of move
        self.moves = figures.moves[:, :, self.step + MOST_STEPS]  # onto the beat, kind before, from, to
        self.moves = self.moves * figures.sizes[size] * (size <= 7)
        self.tables: dict[Chord, tuple[Array, Array]] = {}

    def table(self, chord: Chord) -> tuple[Array, Array]:
        """MIDI numbers of all places under a chord, and how they belong: 1 root, third and fifth, 0.5 other tones, 0 foreign."""
        if chord not in self.tables:
            pitches = [sounding(place, chord, self.key) for place in self.where.places]
            midi = np.array([pitch.midi for pitch in pitches], dtype=float)
            triad, rest = {t.number for t in chord.tones[:3]}, {t.number for t in chord.tones[3:]}
            belongs = [1.0 if p.midi % 12 in triad else 0.5 if p.midi % 12 in rest else 0.0 for p in pitches]
            self.tables[chord] = midi, np.array(belongs)
        return self.tables[chord]

    def fit(self, n: int, chosen: list[int]) -> Array:
        """How well each place fits slot ``n``."""
        slot = self.slots[n]
        midi, belongs = self.table(slot.chord)
        weight = np.where(belongs == 1.0, 1.0, np.where(belongs > 0, SEVENTH, FOREIGN[slot.strength]))
        mean, spread = self.figures.height
        mean += self.figures.lift * (slot.high - 0.5)
        weight = weight * np.exp(-REGISTER * ((midi - mean) / spread) ** 4)
        if slot.like is not None and slot.like < len(chosen):
            other = self.slots[slot.like]
            there = chosen[slot.like]
            fits = other.chord == slot.chord or slot.strength < 2 or belongs[there] == 1.0
            shift, pull = (0, LIKENESS[0]) if fits else (_steps(other.chord, slot.chord), LIKENESS[1])
            weight = weight * np.exp(-pull * np.abs(np.arange(len(midi)) - there - shift))
        if slot.ending:
            weight = weight * self.ending(slot, midi, belongs)
        return weight * ((midi >= self.limits[0]) & (midi <= self.limits[1]))

    def ending(self, slot: Slot, midi: Array, belongs: Array) -> Array:
        """A phrase ends on a tone of the chord's triad: the tonic where it comes home, another where it stays open."""
        tonic = midi % 12 == self.key.tonic.number
        in_chord = belongs == 1.0
        if not (tonic & in_chord & (midi >= self.limits[0]) & (midi <= self.limits[1])).any():
            tonic = midi % 12 == slot.chord.root.number
        weight = in_chord * np.where(tonic, {"open": 0.25, "closed": 8.0, "end": 1.0}[slot.ending], 1.0)
        return np.asarray(weight * (tonic if slot.ending == "end" else 1.0))

    def move(self, n: int) -> Array:
        """Weight of every move to slot ``n``: kind before, from, to."""
        a, b = self.slots[n - 1], self.slots[n]
        (midi_a, in_a), (midi_b, in_b) = self.table(a.chord), self.table(b.chord)
        weight = self.moves[int(b.strength > 0)]
        leaps = np.abs(self.step) > 1
        bad = leaps & ((in_a[:, None] == 0) | (in_b[None, :] == 0))
        apart = np.abs(midi_b[None, :] - midi_a[:, None])
        factor = np.where(bad, LEAP_TO_FOREIGN, 1.0)
        factor = np.where((np.abs(self.step) == 1) & ((apart == 3) | (apart == 0)), AUGMENTED, factor)
        factor = np.where((apart == 6) | (apart > 12), 0.1 * factor, factor)
        if a.length < 1 and b.length < 1:
            string_a, string_b = (np.searchsorted(self.where.strings, m, side="right") for m in (midi_a, midi_b))
            skipped = np.maximum(np.abs(string_b[None, :] - string_a[:, None]) - 1, 0)
            factor = factor * SKIPPED_STRING**skipped
        return np.asarray(weight * factor)

    def drawn(self, first: int, after: int, chosen: list[int], rng: Random) -> list[int]:
        """Draw the places of the slots from ``first`` on, given all before."""
        fits = [self.fit(n, chosen) for n in range(first, after)]
        moves: list[Array] = []
        if chosen:
            kind = 2 if len(chosen) < 2 else int(self.kind[chosen[-2], chosen[-1]].argmax())
            start = np.zeros((len(self.where.places), len(KINDS)))
            start[chosen[-1], kind] = 1.0
            begin = first
        else:
            start = fits[0][:, None] * np.eye(len(KINDS))[2]
            begin = first + 1
        sums = [start / start.sum()]
        for n in range(begin, after):
            move = self.move(n)
            moves.append(move)
            flow = np.einsum("ak,kab->ab", sums[-1], move) * fits[n - first][None, :]
            now = np.einsum("ab,abk->bk", flow, self.kind)
            sums.append(now / now.sum())
        place, kind = divmod(_draw(sums[-1].ravel(), rng), len(KINDS))
        back = [place]
        for n in range(len(moves) - 1, -1, -1):
            weight = sums[n] * moves[n][:, :, place].T * self.kind[:, place, kind][:, None]
            place, kind = divmod(_draw(weight.ravel(), rng), len(KINDS))
            back.append(place)
        back.reverse()
        return back[1:] if chosen else back


def _steps(a: Chord, b: Chord) -> int:
    """Scale steps from one root to another by the nearer way."""
    return (LETTERS.index(b.root.letter) - LETTERS.index(a.root.letter) + 3) % 7 - 3


def _draw(weights: Array, rng: Random) -> int:
    sums = np.cumsum(weights)
    return min(int(np.searchsorted(sums, rng.random() * sums[-1], side="right")), int(np.flatnonzero(weights)[-1]))
