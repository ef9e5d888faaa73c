"""The plucked string: guitar for bass note and chord, mandolin and banjo for a melody; and the struck string of a piano.

A plucked string is a sum of partials that die away each at its own pace, quicker the higher they are. How strong they are at
first follows from where the string is plucked (a partial with a node there is missing) and how sharp the pick's corner is;
each is heard as the body passes it on. Up and down against the body and along it the string moves at its own rate of decay:
hence a quick fall, then a long ring. A string's ring doesn't depend on how long it is held, so it is made once for
each pitch and one of four strengths, and a gesture only adds rings, damped where the hand comes down.

Sources, from memory: partials, stiffness, pluck position and two-stage decay from Fletcher and Rossing, The Physics of
Musical Instruments; the bodies' modes as in :mod:`underbow.sound.synth.body`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from underbow.sound.synth.body import BANJO, GUITAR, MANDOLIN, PIANO, Body, Design
from underbow.sound.synth.noise import band, cut, number_of
from underbow.sound.synth.ringing import ringing
from underbow.sound.voice.voices import REFERENCE_DB, Action, ActionNote, Floats, Samples

REFERENCE = 10.0 ** (REFERENCE_DB / 20)
MEASURED = 0.2  # seconds over which a pluck's level is taken
SHORTEST = 0.03  # seconds over which that of the shortest is taken
DAMPING = 0.035  # seconds in which a stopped ring falls to 1/e
FAINTEST = 3e-4  # of the strongest partial: what is weaker is left out
CEILING = 9000.0  # Hz of the highest partial
LOOP = 1 << 15


@dataclass(frozen=True, slots=True)
class Character:
    """What makes a plucked instrument.

    Parameters
    ----------
    body : Design
    place : float
        Where it is plucked, as a share of the string's length.
    corner : (float, float)
        Hz above which the pick's roundness tells, for the softest and the hardest accent.
    stiffness : float
        Partial n is sharp by the factor ``sqrt(1 + stiffness * n**2)``.
    loss : (float, float)
        Decay rate, 1/s, of a very low partial, and what each kHz adds.
    course : tuple of float
        Cents by which the strings of a course are off; one 0 for a single string.
    pick : (float, float)
        Noise of finger or pick, for the softest and the hardest accent.
    spread : float
        Seconds from one string of a strum to the next.
    strings : tuple of (int, float, float)
        Open strings as MIDI numbers, lowest first, and by how much more than ``loss`` says each loses low and high; a pitch
        sounds on the highest that has it. None where all are alike.
    """

    body: Design
    place: float
    corner: tuple[float, float]
    stiffness: float
    loss: tuple[float, float]
    course: tuple[float, ...] = (0.0,)
    pick: tuple[float, float] = (0.05, 0.25)
    spread: float = 0.007
    strings: tuple[tuple[int, float, float], ...] = ()

    def losses(self, midi: int) -> tuple[float, float]:
        """Give the loss, as ``loss`` does, on the string that a pitch is played on.

        >>> STEEL_GUITAR.losses(40) < STEEL_GUITAR.losses(64), STEEL_GUITAR.losses(40)[1] > STEEL_GUITAR.losses(64)[1]
        (True, True)
        """
        low, high = next(((low, high) for open_, low, high in reversed(self.strings) if open_ <= midi), (1.0, 1.0))
        return self.loss[0] * low, self.loss[1] * high


# Wound strings are heavy and ring longer; they rub inside, so that their brightness is soon gone (common practice, no source).
STEEL_GUITAR = Character(
    GUITAR, place=0.17, corner=(1200.0, 3800.0), stiffness=3e-5, loss=(1.1, 1.6),
    strings=((40, 0.75, 1.35), (45, 0.8, 1.3), (50, 0.9, 1.2), (55, 1.0, 1.1), (59, 1.15, 0.85), (64, 1.3, 0.8)),
)  # fmt: skip
MANDOLIN_PAIR = Character(
    MANDOLIN, place=0.13, corner=(2200.0, 5200.0), stiffness=2e-5, loss=(1.9, 1.7), course=(-1.3, 1.3), pick=(0.08, 0.3)
)
FIVE_STRING = Character(BANJO, place=0.11, corner=(2600.0, 6000.0), stiffness=1e-5, loss=(5.5, 2.0), pick=(0.05, 0.2))

HAMMERED = Character(
    PIANO,
    place=0.12,
    corner=(700.0, 2400.0),
    stiffness=2e-4,
    loss=(0.7, 1.1),
    course=(-0.5, 0.4),
    pick=(0.03, 0.1),
    spread=0.0,
)


class Plucked:
    """A plucked instrument at one rate and pitch."""

    def __init__(self, character: Character, rate: int, concert_pitch: float = 440.0, seed: int = 3) -> None:
        self.rate = rate
        self.character = character
        self.concert_pitch = concert_pitch
        self._body = Body(character.body, seed, rate)
        self._noise = band(LOOP, rate, low=900.0, high=min(5000.0, 0.4 * rate), slope=-2.0, seed=17)
        self._ring: Callable[[int, int, int], Samples] = lru_cache(maxsize=64)(self._made_ring)

    def sounds(self, action: Action) -> Samples:
        """Sound a pluck or a strum: float32, shape (frames,)."""
        tail = int(6.9 * DAMPING * self.rate)
        heard = np.zeros(action.frames + tail, dtype=np.float32)
        for note, late in self._strummed(action):
            start = note.at + late
            ring = self._ring(note.midi, (action.accent + 1) // 3, _doubling(note.frames + tail, self.rate))
            length = min(note.frames - late + tail, len(heard) - start)
            sound = ring[:length] * np.float32(10.0 ** (note.level / 20))  # shorter where it has died away before
            damped = len(sound) - (note.frames - late)
            if damped > 0:
                sound[-damped:] *= np.exp(np.arange(damped) * (-1 / (DAMPING * self.rate))).astype(np.float32)
            heard[start : start + len(sound)] += sound
        self._pick(heard, action)
        fade = min(len(heard), int(0.01 * self.rate))
        heard[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
        later = [note.at for note in action.notes if note.at > 0]
        shortest = int(SHORTEST * self.rate)
        first = heard[: max(min([int(MEASURED * self.rate), action.frames, *later]), shortest)]
        level = max(note.level for note in action.notes if note.at == 0)
        found = np.sqrt(float(np.vdot(first, first)) / len(first)) + 1e-9
        heard *= np.float32(REFERENCE * 10.0 ** (level / 20) / found)
        return heard

    def _strummed(self, action: Action) -> list[tuple[ActionNote, int]]:
        """Give the notes, each with the frames by which the strum reaches it late."""
        order: list[tuple[ActionNote, int]] = []
        for at in sorted({note.at for note in action.notes}):
            chord = sorted((n for n in action.notes if n.at == at), key=lambda n: n.midi, reverse=action.bow == "u")
            pace = self.character.spread * (1.3 - 0.06 * action.accent)
            for index, note in enumerate(chord):
                order.append((note, min(int(index * pace * self.rate), note.frames // 2)))
        return order

    def _pick(self, heard: Samples, action: Action) -> None:
        frames = min(len(heard), int(0.03 * self.rate))
        time = np.arange(frames) / self.rate
        soft, hard = self.character.pick
        amount = (soft + (hard - soft) * action.hardness) * (0.5 if action.ornament else 1.0)
        burst = np.exp(time * (-1 / 0.004)) * np.minimum(time / 0.0007, 1.0) * amount
        heard[:frames] += cut(self._noise, number_of(action), frames) * burst.astype(np.float32)

    def _made_ring(self, midi: int, strength: int, frames: int) -> Samples:
        """Make a string's ring from its pluck on, with RMS 1 over the first 0.1 s."""
        character, rate = self.character, self.rate
        frequency = self.concert_pitch * 2.0 ** ((midi - 69) / 12)
        order = np.arange(1, max(int(min(CEILING, 0.45 * rate) / frequency), 1) + 1)
        stretched = frequency * order * np.sqrt(1.0 + character.stiffness * order**2)
        order, stretched = order[stretched < 0.46 * rate], stretched[stretched < 0.46 * rate]
        hard = strength / 3
        corner = character.corner[0] + (character.corner[1] - character.corner[0]) * hard
        weights = np.sin(np.pi * order * character.place) / (order * (1.0 + (stretched / corner) ** 2))
        weights = weights * self._body.gain(stretched)
        heard = np.abs(weights) > FAINTEST * np.abs(weights).max()
        stretched, weights = stretched[heard], weights[heard]
        low, rise = character.losses(midi)
        rates = low + rise * (stretched / 1000.0) ** 1.3
        frequencies: list[Floats] = []
        decays: list[Floats] = []
        amplitudes: list[Floats] = []
        for off in character.course:
            # Across the top (quick) and along it (slow, weaker, a trace flat).
            for share, pace, bent in ((0.8, 1.6, 0.0), (0.2, 0.55, -0.4)):
                frequencies.append(stretched * 2.0 ** ((off + bent) / 1200))
                decays.append(1.0 / (rates * pace))
                amplitudes.append(weights * share)
        heights = np.concatenate(frequencies)
        ring = ringing(
            heights,
            np.concatenate(decays),
            np.concatenate(amplitudes),
            np.zeros(len(heights)),
            frames=frames,
            rate=rate,
        )
        measured = ring[: int(0.1 * rate)]
        ring /= np.sqrt(np.mean(measured**2)) + 1e-9
        ring *= np.minimum((frames - 1 - np.arange(frames)) / (0.01 * rate), 1.0)
        return np.asarray(ring, dtype=np.float32)


def _doubling(frames: int, rate: int) -> int:
    """Give 1, 2, 4 or 8 seconds in frames, whichever is enough: rings are kept in few lengths, and over after 8 s.

    >>> _doubling(30_000, 44_100), _doubling(100_000, 44_100), _doubling(10_000_000, 44_100)
    (44100, 176400, 352800)
    """
    length = rate
    while length < min(frames, 8 * rate):
        length *= 2
    return length
