"""How loud a stream is to be played: an estimate, so that the desk sounds as loud as the lesson will."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

import numpy as np

from underbow.desk.hear.passes import Passes, Turn
from underbow.desk.hear.players import Floats, Players, Stretch
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.room import parts_in_room
from underbow.sound.voice.voices import Voice
from underbow.track.sheet.model import Sheet

__all__ = ["USUAL", "estimate"]

USUAL = 1.0  # until it is known better
_MEASURED = 8.0  # seconds from which the gain is estimated
_MOST_GAIN = 8.0


def estimate(
    sheet: Sheet,
    voice: Voice,
    levels: Mapping[str, float | None],
    *,
    passes: Passes | None = None,
) -> float:
    """Estimate the linear gain that brings a pass, its parts at some levels (dB; None: silent), to the sheet's loudness.

    Measured over the first seconds; the parts lie in the middle, which is as loud (see :mod:`underbow.sound.mix`).
    """
    played = (passes or Passes(voice.rate)).whole(sheet, Turn(1))
    begin = played.frame(sheet.melody.full_bars[0].start)
    end = played.at(played.performance.passes[0].end)
    players = Players(len(played.plans), voice)
    players.enter(Stretch(played.plans, begin, end), 0, fade=False)
    block = players.block(min(round(_MEASURED * voice.rate), max(end - begin, voice.rate // 2)))
    factors = [_factor(levels.get(part.name)) for part in played.performance.parts]
    mixed: Floats = np.asarray(np.array(factors, np.float32) @ block, np.float32)
    if sheet.room != "off":
        mixed = np.concatenate(list(parts_in_room([mixed[None]], voice.rate)), axis=1)[0]
    meter = LoudnessMeter(voice.rate, 1)
    meter.add(mixed[:, None])
    loudness = meter.integrated()
    gain = 10 ** ((sheet.loudness - loudness) / 20) if isfinite(loudness) else 1.0
    return float(min(gain, _MOST_GAIN))


def _factor(level: float | None) -> float:
    return 0.0 if level is None else float(10 ** (level / 20))
