"""The practice page's audio: every mix as one small MP3, mono, with a knock before it that tells where it begins.

MP3 adds a lag, and browsers differ in how much of it they take away again: up to a tenth of a second, far more than an eye
lets pass. So each track has a short knock at a known place before its music. It is never heard: the page looks for it in what
the browser decoded, and counts time from there.

Sizes: in a page bytes cost a third more. The bit rate follows from the length, so that a page of six minutes and four mixes
stays below 12 MB.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from math import isfinite
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from underbow.errors import InputError
from underbow.sound.choose import choose_voice
from underbow.sound.fan import fan_out
from underbow.sound.files.encode import encode
from underbow.sound.mastering.limiter import Limiter
from underbow.sound.mastering.master import loudnesses, ticking
from underbow.sound.mix import Mixer, is_heard
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Remembered, Voice
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

RATE = 24_000
LEAD = 0.35  # seconds before the music
KNOCK = 0.1  # where the middle of the knock lies
MOST_MINUTES = 30  # of a page: a browser holds a track as 6 MB a minute
_RATES = (64, 56, 48, 40, 32)  # kbit/s
_BUDGET = 8_700_000  # bytes for all mixes
_ROOM = 64 << 20
_CEILING = -1.5  # dBTP; a coarse MP3 swings a little over what it was given

Floats = NDArray[np.float32]


def page_audio(
    performance: Performance,
    mixes: Sequence[Mix],
    *,
    voices: str = "auto",
    soundfont: Path | None = None,
    loudness: float = -16.0,
    progress: Callable[[float], None] | None = None,
) -> dict[str, bytes]:
    """Make the audio of a practice page.

    Parameters
    ----------
    performance : Performance
    mixes : sequence of Mix
    voices : {"auto", "soundfont", "builtin"}
    soundfont : Path, optional
        A bank the user named.
    loudness : float
        LUFS that each mix is brought to, as far as its peaks allow.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    dict of str to bytes
        For the name of each mix an MP3, mono, 24,000 Hz: :data:`LEAD` seconds with the knock, then the track. The same
        performance gives the same bytes.

    Raises
    ------
    InputError
        If the track is too long for a page, or the voice can't be had.
    """
    with closing(choose_voice(performance, voices, soundfont=soundfont, rate=RATE)) as choice:
        return _made(performance, mixes, choice.voice, loudness, progress or (lambda _: None))


def _made(
    performance: Performance, mixes: Sequence[Mix], voice: Voice, loudness: float, told: Callable[[float], None]
) -> dict[str, bytes]:
    wanted = [p.name for p in performance.parts if any(is_heard(performance, mix, p.name) for mix in mixes)]
    stems = Stems(performance, Remembered(voice, _ROOM), wanted)
    check_length(stems.frames / RATE)
    kbps = bit_rate(stems.frames / RATE, len(mixes))
    done, frames = 0, max(stems.frames, 1)

    def tick(count: int) -> None:
        nonlocal done
        done += count
        told(min(done / (2 * frames), 1.0))

    mixers = [Mixer(performance, mix, stems.names, RATE) for mix in mixes]
    gains = [loudness - measured if isfinite(measured) else 0.0 for measured in loudnesses(stems, mixers, tick)]
    with TemporaryDirectory(prefix="underbow-") as folder:
        paths = [Path(folder) / f"{number}.mp3" for number in range(len(mixes))]
        jobs = [_job(path, mixer, gain, kbps) for path, mixer, gain in zip(paths, mixers, gains, strict=True)]
        if jobs:
            fan_out(ticking(stems.blocks(), tick), jobs)
        return {mix.name: path.read_bytes() for mix, path in zip(mixes, paths, strict=True)}


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


def bit_rate(seconds: float, mixes: int) -> int:
    """Choose the kbit/s of so many mixes, so that they fit a page; the lowest for what is longer than that.

    >>> bit_rate(90, 4), bit_rate(360, 4), bit_rate(1200, 4)
    (64, 48, 32)
    """
    fitting = (rate for rate in _RATES if rate * 125 * (seconds + LEAD) * mixes <= _BUDGET)
    return next(fitting, _RATES[-1])


def knock() -> Floats:
    """What comes before the music: silence with a short soft-edged tone burst, its middle at :data:`KNOCK`."""
    time = np.arange(round(LEAD * RATE)) / RATE - KNOCK
    return (0.7 * np.exp(-((time / 0.004) ** 2)) * np.cos(2 * np.pi * 1_500 * time)).astype(np.float32)


def _job(path: Path, mixer: Mixer, gain: float, kbps: int) -> Callable[[Iterator[Floats]], object]:
    def run(blocks: Iterator[Floats]) -> object:
        limiter = Limiter(RATE, 1, gain=round(gain, 2), ceiling=_CEILING)
        sound = _after_knock(limiter.run(_mono(mixer.mixed(blocks))))
        return encode(path, sound, rate=RATE, format="mp3", channels=1, kbps=kbps)

    return run


def _after_knock(blocks: Iterable[Floats]) -> Iterator[Floats]:
    yield knock()[:, None]
    yield from blocks


def _mono(blocks: Iterable[Floats]) -> Iterator[Floats]:
    """Half of both sides together: as loud from two loudspeakers as the two sides were for what lay in the middle."""
    for block in blocks:
        yield block.mean(axis=1, keepdims=True, dtype=np.float32)
