"""The melody from a player's recording: each pass stretched to the tempo map, as loud as the instrument whose place it takes."""

from __future__ import annotations

import tempfile
from bisect import bisect_right
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from underbow.sound.stretch import Stretcher
from underbow.sound.voice.voices import REFERENCE_DB, frame_of
from underbow.track.performance import Performance
from underbow.track.recorded import Line, Recorded, lines

__all__ = ["RecordedMelody", "resampled"]

Floats = NDArray[np.float32]

_LEAD, _FADE, _RING = (
    0.06,
    0.04,
    1.2,
)  # seconds: before a first note; coming in and going out; that the last note may ring
_BLOCK = 1 << 16


class RecordedMelody:
    """A recording laid on a performance.

    Parameters
    ----------
    performance : Performance
        Its :attr:`~underbow.track.performance.Performance.recorded` is there.
    rate : int
        Frames a second.

    Attributes
    ----------
    sound : float32 array, shape (frames,)
        The recording at this rate.
    frames : int
        Where it is over.
    """

    def __init__(self, performance: Performance, rate: int) -> None:
        recorded = performance.recorded
        if recorded is None:
            raise ValueError("a performance without a recording")
        timeline = performance.timeline
        self.rate = rate
        self._lines = lines(recorded, performance.tempo, timeline.starts, timeline.lengths)
        self._begins = [line.track[0] for line in self._lines]
        self._ways = [(np.array(line.track), np.array(line.tape)) for line in self._lines]
        self.sound = _at_rate(recorded, rate)
        self._gain = 10 ** ((REFERENCE_DB + _usual_level(performance) - recorded.level) / 20)
        last = self._lines[-1].track[-1] + _RING if self._lines else 0.0
        self.frames = frame_of(last, rate)

    def blocks(self) -> Iterator[Floats]:
        """Give the melody from the start, in pieces of some 30 ms, for ever; silence where it doesn't play."""
        stretcher = Stretcher(self.sound, self.rate, self.place)
        while True:
            yield stretcher.grain()

    def place(self, frame: float) -> tuple[float, float] | None:
        """Give the frame of the recording, and its gain, for a frame of the track; None where it doesn't play."""
        second = frame / self.rate
        at = bisect_right(self._begins, second) - 1
        line = self._lines[at] if at >= 0 else None
        if line is not None and second < line.track[-1]:
            return self._on(at, second)
        following = self._lines[at + 1] if at + 1 < len(self._lines) else None
        if following is not None and not following.joined and second >= following.track[0] - _LEAD:
            tape = following.tape[0] - (following.track[0] - second)
            return tape * self.rate, self._gain * _ramp((second - following.track[0] + _LEAD) / _FADE)
        if line is not None:
            return self._ringing(line, second)
        return None

    def _on(self, at: int, second: float) -> tuple[float, float]:
        line = self._lines[at]
        tape = float(np.interp(second, *self._ways[at]))
        gain = 1.0 if line.joined else _ramp((second - line.track[0] + _LEAD) / _FADE)
        return tape * self.rate, self._gain * gain

    def _ringing(self, line: Line, second: float) -> tuple[float, float] | None:
        """What rings on after a last bar."""
        room = min(line.rings_to - line.tape[-1], _RING)
        after = second - line.track[-1]
        if after >= room:
            return None
        return (line.tape[-1] + after) * self.rate, self._gain * _ramp((room - after) / max(room * 0.8, _FADE))


def _ramp(share: float) -> float:
    """From 0 to 1, softly.

    >>> _ramp(-1.0), _ramp(0.5), _ramp(2.0)
    (0.0, 0.5, 1.0)
    """
    return round(float(0.5 - 0.5 * np.cos(np.pi * min(max(share, 0.0), 1.0))), 12)


def _usual_level(performance: Performance) -> float:
    """Mean power of the melody as its instrument would play it, dB."""
    power = length = 0.0
    for gesture in performance.part("melody").gestures:
        held = float(gesture.end - gesture.start)
        power += held * 10 ** (gesture.top / 10)
        length += held
        if length > 400:  # quarters: the passes are alike
            break
    return float(10 * np.log10(power / length)) if length else 0.0


def resampled(sound: Floats, rate: int, wanted: int) -> Iterator[Floats]:
    """Give a recording's samples at another rate, in pieces.

    Parameters
    ----------
    sound : float32 array, shape (frames,)
        May be a memory map.
    rate, wanted : int
        Frames a second.
    """
    if rate == wanted:
        yield from (np.asarray(sound[begin : begin + _BLOCK]) for begin in range(0, len(sound), _BLOCK))
        return
    import soxr  # noqa: PLC0415  an extra, and there wherever a recording could be read

    stream = soxr.ResampleStream(rate, wanted, 1, dtype="float32")
    for begin in range(0, len(sound), _BLOCK):
        last = begin + _BLOCK >= len(sound)
        yield stream.resample_chunk(np.asarray(sound[begin : begin + _BLOCK]), last=last)


def _at_rate(recorded: Recorded, rate: int) -> Floats:
    """The recording's samples at a rate, through a file without a name, so that it takes no memory."""
    sound: Floats = np.memmap(recorded.samples, np.float32, "r")
    if rate == recorded.rate:
        return sound
    with tempfile.TemporaryFile(dir=recorded.samples.parent) as file:
        for piece in resampled(sound, recorded.rate, rate):
            file.write(piece.tobytes())
        file.flush()
        return np.memmap(file, np.float32, "r")
