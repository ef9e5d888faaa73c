"""Instruments whose tone lasts: two wave tables a note, driven by one bow or one breath, sent through a body.

What kind of instrument it is, is a :class:`Character`; what it does in a gesture is worked out in
:mod:`underbow.sound.synth.legato`. A stroke is brought to its level at the end, whatever its shape, colour and number of
strings have made of it, so that an accent is as strong as it is written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from underbow.sound.synth import legato
from underbow.sound.synth.body import Body, Design
from underbow.sound.synth.legato import Style
from underbow.sound.synth.noise import band, cut, number_of
from underbow.sound.synth.wavetable import Table, harmonics, read
from underbow.sound.voice.voices import REFERENCE_DB, Action, Floats, Samples

REFERENCE = 10.0 ** (REFERENCE_DB / 20)
LOOP = 1 << 17  # frames after which noise repeats
RING = 5.5  # times its fall that an ending is given: -48 dB, then faded out
SHORTEST = 0.03  # seconds over which the level of the shortest grace is taken
STRETCH = 512  # control points that are drawn out in one go
FADE = 0.012  # seconds in which one note gives way to the next within a bow


@dataclass(frozen=True, slots=True)
class Character:
    """What makes an instrument.

    Parameters
    ----------
    style : Style
    spectrum : callable
        From the partials' frequencies in Hz and the string's index to their amplitudes driven hard, and barely.
    hiss : (float, float)
        Steady noise against the tone, for the softest and the hardest accent.
    scratch : (float, float)
        Noise of the start, likewise.
    scratch_decay : float
        Seconds.
    band : (float, float, float)
        The noise's lowest and highest Hz, and its slope in dB an octave.
    body : Design or None
    seed : int
        Which instrument of the kind.
    strings : tuple of int
        Open strings, lowest first; none for an instrument without.
    """

    style: Style
    spectrum: Callable[[Floats, int], tuple[Floats, Floats]]
    hiss: tuple[float, float]
    scratch: tuple[float, float]
    scratch_decay: float
    band: tuple[float, float, float]
    body: Design | None = None
    seed: int = 1
    strings: tuple[int, ...] = ()


class Sustained:
    """An instrument at one rate and pitch.

    Parameters
    ----------
    character : Character
    rate : int
        Frames a second.
    concert_pitch : float
        Hz of A4.
    """

    def __init__(self, character: Character, rate: int, concert_pitch: float = 440.0) -> None:
        self.rate = rate
        self.concert_pitch = concert_pitch
        self.character = character
        self.body = Body(character.body, character.seed, rate) if character.body else None
        self._step = legato.control_step(rate)
        low, high, slope = character.band
        self.noise = band(LOOP, rate, low=low, high=min(high, 0.4 * rate), slope=slope, seed=11)
        if self.body:
            self.noise /= np.sqrt(np.mean(self.body.through(self.noise).astype(float) ** 2))
        self._drift = band(1 << 14, rate / self._step, low=0.6, high=5.0, slope=0.0, seed=13).astype(float)
        self._flutter = band(1 << 14, rate / self._step, low=3.0, high=16.0, slope=0.0, seed=19).astype(float)
        self._tables: Callable[[int, int], tuple[Table, Table]] = lru_cache(maxsize=256)(self._made_tables)

    def sounds(self, action: Action) -> Samples:
        """Sound a gesture: float32, shape (frames,)."""
        step, style = self._step, self.character.style
        parts = legato.spans(action)
        fall = style.joined if action.joined else style.open if self._left_open(parts) else style.lifted
        points = int(action.frames + (0.03 + RING * fall) * self.rate) // step + 2
        time = np.arange(points) * (step / self.rate)
        amplitude, drive = legato.shape(action, parts, style, time, rate=self.rate, fall=fall)
        uneven = style.flutter * cut(self._flutter, number_of(action, "flutter"), points)
        amplitude *= 1.0 + uneven
        drive *= 1.0 + uneven
        force = self._tones(action, parts, (amplitude, drive), time)
        force += cut(self.noise, number_of(action), len(force)) * legato.drawn(self._rub(action, amplitude, time), step)
        heard = self.body.through(force) if self.body else force
        return _levelled(heard, action, parts, int(SHORTEST * self.rate))

    def _tones(
        self, action: Action, parts: tuple[legato.Span, ...], shape: tuple[Floats, Floats], time: Floats
    ) -> Samples:
        step, rate, style = self._step, self.rate, self.character.style
        (amplitude, drive), number = shape, number_of(action, "tones")
        force = np.zeros((len(time) - 1) * step, dtype=np.float32)
        hard = action.hardness
        reached: dict[int, tuple[int, Floats]] = {}
        for index, tone in enumerate(legato.tones(parts, len(time), step, max(int(FADE * rate / step), 3))):
            string, stopped = self._string(tone)
            sounding = np.flatnonzero(tone.weights)
            first, last = int(sounding[0]), int(sounding[-1]) + 2
            here = time[first:last]
            vibrato = (
                action.solo and stopped and len(parts[0].notes) == 1 and tone.end - tone.start >= legato.LONG * rate
            )
            drift = cut(self._drift, (number >> 8) + 4099 * index, len(here))
            bent = legato.cents(tone, style, here, rate, hard=hard, vibrato=vibrato, drift=drift)
            frequency = self.concert_pitch * 2.0 ** ((tone.midi - 69) / 12)
            phase = np.cumsum(frequency * step / rate * (1.0 + legato.CENT * bent))
            if string in reached and reached[string][0] <= tone.start:
                # The finger comes down while the string swings: the new note goes on at the old one's phase.
                before, run = reached[string]
                turn = tone.start // step
                phase += run[min(turn - before // step, len(run) - 1)] - phase[turn - first]
                phase -= np.floor(phase[0])
            else:
                phase += (number >> 3 * index) % 97 / 97.0
            reached[string] = (first * step, phase)
            gain = (amplitude * tone.weights)[first:last]
            high = gain * drive[first:last]
            self._play(force[first * step :], self._tables(tone.midi, string), phase, (high, gain - high))
        return force

    def _play(self, force: Samples, tables: tuple[Table, Table], phase: Floats, gains: tuple[Floats, Floats]) -> None:
        """Add a tone from its tables, a stretch at a time, so that all of it stays near the processor."""
        step = self._step
        strong, weak = (gain.astype(np.float32) for gain in gains)
        for at in range(0, len(phase) - 1, STRETCH):
            here = slice(at, at + STRETCH + 1)
            bright, dark = read(legato.drawn(phase[here], step), *tables)
            bright *= legato.drawn(strong[here], step)
            dark *= legato.drawn(weak[here], step)
            bright += dark
            force[at * step : at * step + len(bright)] += bright

    def _rub(self, action: Action, amplitude: Floats, time: Floats) -> Samples:
        """Give the noise's amplitude at the control points."""
        character = self.character
        hard = action.hardness * (0.4 if action.ornament else 1.0)
        lean = {"d": 1.2, "u": 0.85}.get(action.bow, 1.0)
        amplitude = amplitude * np.exp(
            np.maximum(time - action.frames / self.rate, 0.0) * (-1 / 0.012)
        )  # the bow is gone
        burst = np.exp(time * (-1 / character.scratch_decay)) * np.minimum(time / 0.002, 1.0)
        steady = character.hiss[0] + (character.hiss[1] - character.hiss[0]) * hard
        start = character.scratch[0] + (character.scratch[1] - character.scratch[0]) * hard**1.2
        return np.asarray(amplitude * steady + burst * (lean * start), dtype=np.float32)

    def _string(self, tone: legato.Tone) -> tuple[int, bool]:
        """Say which string a note is played on, and whether a finger stops it."""
        strings = self.character.strings
        if not strings:
            return 0, True
        if tone.string is not None and 0 <= tone.string < len(strings):
            return tone.string, tone.midi > strings[tone.string]
        # Nothing is said: the highest string that has the note under a finger.
        below = [index for index, midi in enumerate(strings) if midi < tone.midi]
        return (below[-1], True) if below else (0, False)

    def _left_open(self, parts: tuple[legato.Span, ...]) -> bool:
        """Say whether a gesture's last notes include an open string."""
        strings = self.character.strings
        return any(
            note.string is not None and note.midi in strings[note.string : note.string + 1] for note in parts[-1].notes
        )

    def _made_tables(self, midi: int, string: int) -> tuple[Table, Table]:
        """Give a note's tone driven hard and barely, each with RMS 1 where it is heard."""
        frequencies = harmonics(self.concert_pitch * 2.0 ** ((midi - 69) / 12), self.rate)
        gains = self.body.gain(frequencies) if self.body else np.ones(len(frequencies))
        hard, barely = (
            Table(amplitudes / np.sqrt(0.5 * np.sum((amplitudes * gains[: len(amplitudes)]) ** 2)))
            for amplitudes in self.character.spectrum(frequencies, string)
        )
        return hard, barely


def _levelled(heard: Samples, action: Action, parts: tuple[legato.Span, ...], shortest: int) -> Samples:
    """Bring a gesture to its level: the RMS over its length, or ``shortest``, is what its spans' levels come to."""
    wanted = sum((span.end - span.start) * 10.0 ** (span.level / 10) for span in parts if span.kind != "rest")
    wanted *= max(shortest / action.frames, 1.0)
    body = heard[: max(action.frames, shortest)]
    heard *= np.float32(REFERENCE * np.sqrt(wanted / (float(np.vdot(body, body)) + 1e-12)))
    return heard
