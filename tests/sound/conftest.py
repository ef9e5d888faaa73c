"""An ear: what the tests of voices measure, by scipy and librosa, none of it by our own synthesis."""

from __future__ import annotations

import librosa
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner


class Ear:
    """Measurements on samples at 44,100 frames a second."""

    rate = 44_100

    def note(self, at: float, seconds: float, midi: int, level: float = 0.0, string: int | None = None) -> ActionNote:
        return ActionNote(round(at * self.rate), round(seconds * self.rate), midi, level, string)

    def stroke(
        self, *notes: ActionNote, bow: str = "d", accent: int = 7, joined: bool = False, solo: bool = False
    ) -> Action:
        return Action(Manner.BOW, notes, bow=bow, accent=accent, joined=joined, solo=solo, program=40)

    def cut(self, samples: NDArray[np.floating], start: float, end: float) -> NDArray[np.float64]:
        return samples[round(start * self.rate) : round(end * self.rate)].astype(float)

    def db(self, samples: NDArray[np.floating]) -> float:
        return float(10 * np.log10(np.mean(samples.astype(float) ** 2) + 1e-30))

    def cents(
        self, samples: NDArray[np.floating], midi: int, concert_pitch: float = 440.0, rate: int | None = None
    ) -> float:
        """Median over the first five partials' spectral peaks, in cents from equal temperament (ISO 16 for A4)."""
        rate = rate or self.rate
        expected = concert_pitch * 2 ** ((midi - 69) / 12)
        size = 1 << 19
        spectrum = np.log(np.abs(np.fft.rfft(samples * signal.windows.hann(len(samples)), size)) + 1e-12)
        found = []
        for partial in range(1, 6):
            low, high = (int(expected * partial * 2 ** (c / 1200) * size / rate) for c in (-60, 60))
            top = low + int(np.argmax(spectrum[low : high + 1]))
            before, here, after = spectrum[top - 1 : top + 2]
            found.append((top + 0.5 * (before - after) / (before - 2 * here + after)) * rate / size / partial)
        return float(1200 * np.log2(np.median(found) / expected))

    def track(self, samples: NDArray[np.floating], low: float, high: float) -> NDArray[np.float64]:
        """Pitch in Hz every 256 frames, by the YIN algorithm of librosa."""
        return librosa.yin(
            samples.astype(np.float64), fmin=low, fmax=high, sr=self.rate, frame_length=2048, hop_length=256
        )

    def flux(self, samples: NDArray[np.floating]) -> NDArray[np.float64]:
        """Spectral flux: rises of the log spectrum summed over frequency, every 128 frames."""
        spectrum = np.log1p(1000 * np.abs(librosa.stft(samples.astype(np.float32), n_fft=1024, hop_length=128)))
        return np.maximum(np.diff(spectrum, axis=1, prepend=spectrum[:, :1]), 0).sum(axis=0)

    def flux_at(self, samples: NDArray[np.floating], seconds: float) -> float:
        middle = int(seconds * self.rate / 128)
        return float(self.flux(samples)[max(middle - 6, 0) : middle + 10].max())

    def centroid(self, samples: NDArray[np.floating]) -> float:
        power = np.abs(np.fft.rfft(samples)) ** 2
        return float((power * np.fft.rfftfreq(len(samples), 1 / self.rate)).sum() / power.sum())


@pytest.fixture(scope="session")
def ear() -> Ear:
    return Ear()
