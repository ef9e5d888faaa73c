"""Melody voices without a bow: a flute, a free reed, and a plain tone that leaves nothing to hear but the tune.

Sources: a flute's tone of few partials, its breath noise, and a vibrato that is more of loudness and colour than of pitch, from
memory of Fletcher and Rossing, The Physics of Musical Instruments, as are the many partials of a free reed; the plain tone is our
own choice.
"""

from __future__ import annotations

import numpy as np

from underbow.sound.synth.legato import Style
from underbow.sound.synth.sustained import Character
from underbow.sound.voice.voices import Floats

_FLUTE = np.array([1.0, 0.42, 0.26, 0.11, 0.06, 0.03, 0.012])
_SOFT_FLUTE = np.array([1.0, 0.2, 0.07, 0.02, 0.008, 0.003, 0.001])


def _flute(frequencies: Floats, _string: int) -> tuple[Floats, Floats]:
    # The higher the note, the purer: the bore carries little above 3 kHz.
    dull = 1.0 / (1.0 + (frequencies / 3000.0) ** 2)
    count = min(len(frequencies), len(_FLUTE))
    return _FLUTE[:count] * dull[:count], _SOFT_FLUTE[:count] * dull[:count]


def _reed(frequencies: Floats, _string: int) -> tuple[Floats, Floats]:
    order = np.arange(1, len(frequencies) + 1)
    even = np.where(order % 2, 1.0, 0.7)
    hard, soft = (even / (order**0.8 * (1.0 + (frequencies / corner) ** 2)) for corner in (3200.0, 1500.0))
    return hard, soft


def _plain(frequencies: Floats, _string: int) -> tuple[Floats, Floats]:
    order = np.arange(1, min(len(frequencies), 6) + 1)
    return order**-1.6, order**-2.4


FLUTE = Character(
    style=Style(
        rise=(0.06, 0.025), bite=(0.0, 0.25), down=0.0, tilt=0.0, swell=2.0, joined=0.02, lifted=0.04, settle=20.0,
        vibrato=(5.0, 4.8), tremor=1.3, flutter=0.03,
    ),
    spectrum=_flute,
    hiss=(0.02, 0.03),
    scratch=(0.03, 0.12),
    scratch_decay=0.022,
    band=(700.0, 6000.0, -2.0),
)  # fmt: skip
REED = Character(
    style=Style(
        rise=(0.05, 0.022), bite=(0.0, 0.2), down=0.0, tilt=0.0, swell=1.5, joined=0.014, lifted=0.03, settle=6.0,
        vibrato=(2.0, 4.5), tremor=0.8, wander=0.5, flutter=0.015,
    ),
    spectrum=_reed,
    hiss=(0.006, 0.01),
    scratch=(0.01, 0.04),
    scratch_decay=0.015,
    band=(700.0, 6000.0, -2.0),
)  # fmt: skip
PLAIN = Character(
    style=Style(
        rise=(0.012, 0.006), bite=(0.0, 0.3), down=0.0, tilt=0.0, swell=0.0, surge=0.4, joined=0.012, lifted=0.03, settle=0.0,
        vibrato=(0.0, 5.0), wander=0.0, flutter=0.0,
    ),
    spectrum=_plain,
    hiss=(0.0, 0.0),
    scratch=(0.0, 0.0),
    scratch_decay=0.01,
    band=(700.0, 6000.0, 0.0),
)  # fmt: skip
