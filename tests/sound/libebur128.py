"""libebur128, through pyebur128: a meter that is not ours."""

from __future__ import annotations

import sys

import numpy as np
import pytest

HERE = sys.version_info < (3, 13)
needed = pytest.mark.skipif(not HERE, reason="pyebur128 0.1.1 has wheels for 3.11 and 3.12 only")


def integrated(sound: np.ndarray, rate: int) -> float:
    """Give the loudness of sound, shape (frames, channels), in LUFS."""
    import pyebur128  # noqa: PLC0415

    state = pyebur128.R128State(sound.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(sound.astype(np.float64).ravel(), len(sound))
    return float(pyebur128.get_loudness_global(state))


def true_peak(sound: np.ndarray, rate: int) -> float:
    """Give the true peak of sound, shape (frames, channels), in dBTP, interpolated fourfold."""
    import pyebur128  # noqa: PLC0415

    state = pyebur128.R128State(sound.shape[1], rate, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(sound.astype(np.float64).ravel(), len(sound))
    return float(20 * np.log10(max(pyebur128.get_true_peak(state, channel) for channel in range(sound.shape[1]))))
