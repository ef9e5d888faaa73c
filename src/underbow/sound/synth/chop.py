"""The chop: the bow dropped near the frog on muted strings, a short noise with a stop at its end.

Three things are heard: the drop itself, which knocks on the body; the hair that grips and slips for some hundredths of a
second, roughly; and the strings, which the left hand keeps from ringing. Source: common practice.
"""

from __future__ import annotations

import numpy as np

from underbow.sound.synth.body import Body
from underbow.sound.synth.noise import cut, number_of
from underbow.sound.synth.ringing import ringing
from underbow.sound.voice.voices import REFERENCE_DB, Action, Samples

REFERENCE = 10.0 ** (REFERENCE_DB / 20)
MEASURED = 0.05  # seconds over which a chop's level is taken
SECONDS = 0.1
MUTED = 0.011  # seconds in which a muted string falls to 1/e
GRIT = 95.0  # slips a second of the gripping hair


def chop(action: Action, body: Body, noise: Samples, concert_pitch: float) -> Samples:
    """Sound a chop: float32, shape (frames,).

    Parameters
    ----------
    action : Action
        Its notes say which strings are struck; their pitch is barely heard.
    body : Body
    noise : Samples
        A loop of bow noise, RMS 1 behind the body.
    concert_pitch : float
        Hz of A4.
    """
    rate, number = body.rate, number_of(action)
    time = np.arange(int(SECONDS * rate)) / rate
    hard = action.hardness
    length = 0.011 + 0.005 * hard
    grip = np.minimum(time / 0.0025, 1.0) * np.exp(-((time / (2.2 * length)) ** 2)) * (0.6 + 0.4 * hard)
    slip = (time * GRIT * (1.0 + 2.0 * time) + (number % 101) / 101) % 1.0
    force = cut(noise, number, len(time)) * grip * (1.6 - 1.3 * slip)
    midi = np.array([note.midi for note in action.notes], dtype=float)
    frequencies = np.outer(concert_pitch * 2.0 ** ((midi - 69) / 12), np.arange(1, 7)).ravel()
    frequencies = frequencies[frequencies < 0.4 * rate]
    ones = np.ones(len(frequencies))
    strings = ringing(frequencies, MUTED * ones, ones / frequencies, 0.0 * ones, frames=len(time), rate=rate)
    force += strings * (0.5 / (np.sqrt(np.mean(strings[: int(0.02 * rate)] ** 2)) + 1e-12))
    knock = ringing(
        np.array([140.0, 310.0]), np.full(2, 0.007), np.full(2, 1.1), np.zeros(2), frames=len(time), rate=rate
    )
    heard = body.through((force + knock * np.minimum(time / 0.001, 1.0)).astype(np.float32))
    heard *= np.clip((len(heard) - 1 - np.arange(len(heard))) / (0.02 * rate), 0.0, 1.0).astype(np.float32)
    first = heard[: int(MEASURED * rate)]
    heard *= np.float32(REFERENCE / (np.sqrt(float(np.vdot(first, first)) / len(first)) + 1e-9))
    return heard
