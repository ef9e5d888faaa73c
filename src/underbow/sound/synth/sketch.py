"""A sketch of the fiddle from wave tables, alone or on two strings at once.

A string under the bow moves as Helmholtz saw it: one corner runs round, and the force on the bridge is a sawtooth whose
partials fall as 1/n, the corner rounded the more the softer and slower the bow. The bridge hands the force to the body
(:mod:`underbow.sound.synth.body`), which colours tone and bow noise alike and rings on when the bow is gone.

Sources, from memory: Helmholtz motion and corner rounding from Cremer, The Physics of the Violin; flattening under bow force
from McIntyre and Woodhouse; vibrato of 5 to 6 Hz and about 15 cents to each side common practice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from underbow.sound.synth.body import VIOLIN
from underbow.sound.synth.legato import Style
from underbow.sound.synth.sustained import Character
from underbow.sound.voice.voices import Floats

# Hz at which the corner of the string's motion is rounded: pressed hard, and barely driven; lowest string first.
BRIGHT, DARK = (3400.0, 3900.0, 4600.0, 5600.0), (700.0, 900.0, 1200.0, 1700.0)
STYLE = Style()
# Backing up, every stroke stands apart from the one before, a soft one after a loud one too.
BACKING = replace(STYLE, early=0.028, joined=0.008, rise=(0.026, 0.012))
STEADY = Style(
    rise=(0.12, 0.12),
    bite=(0.0, 0.0),
    tilt=0.0,
    swell=0.0,
    surge=0.0,
    joined=0.05,
    lifted=0.12,
    settle=0.0,
    vibrato=(0.0, 5.5),
    flutter=0.02,
)


def spectrum(frequencies: Floats, string: int) -> tuple[Floats, Floats]:
    """Give the force's partials under a hard bow and a light one, shape (partials,) each.

    Parameters
    ----------
    frequencies : shape (partials,)
        Hz, multiples of the first.
    string : int
        0 the lowest.

    Examples
    --------
    >>> hard, light = spectrum(np.array([440.0, 880.0, 1320.0]), 2)
    >>> (light / light[0]).round(2).tolist(), (hard / hard[0]).round(2).tolist()
    ([1.0, 0.32, 0.12], [1.0, 0.48, 0.3])
    """
    order = np.arange(1, len(frequencies) + 1)
    place = min(string, len(BRIGHT) - 1)
    hard, light = (
        1.0 / (order * (1.0 + (frequencies / corner) ** 2) ** 1.5) for corner in (BRIGHT[place], DARK[place])
    )
    return hard, light


def fiddle(strings: tuple[int, ...], seed: int = 1, style: Style = STYLE) -> Character:
    """Give a fiddle with its open strings as MIDI numbers; another seed is another fiddle."""
    steady = style is STEADY
    return Character(
        style=style,
        spectrum=spectrum,
        hiss=(0.01, 0.01) if steady else (0.014, 0.03),
        scratch=(0.0, 0.0) if steady else (0.12, 0.36),
        scratch_decay=0.016,
        band=(900.0, 9000.0, -1.5),
        body=VIOLIN,
        seed=seed,
        strings=strings,
    )
