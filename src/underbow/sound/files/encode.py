"""Sound to files: WAV, FLAC, Ogg Vorbis and MP3, whole or not at all, the same bytes for the same sound.

The only module that knows libsndfile, which is given 65,536 frames at a time by path: larger pieces crash its Vorbis
encoder, and through Python file objects it loses errors; those that it loses where it closes a file are found by
:mod:`underbow.sound.files.closing`. Two things that it writes are set right afterwards: the time of
day in the peak chunk of float WAVs, and the random serial number of Ogg streams (with the checksums of the pages). MP3 is
written by LAME, see :mod:`underbow.sound.files.mp3`.

Conventions: audio is float32, shape ``(frames, channels)``, full scale 1.
Sources: EBU Tech 3306 (RF64, the larger WAV); dither, triangular and two steps wide, as in Lipshitz, Wannamaker and
Vanderkooy, "Quantization and Dither", JAES 40 (1992).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from underbow.errors import InputError, UnderbowError
from underbow.files.trouble import output_error
from underbow.files.whole import whole_file
from underbow.sound.chunks import Chunks
from underbow.sound.files.closing import closed_well
from underbow.sound.files.mp3 import MP3_RATES, check_rate, usual_kbps, write_mp3
from underbow.sound.files.retouch import clear_peak_time, steady_serial
from underbow.sound.files.tags import Tags, id3_header

__all__ = ["FORMATS", "Bits", "Encoded", "Format", "Tags", "check_format", "encode"]

Floats = npt.NDArray[np.float32]
Format = Literal["wav", "flac", "ogg", "mp3"]
Bits = Literal[16, 24, "float"]

FORMATS: tuple[Format, ...] = ("wav", "flac", "ogg", "mp3")

_CHUNK = 81_920
_WAV_LIMIT = 4_000_000_000  # a WAV counts its bytes in 32 bits
_WIDTHS: dict[Bits, int] = {16: 2, 24: 3, "float": 4}
_SUBTYPES: dict[Bits, str] = {16: "PCM_16", 24: "PCM_24", "float": "FLOAT"}
# FLAC: beyond the middle of its scale it takes far longer for one part in a hundred.
_OPTIONS: dict[Format, dict[str, Any]] = {
    "wav": {},
    "flac": {"compression_level": 0.5},
    "ogg": {"subtype": "VORBIS", "compression_level": 0.4},
    "mp3": {},
}


@dataclass(frozen=True, slots=True)
class Encoded:
    """A file that was written: its path, and its length in frames."""

    path: Path
    frames: int


def encode(
    path: Path,
    blocks: Iterable[Floats],
    *,
    rate: int,
    format: Format = "wav",
    bits: Bits = 16,
    channels: int = 2,
    tags: Tags | None = None,
    frames_expected: int | None = None,
    dither: bool = True,
    kbps: int | None = None,
) -> Encoded:
    """Write sound to a file, whole or not at all.

    Parameters
    ----------
    path : Path
        The final name; its folder must exist. A file of that name is replaced at the end, not before.
    blocks : iterable of arrays, shape (frames, channels)
        Of any sizes: they make no difference to the bytes. What is above full scale is clipped in 16 and 24 bits.
    rate : int
        Sample rate in hertz.
    format : {"wav", "flac", "ogg", "mp3"}
    bits : {16, 24, "float"}
        For wav and, but for float, flac.
    tags : Tags, optional
    frames_expected : int, optional
        Decides beforehand whether a WAV needs the RF64 form that can be over 4 GB. Without it such a file is refused.
    dither : bool
        Spread the rounding to 16 bits with triangular noise, the same for the same length; where a sample is exactly 0
        there is nothing to round, so silence stays silence.
    kbps : int, optional
        For mp3: the constant rate in kbit/s, instead of 192 for two channels and 112 for one.

    Raises
    ------
    InputError
        If the folder is missing or shut, or the format can't hold what is asked.
    UnderbowError
        If the disk fails, a WAV grows over 4 GB unforeseen, or the sound isn't made of numbers.
    """
    options = _settings(format, bits, rate, channels, frames_expected)
    if format == "mp3":
        check_rate(rate, kbps := kbps or usual_kbps(rate, channels))
    limit = _WAV_LIMIT // (_WIDTHS[bits] * channels) if options["format"] == "WAV" else None
    round_off = _Rounding(channels, dither) if format == "mp3" or options.get("subtype") == "PCM_16" else None
    chunks = _checked(_chunks(blocks, channels), path, rate)
    with whole_file(path) as part:
        if format == "mp3" and round_off is not None and kbps is not None:
            head = b"" if tags is None else id3_header(tags)
            steps = map(round_off.to_16_bits, chunks)
            try:
                with part.open("wb") as file:
                    return Encoded(path, write_mp3(file, steps, rate=rate, channels=channels, kbps=kbps, head=head))
            except OSError as error:
                raise output_error(error, path) from error
        plain = {} if tags is None else _plain_tags(tags)
        frames = _write(
            part, path, chunks, format=format, options=options, tags=plain, round_off=round_off, limit=limit
        )
        if format == "wav" and bits == "float":
            clear_peak_time(part)
        elif format == "ogg":
            steady_serial(part)
    return Encoded(path, frames)


def check_format(format: Format, bits: Bits, rate: int) -> None:
    """Raise InputError where a format can't hold what is asked of it.

    >>> check_format("flac", "float", 48_000)
    Traceback (most recent call last):
    underbow.errors.InputError: flac holds 16 or 24 bits, not float; choose 24, or the format wav
    """
    if format not in FORMATS:
        raise InputError(f"no such format: {format!r}; choose one of {', '.join(FORMATS)}")
    if bits not in _SUBTYPES:
        raise InputError(f"bits must be 16, 24 or float, not {bits!r}")
    if format == "flac" and bits == "float":
        raise InputError("flac holds 16 or 24 bits, not float; choose 24, or the format wav")
    if format == "mp3" and rate not in MP3_RATES:
        raise InputError(f"mp3 can't hold {rate} Hz; choose 44100 or 48000, or another format")


def _settings(format: Format, bits: Bits, rate: int, channels: int, expected: int | None) -> dict[str, Any]:
    """Choose libsndfile's settings."""
    check_format(format, bits, rate)
    large = expected is not None and expected * channels * _WIDTHS[bits] > _WAV_LIMIT
    options = {"samplerate": rate, "channels": channels, "format": format.upper(), **_OPTIONS[format]}
    if format in ("wav", "flac"):
        options["subtype"] = _SUBTYPES[bits]
    if format == "wav" and large:
        options["format"] = "RF64"
    return options


def _write(
    part: Path,
    path: Path,
    chunks: Iterable[Floats],
    *,
    format: Format,
    options: dict[str, Any],
    tags: dict[str, str],
    round_off: _Rounding | None,
    limit: int | None,
) -> int:
    """Have libsndfile write the sound to ``part``; give the number of frames, read back from what was written."""
    soundfile = _soundfile()
    frames = 0
    try:
        with soundfile.SoundFile(str(part), "w", **options) as file:
            for name, value in tags.items():
                setattr(file, name, value)
            for chunk in chunks:
                frames += len(chunk)
                if limit is not None and frames > limit:
                    raise UnderbowError(
                        f"can't write {path}: a WAV can't be over 4 GB; choose flac, or a shorter track"
                    )
                file.write(chunk if round_off is None else round_off.to_16_bits(chunk))
        written = soundfile.info(str(part)).frames
    except (soundfile.SoundFileError, AssertionError) as error:
        raise _disk_error(error, part, path) from error
    if written != frames:
        raise _disk_error("the file came out too short", part, path)
    if frames and not closed_well(part, format):
        raise _disk_error("the end of the file was lost", part, path)
    return frames


def _soundfile() -> Any:
    """Import soundfile here, so that nobody waits for it who writes no sound."""
    try:
        import soundfile  # noqa: PLC0415
    except (ImportError, OSError) as error:
        raise UnderbowError(
            f"can't load libsndfile, which writes the audio: {error}; try: pip install -U soundfile"
        ) from error
    return soundfile


def _disk_error(error: BaseException | str, part: Path, path: Path) -> UnderbowError:
    """Find out what libsndfile ran into: it names it poorly, so a few more bytes are tried in the same place."""
    try:
        with part.open("ab") as file:
            file.write(bytes(1 << 20))
            file.flush()
    except OSError as cause:
        return output_error(cause, path)
    why = str(error).replace(str(part), path.name)
    return UnderbowError(f"can't write {path}: {why}; is the disk full?")


def _checked(chunks: Iterable[Floats], path: Path, rate: int) -> Iterator[Floats]:
    """Pass chunks on as long as they hold numbers."""
    frames = 0
    for chunk in chunks:
        if not np.isfinite(chunk.sum()):
            raise UnderbowError(
                f"can't write {path}: the sound holds values that are no numbers, near second {frames // rate}; "
                "please report this"
            )
        yield chunk
        frames += len(chunk)


def _chunks(blocks: Iterable[Floats], channels: int) -> Iterator[Floats]:
    chunks = Chunks(_CHUNK, (channels,))
    for block in blocks:
        yield from chunks.add(block)
    if chunks.filled:
        yield chunks.rest()[: chunks.filled]


class _Rounding:
    """Round to 16 bits, with dither from a table that each chunk enters at another place."""

    _SIZE = 1 << 18

    def __init__(self, channels: int, dither: bool) -> None:
        self._scaled = np.empty((_CHUNK, channels), np.float32)
        self._rounded = np.empty((_CHUNK, channels), np.int16)
        self._noise: Floats | None = None
        self._random = np.random.default_rng(1770)
        if dither:
            shape = (self._SIZE + _CHUNK, channels)
            self._noise = self._random.random(shape, np.float32) - self._random.random(shape, np.float32)

    def to_16_bits(self, chunk: Floats) -> npt.NDArray[np.int16]:
        scaled = np.multiply(chunk, np.float32(32768), out=self._scaled[: len(chunk)])
        if self._noise is not None:
            start = int(self._random.integers(self._SIZE))
            noise = self._noise[start : start + len(chunk)]
            silent = chunk == 0
            scaled += np.where(silent, np.float32(0), noise) if silent.any() else noise
        np.rint(scaled, out=scaled)
        np.clip(scaled, -32768, 32767, out=scaled)
        np.copyto(self._rounded[: len(chunk)], scaled, casting="unsafe")
        return self._rounded[: len(chunk)]


def _plain_tags(tags: Tags) -> dict[str, str]:
    number = "" if tags.number is None else str(tags.number)
    fields = {
        "title": tags.title,
        "artist": tags.artist,
        "album": tags.album,
        "tracknumber": number,
        "comment": tags.comment(),
    }
    return {name: value for name, value in fields.items() if value}
