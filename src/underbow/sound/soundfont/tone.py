"""A tone: one key held on some instrument: how far it is out of tune, where it begins, and how to even it out.

Instruments in a SoundFont bank speak slowly (a low fiddle string takes a tenth of a second) and waver as they were recorded. A
bow stroke has a shape of its own to give, so its tones begin where they speak, and their level is brought near a
straight line; their colour, noise and vibrato stay.

Conventions: float32, mono. Thresholds and times: common practice by ear and eye, no source.
"""

from __future__ import annotations

import numpy as np

from underbow.sound.voice.voices import Samples

__all__ = ["cents_off", "held", "struck"]

_SPEAKS, _STRUCK = 0.4, 0.03  # where a tone begins: of its steady RMS, of its highest sample
_WINDOW = 0.008  # seconds over which a level is looked at
_SMOOTH = 5  # windows
_NEAR, _FOUND = 0.5, 1e-3  # semitones that are looked at around a pitch; share of the power that must lie there
_EVEN = 0.9  # how much of the wavering, in dB, is taken away


def cents_off(samples: Samples, rate: int, hertz: float) -> float:
    """Give how far a tone's fundamental lies from where it should, in cents, vibrato averaged out; 0 where none is found.

    >>> sine = np.sin(2 * np.pi * 443.0 / 48_000 * np.arange(48_000)).astype(np.float32)
    >>> round(cents_off(sine, 48_000, 440.0), 1)
    11.8
    """
    size = len(samples)
    power = np.square(np.abs(np.fft.rfft(samples * np.hanning(size))))
    bins = np.arange(int(hertz * 2 ** (-_NEAR / 12) * size / rate), int(hertz * 2 ** (_NEAR / 12) * size / rate) + 2)
    near = power[bins]
    if not near.sum() > _FOUND * power.sum():  # nor where nothing sounds at all
        return 0.0
    return float(1200 * np.log2((bins * near).sum() / near.sum() * rate / size / hertz))


def struck(samples: Samples, rate: int) -> Samples:
    """Give a plucked or struck tone from its first sound on.

    >>> struck(np.array([0, 0, 0.5, -0.4, 0.1], np.float32), 48_000).tolist()[0]
    0.5
    """
    size = np.abs(samples[: rate // 2])
    return samples[int(np.argmax(size > _STRUCK * size.max())) :]


def held(samples: Samples, rate: int) -> Samples:
    """Give a bowed or blown tone from where it speaks, its level evened out.

    >>> ramp = np.minimum(np.arange(48_000) / 9_600, 1) * np.sin(np.arange(48_000) / 9)
    >>> tone = held(ramp.astype(np.float32), 48_000)
    >>> levels = [round(float(np.sqrt((tone[at : at + 4_800] ** 2).mean())), 1) for at in (0, 9_600, 24_000)]
    >>> 3_000 < 48_000 - len(tone) < 4_800, levels
    (True, [0.7, 0.7, 0.7])
    """
    window = max(round(_WINDOW * rate), 1)
    count = len(samples) // window
    if count < 2 * _SMOOTH:
        return samples
    power = np.square(samples[: count * window]).reshape(count, window).mean(axis=1)
    steady = float(np.median(power[: rate // (2 * window)][rate // (8 * window) :]))
    if steady <= 0:
        return samples
    first = int(np.argmax(power >= _SPEAKS**2 * steady))
    near = np.pad(power[first:], _SMOOTH // 2, mode="edge")
    level = np.convolve(near, np.full(_SMOOTH, 1 / _SMOOTH), "valid")
    gain = np.maximum(level / steady, 1e-2) ** (-_EVEN / 2)
    tone = samples[first * window :]
    middles = (np.arange(len(gain)) + 0.5) * window
    return np.asarray(tone * np.interp(np.arange(len(tone)), middles, gain).astype(np.float32))
