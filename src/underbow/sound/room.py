"""A small room round the players: early reflections and a short tail, made once for a rate, the same whatever voice sounds.

The room is a box with even walls: each reflection is an image of the player behind them, as far away as its path is long,
weaker by the distance and by what each wall swallows. The images stand a little off their places, or a box would ring. What comes
from the right is stronger on the right, but never the other way round on both sides: added up to one channel, nothing is lost.
It is dull, as walls and air are: it is worked out at a half, a quarter or an eighth of the rate, about 11,000 frames a second.
The way there and back goes by halves: a filter of half a band has a zero for every second tap, and where little is left
above, few taps do.

Source: images of a box: Allen and Berkley, Image method for efficiently simulating small-room acoustics, JASA 65(4), 1979,
pp. 943-950; size, walls and how much of it is heard: our own choice.

Conventions: float32, shape (frames, 2); metres and seconds. The wet sound is late by less than 2 ms, which is part of the way.
Rows are worked on in one piece each: numpy is many times quicker along rows than across.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
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
_LOW = 10_500  # frames a second, at least
_FFT = 32_768  # frames of a transform; of those tried, the quickest for a frame
_DEEP = 60.0  # Hz below which it gives nothing back: there all images would add up, as no room's do
_DULL, _SLOPE = 3850.0, 3200.0  # Hz where the room is 6 dB weaker, and in which it goes down


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
    room = _Wet(rate, reflections)
    chunks = Chunks(room.size, (2,))
    for block in blocks:
        for chunk in chunks.add(block):
            yield room.round(chunk)
    if chunks.filled:
        yield room.round(chunks.rest())[: chunks.filled]


def parts_in_room(blocks: Iterable[Floats], rate: int) -> Iterator[Floats]:
    """Put parts that stay apart into the room, each one channel: blocks of shape (parts, frames), of other sizes.

    Added up they are what the room makes of their sum, as heard in one channel.
    """
    rooms: list[_Wet] = []
    chunks = Chunks(1, ())
    for block in blocks:
        if not rooms:
            rooms = [_Wet(rate, _added_up) for _ in block]
            chunks = Chunks(rooms[0].size if rooms else 1, (len(block),))
        for chunk in chunks.add(np.ascontiguousarray(block.T)):
            yield _each(rooms, chunk)
    if chunks.filled:
        left = chunks.filled
        yield _each(rooms, chunks.rest())[:, :left]


def _each(rooms: list[_Wet], chunk: Floats) -> Floats:
    return np.stack([room.round(part[:, None])[:, 0] for room, part in zip(rooms, chunk.T, strict=True)])


def _added_up(rate: float) -> Doubles:
    """Give the reflections as heard in one channel."""
    return np.asarray(reflections(rate).sum(axis=1, keepdims=True))


class _Wet:
    """The reflections of a stream, chunk by chunk.

    Parameters
    ----------
    rate : int
        Frames a second.
    response : callable
        Gives the reflections at a rate, shape (frames, channels).

    Attributes
    ----------
    size : int
        Frames of a chunk.
    """

    def __init__(self, rate: int, response: Callable[[float], Doubles]) -> None:
        halvings = int(np.log2(rate / _LOW))
        taps = response(rate / 2**halvings)
        self._hop = _FFT - len(taps)
        self.size = self._hop << halvings
        hertz = np.fft.rfftfreq(_FFT, 2**halvings / rate)
        way = np.clip((hertz - _DULL) / _SLOPE + 0.5, 0.0, 1.0)
        kept = (0.5 + 0.5 * np.cos(np.pi * way)) * hertz / (hertz - 1j * _DEEP)
        taps = np.fft.irfft(np.fft.rfft(taps.T, _FFT) * kept, _FFT)[:, : len(taps)]
        self._spectra = np.fft.rfft(taps, _FFT).astype(np.complex64)
        self._low: Floats = np.zeros(_FFT, np.float32)
        # The nearest to the low rate are the steepest.
        steep = [3 if halving == halvings - 1 else 2 for halving in range(halvings)]
        self._down = [_Halving(pairs) for pairs in steep]
        self._up = [_Doubling(pairs, len(self._spectra)) for pairs in reversed(steep)]

    def round(self, chunk: Floats) -> Floats:
        """Give the next chunk with what the room adds, shape (size, channels)."""
        low: Floats = chunk.sum(axis=1) if chunk.shape[1] != 2 else chunk[:, 0] + chunk[:, 1]  # many times quicker
        for halving in self._down:
            low = halving.of(low)
        self._low = np.concatenate((self._low[self._hop :], low))
        wet: Floats = np.fft.irfft(self._spectra * np.fft.rfft(self._low), _FFT)[:, -self._hop :].astype(
            np.float32, copy=False
        )
        for doubling in self._up[:-1]:
            wet = np.stack(doubling.of(wet), axis=2).reshape(len(wet), -1)
        out = np.empty_like(chunk)
        for first, rows in enumerate(self._up[-1].of(wet)):
            for channel, row in enumerate(rows):
                np.add(chunk[first::2, channel], row, out=out[first::2, channel])
        return out


def _half_band(pairs: int) -> Floats:
    """Give the taps at odd places to one side of the middle, whose own is a half: a sine over its argument under Hann's window.

    >>> [round(float(tap), 3) for tap in _half_band(2)]
    [0.286, -0.036]
    """
    place = 2 * np.arange(pairs) + 1
    taps = np.sin(np.pi / 2 * place) / (np.pi * place) * np.cos(np.pi / 2 * place / (2 * pairs + 1)) ** 2
    return np.asarray(taps * 0.25 / taps.sum(), np.float32)


class _Halving:
    """Half as many frames of a stream."""

    def __init__(self, pairs: int) -> None:
        self._taps, self._past = _half_band(pairs), np.zeros(4 * pairs - 2, np.float32)

    def of(self, frames: Floats) -> Floats:
        """Give the next: shape (frames,) in, half of it out."""
        pairs, count = len(self._taps), len(frames) // 2
        joined = np.concatenate((self._past, frames))
        self._past = joined[len(frames) :].copy()
        out: Floats = joined[2 * pairs - 1 :: 2][:count] * np.float32(0.5)
        return _spread(out, np.ascontiguousarray(joined[::2]), self._taps)


class _Doubling:
    """Twice as many frames of a stream of rows."""

    def __init__(self, pairs: int, rows: int) -> None:
        self._taps, self._past = 2 * _half_band(pairs), np.zeros((rows, 2 * pairs - 1), np.float32)

    def of(self, rows: Floats) -> tuple[Floats, Floats]:
        """Give those at even places and those at odd ones: shape (rows, frames) in, the same twice out."""
        pairs, count = len(self._taps), rows.shape[1]
        joined = np.concatenate((self._past, rows), axis=1)
        self._past = joined[:, count:].copy()
        return joined[:, pairs - 1 :][:, :count], _spread(np.zeros_like(rows), joined, self._taps)


def _spread(out: Floats, frames: Floats, taps: Floats) -> Floats:
    """Add to each frame what lies round it, weighted, in pairs from the middle on."""
    pairs, count = len(taps), out.shape[-1]
    pair = np.empty_like(out)
    for place, tap in enumerate(taps):
        before, after = frames[..., pairs - 1 - place :], frames[..., pairs + place :]
        np.add(before[..., :count], after[..., :count], out=pair)
        np.multiply(pair, tap, out=pair)
        out += pair
    return out
