"""From stems to finished files of one mix: gain, limiter, a last look at the levels, and every format side by side.

What comes out is measured while it is written. Where the limiter took so much that the loudness is off, the files don't get
their names and the mix is made again with another gain.

Conventions: float32, shape (frames, channels), full scale 1; loudness in LUFS, true peak in dBTP, gains in dB.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from math import inf, isfinite
from pathlib import Path
from threading import Event

import numpy as np
from numpy.typing import NDArray

from underbow.sound.fan import BrokenOffError, fan_out
from underbow.sound.files.encode import Bits, Encoded, Format, Tags, encode
from underbow.sound.files.report import MadeFile, figure
from underbow.sound.mastering.limiter import Limiter
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.stems import Stems

__all__ = ["Finish", "Master", "Wanted", "loudnesses"]

Floats = NDArray[np.float32]

CEILING = -1.0
TOLERANCE = 0.1  # LU between the target and what comes out
MOST_LIMITING = 6.0  # dB off the highest peak; more would spoil the sound rather than make it louder
# LU that the limiter may take: where it takes more, it is the music that is limited, and its accents go.
MOST_EATEN = 0.5
TRIES = 5


class _MissedError(Exception):
    """The loudness is off by more than the tolerance, and another gain will do better."""


@dataclass(frozen=True, slots=True)
class Finish:
    """How the files of a render are to be.

    Parameters
    ----------
    rate : int
    frames : int
        Length of the sound.
    bits : {16, 24, "float"}
    target : float
        LUFS.
    mono : bool
        Whether mp3 and ogg files get one channel, the mean of both: as loud from two loudspeakers, half as large.
    """

    rate: int
    frames: int
    bits: Bits
    target: float
    mono: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    """The files of one mix (or one stem).

    Parameters
    ----------
    paths : dict of Format to Path
        The final names.
    loudness : float
        LUFS of the sound before any gain; minus infinity for silence.
    kind, name : str
        As in :class:`underbow.sound.files.report.MadeFile`.
    channels : int
    gain : float, optional
        Keep to this gain, in dB, instead of reaching the target.
    tags : Tags, optional
    """

    paths: dict[Format, Path]
    loudness: float = -inf
    kind: str = "audio"
    name: str = ""
    channels: int = 2
    gain: float | None = None
    tags: Tags | None = None


class Master:
    """One mix (or one stem) on its way to its files.

    Parameters
    ----------
    finish : Finish
    wanted : Wanted
    sound : callable
        Takes the stems' blocks, gives the sound's.
    """

    def __init__(self, finish: Finish, wanted: Wanted, sound: Callable[[Iterable[Floats]], Iterator[Floats]]) -> None:
        self._finish, self._wanted, self._sound = finish, wanted, sound
        self.name, self._loudness, self._capped = wanted.name, wanted.loudness, False
        self._fixed = wanted.gain is not None or not isfinite(wanted.loudness)
        gain = finish.target - wanted.loudness if isfinite(wanted.loudness) else 0.0
        self._gain = round(gain if wanted.gain is None else wanted.gain, 2)
        self._tries: list[tuple[float, float]] = []
        self._levels = (-inf, -inf)
        self._judged, self._good = Event(), Event()
        self.told = ""

    def run(self, blocks: Iterator[Floats], *, alone: bool = False) -> list[MadeFile]:
        """Make the files from the stems' blocks; an empty list asks to be run again from the start.

        Where it runs ``alone``, not beside others, files are written in threads of their own.
        """
        limiter = Limiter(self._finish.rate, self._wanted.channels, gain=self._gain, ceiling=CEILING)
        self._good.clear()
        self._judged.clear()
        first, *others = self._wanted.paths
        lanes = [self._encoder(first, partial(self._judge, limiter))]
        lanes += [self._encoder(kind, self._until_judged) for kind in others]
        try:
            written = fan_out(limiter.run(self._sound(blocks)), lanes, apart=alone)
        except _MissedError:
            return []
        lufs, dbtp = map(figure, self._levels)
        seconds, rate = self._finish.frames / self._finish.rate, self._finish.rate
        return [
            MadeFile(str(file.path), self._wanted.kind, self.name, rate, file.frames, seconds, lufs, dbtp)
            for file in written
        ]

    def _encoder(
        self, format: Format, heard: Callable[[Iterator[Floats]], Iterator[Floats]]
    ) -> Callable[[Iterator[Floats]], Encoded]:
        def run(blocks: Iterator[Floats]) -> Encoded:
            channels, sound = self._wanted.channels, heard(blocks)
            if self._finish.mono and format in {"mp3", "ogg"}:
                channels, sound = 1, (block.mean(axis=1, keepdims=True, dtype=np.float32) for block in sound)
            try:
                return encode(
                    self._wanted.paths[format],
                    sound,
                    rate=self._finish.rate,
                    format=format,
                    bits=self._finish.bits if format in {"wav", "flac"} else 16,
                    channels=channels,
                    tags=self._wanted.tags,
                    frames_expected=self._finish.frames,
                )
            finally:
                self._judged.set()  # a file that failed judges no more, and nobody shall wait for it

        return run

    def _until_judged(self, sound: Iterator[Floats]) -> Iterator[Floats]:
        """Pass the sound on, but let no file be finished before the judge has spoken."""
        yield from sound
        self._judged.wait()
        if not self._good.is_set():
            raise BrokenOffError

    def _judge(self, limiter: Limiter, sound: Iterator[Floats]) -> Iterator[Floats]:
        """Pass the finished sound on and measure it; decide at its end whether it may stay."""
        meter = LoudnessMeter(self._finish.rate, self._wanted.channels)
        for block in sound:
            meter.add(block)
            yield block
        self._levels = (meter.integrated(), limiter.true_peak())
        if not self._fixed:
            self._weigh(self._levels[0], limiter.deepest)
        self._good.set()
        self._judged.set()

    def _weigh(self, lufs: float, deepest: float) -> None:
        """Let the sound pass, or find the next gain and raise."""
        self._tries.append((self._gain, lufs))
        step = self._finish.target - lufs
        eaten = self._loudness + self._gain - lufs - MOST_EATEN
        if eaten > TOLERANCE and len(self._tries) < TRIES:
            self._capped = True
            self._gain = round(self._gain - 1.5 * eaten, 2)
            raise _MissedError
        if abs(step) <= TOLERANCE:
            return
        self.told = f"{self.name}: its peaks allow {lufs:.1f} LUFS, not {self._finish.target:g}"
        if self._capped or len(self._tries) >= TRIES:
            return
        if len(self._tries) > 1:
            # The limiter eats a part of every further dB: the last step tells which.
            (gain, was), risen = self._tries[-2], lufs - self._tries[-2][1]
            step *= min(max((self._gain - gain) / risen, 1.0), 4.0) if lufs != was else 1.0
        wanted = round(min(self._gain + step, self._gain + MOST_LIMITING + deepest), 2)
        if wanted == self._gain:
            return
        self._gain, self.told = wanted, ""
        raise _MissedError


def loudnesses(stems: Stems, mixers: Sequence[Mixer], tick: Callable[[int], None]) -> list[float]:
    """Measure how loud each mix is before any gain, each by itself: what else is asked for must not change its bytes.

    Parameters
    ----------
    stems : Stems
    mixers : sequence of Mixer
    tick : callable
        Told the frames done.

    Returns
    -------
    list of float
        LUFS, minus infinity for silence.
    """
    if not mixers:
        return []

    def listener(mixer: Mixer) -> Callable[[Iterator[Floats]], float]:
        def listen(blocks: Iterator[Floats]) -> float:
            meter = LoudnessMeter(stems.rate, 2)
            for block in mixer.mixed(blocks):
                meter.add(block)
            return meter.integrated()

        return listen

    return fan_out(ticking(stems.blocks(), tick), [listener(mixer) for mixer in mixers], apart=False)


def ticking(blocks: Iterable[Floats], tick: Callable[[int], None]) -> Iterator[Floats]:
    """Pass blocks of stems on, telling the frames that each had.

    >>> told = []
    >>> len(list(ticking([np.zeros((4, 100), np.float32), np.zeros((4, 7), np.float32)], told.append))), told
    (2, [100, 7])
    """
    for block in blocks:
        yield block
        tick(block.shape[1])
