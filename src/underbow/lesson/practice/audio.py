"""The practice page's audio: every part of every tempo once, as short MP3 pieces that a phone decodes as it needs them.

The page mixes, so it carries parts (melody, backup, rhythm, a drone), each alone and at one common gain; the click it makes.
What is carried lies one behind the other on a *strip*: of passes that are played alike only one. The strip is cut into
pieces that overlap a little, so that one can be faded into the next.

MP3 adds a lag, and browsers differ in how much of it they take away again: up to a tenth of a second, far more than an eye
lets pass. So each piece has a short knock at a known place before its music. It is never heard: the page looks for it in what
the browser decoded, and counts frames from there.

Sizes: in a page bytes cost a third more. The bit rate follows from the length, between 64 and 48 kbit/s a part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from io import BytesIO
from itertools import groupby
from math import isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from underbow.errors import InputError
from underbow.files.workplace import scratch
from underbow.sound.choose import choose_voice
from underbow.sound.fan import fan_out
from underbow.sound.files.mp3 import write_mp3
from underbow.sound.mastering.limiter import Limiter
from underbow.sound.mastering.master import loudnesses, ticking
from underbow.sound.mix import Mixer, is_heard
from underbow.sound.room import parts_in_room
from underbow.sound.stems import Stems
from underbow.sound.voice.tape import sounding_once
from underbow.sound.voice.voices import Voice, frame_of
from underbow.track.mixes import Mix
from underbow.track.performance import Pass, Performance

RATE = 24_000
LEAD = 0.3  # seconds before the music of a piece
KNOCK = 0.1  # where the middle of the knock lies
PIECE = 10 * RATE  # frames of the strip in a piece
OVER = RATE // 20  # frames that a piece has more at both ends
MOST_MINUTES = 30  # of a page
_RATES = (64, 56, 48)  # kbit/s
_BUDGET = 7_600_000  # bytes of all parts, where 48 kbit/s allow it
_AROUND = RATE // 10  # frames carried before and after a pass that stands alone
_TAIL = 3 * RATE // 2  # frames that the end may ring
_CEILING = -1.5  # dBTP; a coarse MP3 swings a little over what it was given
_MADE_BY_THE_PAGE = ("click", "tuning")

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class PageAudio:
    """What a page carries.

    Parameters
    ----------
    parts : dict of str to tuple of bytes
        For each part its pieces: MP3, mono, 24,000 Hz.
    places : tuple of int
        For each pass the frame of the strip where it begins.
    frames : int
        Length of the strip.
    gain : float
        dB that every part was raised by, so that the first mix is as loud as asked.
    trims : dict of str to float
        For each mix the dB that are left to make it as loud as the first.
    """

    parts: dict[str, tuple[bytes, ...]]
    places: tuple[int, ...]
    frames: int
    gain: float
    trims: dict[str, float] = field(default_factory=dict)


def page_audio(
    performance: Performance,
    mixes: Sequence[Mix],
    *,
    voices: str = "auto",
    soundfont: Path | None = None,
    kept: bool = True,
    loudness: float = -16.0,
    progress: Callable[[float], None] | None = None,
) -> PageAudio:
    """Make the audio of a practice page.

    Parameters
    ----------
    performance : Performance
    mixes : sequence of Mix
        The placings that the page offers; a part that none of them lets be heard isn't carried.
    voices : {"auto", "soundfont", "builtin"}
    soundfont : Path, optional
        A bank the user named.
    kept : bool
        Whether the built-in fiddle's strokes are kept in the user's cache folder, and taken from there.
    loudness : float
        LUFS that the mixes are brought to, as far as their peaks allow.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    PageAudio
        The same performance gives the same bytes.

    Raises
    ------
    InputError
        If the track is too long for a page, or the voice can't be had.
    """
    choice = choose_voice(performance, voices, soundfont=soundfont, rate=RATE, kept=kept)
    with closing(choice), scratch() as folder, sounding_once(choice.voice, folder) as voice:
        return _make(performance, mixes, voice, loudness, progress or (lambda _: None))


def _make(
    performance: Performance, mixes: Sequence[Mix], voice: Voice, loudness: float, tell: Callable[[float], None]
) -> PageAudio:
    heard = [p.name for p in performance.parts if any(is_heard(performance, mix, p.name) for mix in mixes)]
    stems = Stems(performance, voice, heard)
    check_length(stems.frames / RATE)
    done, frames = 0, max(stems.frames, 1)

    def tick(count: int) -> None:
        nonlocal done
        done += count
        tell(min(done / (2 * frames), 1.0))

    mixers = [Mixer(performance, mix, stems.names, RATE) for mix in mixes]
    measured = loudnesses(stems, mixers, tick)
    gain = next((round(loudness - lufs, 2) for lufs in measured if isfinite(lufs)), 0.0)
    strip = Strip.of(performance, stems.frames)
    rows = {name: row for row, name in enumerate(stems.names) if name not in _MADE_BY_THE_PAGE}
    kbps = bit_rate(strip.frames / RATE, len(rows))
    jobs = [_job(row, strip, gain, kbps) for row in rows.values()]
    blocks = ticking(stems.blocks(), tick)
    blocks = blocks if performance.room == "off" else parts_in_room(blocks, RATE)
    pieces = fan_out(blocks, jobs) if jobs else []
    tell(1.0)
    return PageAudio(
        dict(zip(rows, pieces, strict=True)),
        strip.places,
        strip.frames,
        gain,
        {
            mix.name: round(min(max(loudness - lufs - gain, -6.0), 6.0), 1) if isfinite(lufs) else 0.0
            for mix, lufs in zip(mixes, measured, strict=True)
        },
    )


@dataclass(frozen=True, slots=True)
class Strip:
    """Which stretches of a performance are carried, one behind the other.

    Parameters
    ----------
    stretches : tuple of (int, int)
        From and to, in frames of the performance.
    places : tuple of int
        For each pass the frame of the strip where it begins.
    """

    stretches: tuple[tuple[int, int], ...]
    places: tuple[int, ...]

    @property
    def frames(self) -> int:
        """Length of the strip."""
        return sum(end - start for start, end in self.stretches)

    @classmethod
    def of(cls, performance: Performance, frames: int) -> Strip:
        """Choose from a performance of so many frames; the last pass, which ends otherwise than the rest, is always there."""
        *before, last = performance.passes
        carried = [list(alike)[-1] for _, alike in groupby(before, key=_played_alike)]
        chosen = {_played_alike(each): each for each in carried}
        stretches: list[tuple[int, int]] = []
        places: dict[int, int] = {}
        seconds = performance.tempo.seconds
        offset = 0
        for each in [*carried, last]:
            start, end = frame_of(seconds(each.start), RATE), frame_of(seconds(each.end), RATE)
            pickup = frame_of(seconds(each.downbeat), RATE) - start  # rings into a last bar that goes round
            low = max(start - _AROUND, 0)
            high = min(end + (_TAIL if each is last else _AROUND + pickup), frames)
            if stretches and low < stretches[-1][1]:  # goes on from the one before
                low, high = stretches[-1][0], max(high, stretches[-1][1])
                stretches[-1] = (low, high)
            else:
                offset = sum(b - a for a, b in stretches)
                stretches.append((low, high))
            places[each.playing] = offset + start - low
        return cls(
            tuple(stretches),
            tuple(
                places[(chosen[_played_alike(each)] if each is not last else last).playing]
                for each in performance.passes
            ),
        )


def _played_alike(played: Pass) -> tuple[object, ...]:
    return played.tempo, played.end_tempo, played.length, played.downbeat - played.start


def check_length(seconds: float, title: str = "") -> None:
    """Refuse a track that is too long for a page; raise InputError, with the track's title where it is given.

    >>> check_length(1900.0, "Lamplight")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    underbow.errors.InputError: Lamplight: a track of 32 minutes is too long for a practice page; the maximum is 30: ...
    """
    minutes = seconds / 60
    if minutes > MOST_MINUTES:
        named = f"{title}: " if title else ""
        raise InputError(
            f"{named}a track of {minutes:.0f} minutes is too long for a practice page; the maximum is "
            f"{MOST_MINUTES}: write fewer passes"
        )


def bit_rate(seconds: float, parts: int) -> int:
    """Choose the kbit/s of so many parts, so that they fit a page; the lowest for what is longer than that.

    >>> bit_rate(240, 3), bit_rate(360, 3), bit_rate(900, 3)
    (64, 56, 48)
    """
    fitting = (rate for rate in _RATES if rate * 125 * seconds * parts <= _BUDGET)
    return next(fitting, _RATES[-1])


def knock() -> Floats:
    """What comes before the music: silence with a short soft-edged tone burst, its middle at :data:`KNOCK`."""
    time = np.arange(round(LEAD * RATE)) / RATE - KNOCK
    return (0.7 * np.exp(-((time / 0.004) ** 2)) * np.cos(2 * np.pi * 1_500 * time)).astype(np.float32)


def _job(row: int, strip: Strip, gain: float, kbps: int) -> Callable[[Iterator[Floats]], tuple[bytes, ...]]:
    def run(blocks: Iterator[Floats]) -> tuple[bytes, ...]:
        limiter = Limiter(RATE, 1, gain=gain, ceiling=_CEILING)
        sound = limiter.run(block[row][:, None] for block in blocks)
        return tuple(_encoded(piece, kbps) for piece in _pieces(_carried((block[:, 0] for block in sound), strip)))

    return run


def _carried(blocks: Iterable[Floats], strip: Strip) -> Iterator[Floats]:
    """Give what lies on the strip, in order."""
    passed = 0
    for block in blocks:
        for start, end in strip.stretches:
            low, high = max(start - passed, 0), min(end - passed, len(block))
            if low < high:
                yield block[low:high]
        passed += len(block)


def _pieces(blocks: Iterable[Floats]) -> Iterator[Floats]:
    """Cut the strip into overlapping pieces, with silence around both ends of it."""
    whole = PIECE + 2 * OVER
    waiting = np.zeros(OVER, np.float32)
    for block in blocks:
        waiting = np.concatenate([waiting, block])
        while len(waiting) >= whole:
            yield waiting[:whole]
            waiting = waiting[PIECE:]
    if len(waiting) > 2 * OVER:
        yield np.concatenate([waiting, np.zeros(OVER, np.float32)])


def _encoded(piece: Floats, kbps: int) -> bytes:
    sound = np.concatenate([knock(), piece])
    target = BytesIO()
    steps = np.clip(np.rint(sound * 32_768), -32_768, 32_767).astype(np.int16)
    write_mp3(target, [steps[:, None]], rate=RATE, channels=1, kbps=kbps)
    return target.getvalue()
