"""A small room round the players: early reflections and a short tail, made once for a rate, the same whatever voice sounds.

The room is a box with even walls: each reflection is an image of the player behind them, as far away as its path is long,
weaker by the distance and by what each wall swallows. The images stand a little off their places, or a box would ring. What comes
from the right is stronger on the right, but never the other way round on both sides: added up to one channel, nothing is lost.
It is dull, as walls and air are: it is worked out at about 11,000 frames a second and drawn out.

Source: images of a box: Allen and Berkley, Image method for efficiently simulating small-room acoustics, JASA 65 (1979), from
memory; size, walls and how much of it is heard: our own choice.

Conventions: float32, shape (frames, 2); metres and seconds. The wet sound is late by less than 2 ms, which is part of the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

from underbow.sound.chunks import Chunks

__all__ = ["SECONDS", "in_room", "parts_in_room", "reflections"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

SECONDS = 0.3  # of its response
SIZE, PLAYER, LISTENER = (5.2, 4.3, 2.7), (2.9, 2.5, 1.5), (2.3, 1.6, 1.2)  # m
KEPT = 0.76  # share of a wave, as pressure, that a wall gives back: a room with a carpet and curtains, 0.3 s to fall by 60 dB
LOUD = -4.0  # dB, all reflections together against the sound itself
_SOUND, _STRAY = 343.0, 0.12  # m/s; m by which images stand off their places
_LOW = 11_025  # about, frames a second
_TAPS, _FFT = 8, 8192  # of a filter for each low frame; frames of a transform


@cache
def reflections(rate: float) -> Doubles:
    """Give the reflections without the sound itself, at a low rate.

    Parameters
    ----------
    rate : float
        Frames a second.

    Returns
    -------
    shape (frames, 2)
        What is added left and right of a sound that is the sum of both sides.

    Examples
    --------
    >>> room = reflections(11_025.0)
    >>> len(room), round(10 * float(np.log10((room.sum(axis=1) ** 2).sum())), 1)
    (3307, -4.0)
    """
    frames = int(SECONDS * rate)
    most = [int(SECONDS * _SOUND / (2 * size)) + 2 for size in SIZE]
    lattice = np.meshgrid(*(np.arange(-count, count + 1) for count in most), *[np.arange(2)] * 3, indexing="ij")
    rooms, mirrored = np.stack(lattice[:3]).reshape(3, -1), np.stack(lattice[3:]).reshape(3, -1)
    size, player, listener = (np.array(triple)[:, None] for triple in (SIZE, PLAYER, LISTENER))
    walls = (np.abs(rooms - mirrored) + np.abs(rooms)).sum(axis=0)
    stray = np.random.default_rng(1).uniform(-_STRAY, _STRAY, rooms.shape)
    away = (1 - 2 * mirrored) * player + 2 * rooms * size - listener + stray
    distance = np.sqrt((away * away).sum(axis=0))
    direct = float(np.sqrt(((player - listener) ** 2).sum()))
    place = (distance - direct) / _SOUND * rate
    used = (walls > 0) & (place > 0) & (place < frames - 2)
    place, gain, side = place[used], (KEPT**walls / distance)[used], 0.8 * (away[0] / distance)[used]
    out, first = np.zeros((frames, 2)), place.astype(np.int64)
    for frame, share in ((first, 1 - (place - first)), (first + 1, place - first)):
        for channel, lean in enumerate((1 - side, 1 + side)):
            out[:, channel] += np.bincount(frame, 0.5 * gain * share * lean, frames)
    out *= np.minimum((frames - np.arange(frames)) / (0.2 * frames), 1.0)[:, None]
    return np.asarray(out * 10 ** (LOUD / 20) / np.sqrt((out.sum(axis=1) ** 2).sum()))


def in_room(blocks: Iterable[Floats], rate: int) -> Iterator[Floats]:
    """Put a stream into the room: as many frames come out, in blocks of other sizes, whose sizes change nothing.

    Examples
    --------
    >>> click = np.zeros((30_000, 2), np.float32)
    >>> click[0] = 1.0
    >>> heard = np.concatenate(list(in_room([click[:999], click[999:]], 44_100)))
    >>> heard.shape, heard[0].tolist(), bool(np.abs(heard[100:2000]).max() > 0.01)
    ((30000, 2), [1.0, 1.0], True)
    """
    room, frames = _Wet(rate), 0
    chunks = Chunks(room.size, (2,))
    for block in blocks:
        frames += len(block)
        for chunk in chunks.add(block):
            yield room.added(chunk)
    if chunks.filled:
        left = chunks.filled
        yield room.added(chunks.rest())[:left]


def parts_in_room(blocks: Iterable[Floats], rate: int) -> Iterator[Floats]:
    """Put parts that stay apart into the room, each one channel: blocks of shape (parts, frames), of other sizes.

    Added up they are what the room makes of their sum, as heard in one channel.
    """
    rooms: list[_Wet] = []
    chunks = Chunks(1, ())
    for block in blocks:
        if not rooms:
            rooms = [_Wet(rate) for _ in block]
            chunks = Chunks(rooms[0].size if rooms else 1, (len(block),))
        for chunk in chunks.add(np.ascontiguousarray(block.T)):
            yield _each(rooms, chunk)
    if chunks.filled:
        left = chunks.filled
        yield _each(rooms, chunks.rest())[:, :left]


def _each(rooms: list[_Wet], chunk: Floats) -> Floats:
    half = [np.repeat(part[:, None], 2, axis=1) * np.float32(0.5) for part in chunk.T]
    return np.array([room.added(sides).sum(axis=1) for room, sides in zip(rooms, half, strict=True)], np.float32)


class _Wet:
    """The reflections of a stream, chunk by chunk."""

    def __init__(self, rate: int) -> None:
        every = self._every = max(round(rate / _LOW), 1)
        response = reflections(rate / every)
        self._past = len(response)
        self.size = (_FFT - self._past) * every
        self._spectra = np.fft.rfft(response.T.astype(np.float32), _FFT)
        taps = np.arange(_TAPS * every) - (_TAPS * every - 1) / 2
        filter_ = np.sinc(0.8 * taps / every) * np.hanning(len(taps) + 2)[1:-1]
        self._filter: Floats = (filter_ / filter_.sum()).astype(np.float32)
        self._high: Floats = np.zeros(_TAPS * every, np.float32)
        self._low: Floats = np.zeros(_FFT, np.float32)
        self._wet: Floats = np.zeros((2, _TAPS - 1), np.float32)

    def added(self, chunk: Floats) -> Floats:
        """Give a chunk with what the room adds to it."""
        every, count = self._every, len(chunk) // self._every
        high = np.concatenate((self._high, chunk[:, 0] + chunk[:, 1]))
        self._high = high[-_TAPS * every :]
        # Row by row in one piece: numpy is many times quicker so than across rows.
        rows = np.ascontiguousarray(high.reshape(-1, every).T)
        low, once = np.zeros(count, np.float32), np.empty(count, np.float32)
        for tap, weight in enumerate(self._filter):
            back, row = divmod(_TAPS * every - tap, every)
            low += np.multiply(rows[row, back:][:count], weight, out=once)
        self._low = np.concatenate((self._low[count:], low))
        late = np.fft.irfft(self._spectra * np.fft.rfft(self._low), _FFT)[:, -count:]
        wet: Floats = np.concatenate((self._wet, late.astype(np.float32)), axis=1)
        self._wet = wet[:, -(_TAPS - 1) :]
        out = chunk.copy()
        for channel, heard in enumerate(wet):
            for row in range(every):
                low[:] = 0
                for tap, weight in enumerate(self._filter[row::every] * np.float32(every)):
                    low += np.multiply(heard[_TAPS - 1 - tap :][:count], weight, out=once)
                out[row::every, channel] += low
        return out
