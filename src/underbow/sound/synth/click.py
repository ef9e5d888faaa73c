"""The wood block: short, with its whole weight in the first sample.

A struck block rings in a few modes that are no multiples of each other and die within hundredths of a second. They all start
as cosines, so that they agree in one sample only, the first; that is the beat, to the sample.

Source: inharmonic, strongly damped modes of a struck wooden bar from memory of Fletcher and Rossing, The Physics of Musical
Instruments; key 76 (high wood block) and 77 (low wood block) from the General MIDI percussion map.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from underbow.sound.synth.ringing import ringing
from underbow.sound.voice.voices import REFERENCE_DB, Action, Samples

HIGH, LOW = 76, 77  # keys of the General MIDI percussion map; any other key sounds low
# Hz, seconds to 1/e, share.
BLOCKS: dict[int, tuple[tuple[float, float, float], ...]] = {
    HIGH: ((1240.0, 0.022, 1.0), (2030.0, 0.012, 0.5), (3270.0, 0.007, 0.35), (5150.0, 0.003, 0.25)),
    LOW: ((830.0, 0.022, 1.0), (1390.0, 0.013, 0.45), (2240.0, 0.007, 0.25), (3900.0, 0.003, 0.15)),
}
SECONDS = 0.16
PEAK_DB = REFERENCE_DB + 12.0  # dBFS of the first sample


class Click:
    """Wood blocks at one rate."""

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._block: Callable[[int], Samples] = lru_cache(maxsize=4)(self._made_block)

    def sounds(self, action: Action) -> Samples:
        """Sound a click: float32, shape (frames,); what it is told of lengths and strings makes no difference."""
        note = action.notes[0]
        return self._block(note.midi if note.midi in BLOCKS else LOW) * np.float32(10.0 ** (note.level / 20))

    def _made_block(self, key: int) -> Samples:
        frequencies, decays, shares = np.array(BLOCKS[key]).T
        frames = int(SECONDS * self.rate)
        block = ringing(frequencies, decays, shares, np.full(len(shares), 0.5 * np.pi), frames=frames, rate=self.rate)
        block *= np.minimum((frames - 1 - np.arange(frames)) / (0.02 * self.rate), 1.0)
        # No DC: what little the cosines leave is taken out along a smooth, short curve that is 0 at the first sample.
        time = np.arange(frames) / (0.004 * self.rate)
        balance = time * np.exp(-time)
        block -= balance * (block.sum() / balance.sum())
        block *= 10.0 ** (PEAK_DB / 20) / block[0]
        return np.asarray(block, dtype=np.float32)
