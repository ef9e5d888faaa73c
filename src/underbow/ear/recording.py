"""A take, whatever it was recorded with, as one stream of samples the ear can look at.

Sound files are read by libsndfile; what phones and browsers record (m4a, webm) by PyAV where it is installed, else by an
``ffmpeg`` found on the PATH. The take is kept in a temporary file and looked at through a memory map, so that an hour of it
takes no more memory than a minute.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from underbow.ear.spectra import RATE, Floats
from underbow.errors import InputError, UnderbowError

LONGEST = 4 * 3600  # seconds
NO_SOUND = "there is no sound in it; record it anew"
_SLOWEST, _FASTEST = 4_000, 768_000  # samples a second
_BLOCK = 1 << 16
_MOST_SAID = 1 << 16  # bytes of what ffmpeg complains of
_FULL = 0.985  # of the loudest sample: what lies there for several samples running was cut off
_CURE = (
    "m4a, webm and the like need PyAV (pip install 'underbow[ear]') or a program called ffmpeg; "
    "or save the recording as wav, flac, ogg or mp3"
)


@dataclass(frozen=True, slots=True)
class Recording:
    """A take at :data:`~underbow.ear.spectra.RATE`, mono.

    Parameters
    ----------
    sound : float32 array, shape (samples,)
    clipped : float
        Share of the samples that were cut off at the top.
    level : float
        RMS of its loudest tenth, dBFS.
    """

    sound: Floats
    clipped: float
    level: float


def read_recording(path: Path, folder: Path, longest: int = LONGEST) -> Recording:
    """Read a recording.

    Parameters
    ----------
    path : Path
        wav, flac, ogg, mp3 and what else libsndfile reads; m4a, webm and the like where the means are there.
    folder : Path
        Where the samples are kept while they are looked at.
    longest : int
        Seconds; what is longer is refused as soon as that shows.

    Raises
    ------
    InputError
        If there is no such file, it is no sound that can be read, or it is too long.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file; check its name and its folder")
    with closing(_blocks(path)) as blocks:
        rate = int(next(blocks)[0])
        return _kept(_monitored(blocks, rate, path, longest), rate, folder)


def check_opens(path: Path, longest: int = LONGEST) -> None:
    """Look at the beginning of a recording, so that what can't be read is told before anything else is done.

    Raises
    ------
    InputError
        As :func:`read_recording`, as far as that shows at once; and if there is no sound in it.
    """
    with closing(_blocks(path)) as blocks:
        rate = int(next(blocks)[0])
        if next(_monitored(blocks, rate, path, longest)[0], None) is None:
            raise InputError(f"{path}: {NO_SOUND}")


def keep_whole(path: Path, folder: Path, longest: int = LONGEST) -> tuple[Path, int]:
    """Write a recording's samples, mono, at its own rate, to a file; give that file and the rate.

    Raises
    ------
    InputError
        As :func:`read_recording`.
    """
    with closing(_blocks(path)) as blocks:
        rate = int(next(blocks)[0])
        keep(_monitored(blocks, rate, path, longest)[0], folder, "whole.f32")
    return folder / "whole.f32", rate


def keep(blocks: Iterable[Floats], folder: Path, name: str) -> Floats:
    """Write blocks of samples to a file, and give them as one array that is read from there."""
    target = folder / name
    with target.open("wb") as file:
        for block in blocks:
            file.write(np.ascontiguousarray(block, np.float32).tobytes())
    if target.stat().st_size == 0:
        return np.zeros(0, np.float32)
    return np.memmap(target, np.float32, "r")


def at_our_rate(blocks: Iterable[Floats], rate: int) -> Iterator[Floats]:
    """Resample blocks of mono samples to :data:`~underbow.ear.spectra.RATE` (by libsoxr)."""
    if rate == RATE:
        yield from blocks
        return
    try:
        import soxr  # noqa: PLC0415  an extra
    except ImportError:
        raise UnderbowError("recordings need the extra parts: pip install 'underbow[ear]'") from None
    stream = soxr.ResampleStream(rate, RATE, 1, dtype="float32")
    for block in blocks:
        yield stream.resample_chunk(block)
    yield stream.resample_chunk(np.zeros(0, np.float32), last=True)


class _Meter:
    """Counts what was cut off, and notes how loud it is, tenth by tenth of a second."""

    def __init__(self) -> None:
        self.top, self.count = 0.0, 0
        self._histogram = np.zeros(2001, np.int64)  # of flat samples by level
        self.powers: list[float] = []

    def add(self, block: Floats) -> None:
        size = np.abs(block)
        self.top, self.count = max(self.top, float(size.max(initial=0))), self.count + len(block)
        flat = (np.abs(np.diff(block[:-1])) < 2e-3 * size[1:-1]) & (np.abs(np.diff(block[1:])) < 2e-3 * size[1:-1])
        places = np.minimum(size[1:-1][flat] * 1000, 2000).astype(int)
        self._histogram += np.bincount(places, minlength=2001)
        self.powers += [
            float((part**2).mean()) for part in np.array_split(block, max(len(block) // 4096, 1)) if len(part)
        ]

    @property
    def clipped(self) -> float:
        return (
            float(self._histogram[int(self.top * 1000 * _FULL) :].sum()) / max(self.count, 1)
            if self.top > 0.05
            else 0.0
        )

    @property
    def level(self) -> float:
        loudest = sorted(self.powers)[-max(len(self.powers) // 10, 1) :]
        return float(10 * np.log10(np.mean(loudest) + 1e-12)) if loudest else -120.0


def _kept(metered: tuple[Iterator[Floats], _Meter], rate: int, folder: Path) -> Recording:
    blocks, meter = metered
    sound = keep(at_our_rate(blocks, rate), folder, "take.f32")
    return Recording(sound, meter.clipped, meter.level)


def _monitored(
    blocks: Generator[Any, None, None], rate: int, path: Path, longest: int
) -> tuple[Iterator[Floats], _Meter]:
    meter = _Meter()

    def through() -> Iterator[Floats]:
        if not _SLOWEST <= rate <= _FASTEST:
            raise InputError(
                f"{path}: says it has {rate} samples a second, and can't be heard as it is; record it anew"
            )
        left = longest * rate
        for block in blocks:
            mono = np.nan_to_num(block.mean(axis=1) if block.ndim == 2 else block).astype(np.float32)
            meter.add(mono)
            left -= len(mono)
            if left < 0:
                most = f"{longest // 3600} hours" if longest >= 7200 else f"{longest // 60} minutes"
                raise InputError(f"{path}: longer than {most}; cut out what belongs to the sheet")
            yield mono

    return through(), meter


def _blocks(path: Path) -> Generator[Any, None, None]:
    """Rate first (in a tuple), then blocks of samples, shape (frames,) or (frames, channels)."""
    import soundfile  # noqa: PLC0415  slow to load

    try:
        file = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError):
        yield from _other_blocks(path)
        return
    with file:
        yield (file.samplerate,)
        try:
            yield from file.blocks(_BLOCK, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as error:
            raise InputError(f"{path}: can't be read to its end: {error}") from None


def _other_blocks(path: Path) -> Generator[Any, None, None]:
    try:
        import av  # noqa: PLC0415  an extra
    except ImportError:
        yield from _by_ffmpeg(path)
        return
    try:
        with av.open(str(path)) as container:
            if not container.streams.audio:
                raise InputError(f"{path}: there is no sound in it")
            resampler = av.AudioResampler(format="flt", layout="mono", rate=48_000)
            yield (48_000,)
            for frame in container.decode(container.streams.audio[0]):
                yield from (part.to_ndarray()[0] for part in resampler.resample(frame))
            yield from (part.to_ndarray()[0] for part in resampler.resample(None))
    except (av.FFmpegError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: not a sound that can be read ({why}); save it as wav, flac, ogg or mp3") from None


def _by_ffmpeg(path: Path) -> Generator[Any, None, None]:
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        raise InputError(f"{path}: can't be read here; {_CURE}")
    command = [
        ffmpeg, "-v", "error", "-nostdin", "-i", str(path.resolve()), "-f", "f32le", "-ac", "1", "-ar", "48000", "-",
    ]  # fmt: skip
    with (  # what it complains of goes into a file: nobody empties a second pipe while the first is read
        tempfile.TemporaryFile() as complaints,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=complaints) as process,  # noqa: S603
    ):
        if process.stdout is None:  # pragma: no cover  it is a pipe
            raise UnderbowError("ffmpeg gives no sound")
        yield (48_000,)
        empty = True
        while data := process.stdout.read(4 * _BLOCK):
            empty = False
            yield np.frombuffer(data[: len(data) // 4 * 4], np.float32)
        failed = process.wait() != 0
        complaints.seek(0)
        why = complaints.read(_MOST_SAID).decode("utf-8", "replace").strip().splitlines()
        if failed or empty:
            raise InputError(f"{path}: not a sound that can be read ({why[-1] if why else 'ffmpeg found none'})")
