"""A tone: one key held on some instrument: where it begins, and how to even out its level.

Instruments in a SoundFont bank speak slowly (a low fiddle string takes a tenth of a second) and waver as they were recorded. A
bow stroke has a shape of its own to give, so its tones begin where they speak, and their level is brought near a
straight line; their colour and noise stay. Pitch is put right in :mod:`underbow.sound.soundfont.pitch`.

Conventions: float32, mono. Thresholds and times: common practice by ear and eye, no source.
"""

from __future__ import annotations

import numpy as np

from underbow.sound.voice.voices import Samples

__all__ = ["held", "struck"]

_SPEAKS, _STRUCK = 0.4, 0.03  # where a tone begins: of its steady RMS, of its highest sample
_WINDOW = 0.008  # seconds over which a level is looked at
_SMOOTH = 5  # windows
_EVEN = 0.9  # how much of the wavering, in dB, is taken away


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
