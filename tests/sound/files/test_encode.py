"""Audio files: read back by programs that didn't write them, whole or not at all, the same bytes every time.

Independent readers: sox and ffprobe/ffmpeg (where the package system has them), Python's own ``wave`` module.
Sources: RFC 3533 (Ogg page checksums, checked by ffmpeg), EBU Tech 3306 (RF64).
"""

from __future__ import annotations

import importlib
import os
import resource
import signal as signals
import subprocess
import sys
import wave
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from underbow.errors import InputError, UnderbowError
from underbow.files.whole import digest
from underbow.sound.files.encode import FORMATS, encode
from underbow.sound.files.tags import Tags

from .encoding import KINDS, RATE, cut, music, probe

module = importlib.import_module("underbow.sound.files.encode")  # the room has a function of this name


# --- what is in the file ---


@pytest.mark.parametrize(("format_", "bits"), KINDS)
def test_ffmpeg_reads_every_format_without_complaint(
    program: Callable[[str], str], tmp_path: Path, format_: Any, bits: Any
) -> None:
    sound = music()
    made = encode(
        tmp_path / f"a.{format_}", cut(sound), rate=RATE, format=format_, bits=bits, tags=Tags(title="A reel")
    )
    stream = probe(program, made.path)["streams"][0]
    assert (int(stream["sample_rate"]), stream["channels"]) == (RATE, 2)
    assert float(stream["duration"]) == pytest.approx(3.0, abs=0.06 if format_ == "mp3" else 0.0005)
    decoded = subprocess.run(
        [program("ffmpeg"), "-v", "error", "-i", str(made.path), "-f", "f32le", "-"], capture_output=True, check=True
    )
    assert decoded.stderr == b""
    back = np.frombuffer(decoded.stdout, "<f4").reshape(-1, 2)[: len(sound)]
    worst = {"wav": 3 / 65_536, "flac": 3 / 65_536, "ogg": 0.03, "mp3": 0.03}[format_]
    assert np.abs(back - sound[: len(back)]).max() < (1e-7 if bits == "float" else 2**-23 if bits == 24 else worst)
    assert (made.frames, len(back)) == (len(sound), len(sound))


@pytest.mark.parametrize("format_", ["wav", "flac", "ogg"])
def test_sox_reads_length_and_level(program: Callable[[str], str], tmp_path: Path, format_: Any) -> None:
    made = encode(tmp_path / f"a.{format_}", cut(music()), rate=RATE, format=format_)
    told = subprocess.run(
        [program("sox"), str(made.path), "-n", "stat"], capture_output=True, check=True, text=True
    ).stderr
    told_values = {line.split(":")[0].strip(): line.split(":")[1].strip() for line in told.splitlines() if ":" in line}
    assert float(told_values["Length (seconds)"]) == pytest.approx(3.0, abs=1e-5)
    assert float(told_values["RMS     amplitude"]) == pytest.approx(np.sqrt(np.mean(music() ** 2)), rel=0.01)


def test_16_bits_are_within_dither_of_the_sound(tmp_path: Path) -> None:
    sound = music()
    path = encode(tmp_path / "a.wav", cut(sound), rate=RATE).path
    with wave.open(str(path)) as file:
        steps = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
    error = steps - sound.astype(np.float64) * 32_768
    loud = error[RATE // 2 : -RATE // 2]
    # Rounding and triangular dither: a variance of 1/12 + 2/12 step², no mean (Lipshitz and others, 1992).
    assert np.abs(error).max() <= 1.5
    assert loud.mean() == pytest.approx(0, abs=0.01)
    assert loud.var() == pytest.approx(0.25, rel=0.02)


def test_dither_frees_a_faint_tone_of_distortion(tmp_path: Path) -> None:
    """A tone of 0.6 steps: rounded plainly it has strong odd harmonics, with dither none above the noise."""
    count = np.arange(4 * RATE)
    tone = np.repeat((0.6 / 32_768 * np.sin(2 * np.pi * 441 * count / RATE))[:, None], 2, axis=1).astype(np.float32)
    third = {}
    for dither in (True, False):
        path = encode(tmp_path / "a.wav", [tone], rate=RATE, dither=dither).path
        spectrum = np.abs(np.fft.rfft(soundfile.read(path)[0][:, 0]))
        third[dither] = spectrum[3 * 441 * 4] / spectrum[441 * 4]
    assert third[False] > 0.1
    assert third[True] < 0.02


def test_silence_stays_silence(tmp_path: Path) -> None:
    back = soundfile.read(encode(tmp_path / "a.wav", cut(music()), rate=RATE).path)[0]
    assert not back[: RATE // 2].any()
    assert not back[-(RATE // 2) :].any()


@pytest.mark.parametrize("bits", [16, 24])
def test_what_is_too_loud_is_clipped_and_doesnt_wrap(tmp_path: Path, bits: Any) -> None:
    sound = np.array([[1.5, -1.5]] * 1000, np.float32)
    back = soundfile.read(encode(tmp_path / "a.wav", [sound], rate=RATE, bits=bits).path)[0]
    assert (back[:, 0] > 0.9999).all()
    assert (back[:, 1] < -0.9999).all()


def test_one_channel(tmp_path: Path) -> None:
    made = encode(tmp_path / "a.wav", [music()[:, :1]], rate=48_000, channels=1)
    assert (soundfile.info(made.path).channels, soundfile.info(made.path).samplerate) == (1, 48_000)


def test_no_sound_makes_an_empty_file(tmp_path: Path) -> None:
    assert encode(tmp_path / "a.wav", [], rate=RATE).frames == 0


# --- the same bytes ---


@pytest.mark.parametrize(("format_", "bits"), KINDS)
def test_the_same_sound_gives_the_same_bytes_whatever_the_blocks(tmp_path: Path, format_: Any, bits: Any) -> None:
    sound, digests = music(), set()
    for size in (999, 65_536, 200_000):
        made = encode(
            tmp_path / f"{size}.{format_}", cut(sound, size), rate=RATE, format=format_, bits=bits, tags=Tags("A")
        )
        digests.add(digest(made.path))
    assert len(digests) == 1


def test_no_time_of_day_in_a_float_wav(tmp_path: Path) -> None:
    content = encode(tmp_path / "a.wav", [music(1)], rate=RATE, bits="float").path.read_bytes()
    at = content.index(b"PEAK")
    assert content[at + 8 : at + 16] == b"\x01\0\0\0" + b"\0\0\0\0"  # version 1, then the time


def test_every_page_of_an_ogg_has_the_same_serial_number_and_a_right_checksum(tmp_path: Path) -> None:
    """RFC 3533, section 6: bytes 14 to 17 the serial, 22 to 25 the checksum by polynomial 04c11db7, worked out bit by bit."""
    content = encode(tmp_path / "a.ogg", [music(1)], rate=RATE, format="ogg").path.read_bytes()
    pages = [b"OggS" + rest for rest in content.split(b"OggS")[1:]]
    assert len(pages) >= 3
    for page in pages:
        assert page[14:18] == b"\1\0\0\0"
        register = 0
        for byte in page[:22] + bytes(4) + page[26:]:
            register ^= byte << 24
            for _ in range(8):
                register = (register << 1 ^ (0x04C11DB7 if register >> 31 else 0)) & 0xFFFFFFFF
        assert page[22:26] == register.to_bytes(4, "little")


# --- whole or not at all ---


def test_an_older_file_is_replaced_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"old")

    def blocks() -> Iterator[np.ndarray]:
        yield music(1)
        assert path.read_bytes() == b"old"

    encode(path, blocks(), rate=RATE)
    assert soundfile.info(path).frames == RATE
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


@pytest.mark.parametrize("format_", FORMATS)
def test_where_the_sound_breaks_off_nothing_stays(tmp_path: Path, format_: Any) -> None:
    def blocks() -> Iterator[np.ndarray]:
        yield music(2)
        raise UnderbowError("the voice failed")

    with pytest.raises(UnderbowError, match="the voice failed"):
        encode(tmp_path / f"a.{format_}", blocks(), rate=RATE, format=format_)
    assert list(tmp_path.iterdir()) == []


CHILD = """
import sys, time
import numpy as np
from pathlib import Path
from underbow.sound.files.encode import encode
def blocks():
    for _ in range(400):
        yield np.random.default_rng(0).standard_normal((44100, 2)).astype(np.float32) * 0.1
        print(flush=True)
        time.sleep(float(sys.argv[3]))
try:
    encode(Path(sys.argv[1]), blocks(), rate=44100, format=sys.argv[2])
except Exception as error:
    print(type(error).__name__, error)
"""


@pytest.mark.parametrize("format_", ["wav", "ogg"])
def test_a_killed_program_leaves_nothing_under_the_final_name(tmp_path: Path, format_: str) -> None:
    path = tmp_path / f"a.{format_}"
    with subprocess.Popen([sys.executable, "-c", CHILD, str(path), format_, "0.02"], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        for _ in range(5):
            child.stdout.readline()
        os.kill(child.pid, signals.SIGKILL)
    assert not path.exists()
    assert all(p.name.startswith(".") and p.suffix == ".part" for p in tmp_path.iterdir())


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="no limit on file sizes here")
@pytest.mark.parametrize("format_", FORMATS)
def test_a_disk_that_takes_no_more_is_one_clear_line(tmp_path: Path, format_: str) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    ran = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path / "a.x"), format_, "0"],
        capture_output=True,
        text=True,
        preexec_fn=limit,
        check=True,
    )
    line = ran.stdout.strip().splitlines()[-1]
    assert line.startswith("DiskError can't write")
    assert "larger than this disk or this account allows" in line
    assert ran.stderr == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_told_as_such(tmp_path: Path) -> None:
    error = module._disk_error("lost", Path("/dev/full"), tmp_path / "a.wav")
    assert "the disk is full" in str(error)


def test_a_file_that_came_out_short_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Encoders can lose an error of the disk when they close; so the length is read back."""
    soundfile.write(tmp_path / "short.wav", music(1), RATE)
    info = soundfile.info
    monkeypatch.setattr(soundfile, "info", lambda _: info(tmp_path / "short.wav"))
    with pytest.raises(UnderbowError, match="came out too short"):
        encode(tmp_path / "a.wav", [music(2)], rate=RATE)
    assert [p.name for p in tmp_path.iterdir()] == ["short.wav"]


# --- what can't be ---


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"format": "aiff"}, "choose one of wav, flac, ogg, mp3"),
        ({"bits": 8}, "16, 24 or float, not 8"),
        ({"format": "flac", "bits": "float"}, "choose 24, or the format wav"),
        ({"format": "mp3", "rate": 96_000}, "choose 44100 or 48000"),
    ],
)
def test_impossible_settings_are_refused_with_the_cure(tmp_path: Path, options: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        encode(tmp_path / "a.x", [music(1)], **{"rate": RATE, **options})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("rate", "kbps"), [(24_000, 32), (24_000, 48), (22_050, 64), (44_100, 128), (16_000, 24)])
def test_a_constant_mp3_has_the_rate_asked_for(tmp_path: Path, rate: int, kbps: int) -> None:
    sound = music(12.0)[:, :1]
    made = encode(tmp_path / "a.mp3", cut(sound), rate=rate, format="mp3", channels=1, kbps=kbps)
    assert made.frames >= len(sound)
    assert made.path.stat().st_size * 8 / (len(sound) / rate) == pytest.approx(1000 * kbps, rel=0.03)


def test_a_missing_folder_is_the_users_to_make(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"there is no folder .*make it first"):
        encode(tmp_path / "no" / "a.wav", [music(1)], rate=RATE)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_sound_that_is_no_number_is_never_written(tmp_path: Path, value: float) -> None:
    sound = music(3)
    sound[2 * RATE, 1] = value
    with pytest.raises(UnderbowError, match=r"no numbers, near second 1"):
        encode(tmp_path / "a.wav", cut(sound), rate=RATE)
    assert list(tmp_path.iterdir()) == []


def test_over_4_gb_a_wav_is_rf64_where_foreseen_and_refused_where_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the limit set to 400 kB, so that the test doesn't write 4 GB."""
    monkeypatch.setattr(module, "_WAV_LIMIT", 400_000)
    path = encode(tmp_path / "a.wav", cut(music()), rate=RATE, frames_expected=len(music())).path
    assert path.read_bytes()[:4] == b"RF64"
    assert soundfile.info(path).frames == len(music())
    with pytest.raises(UnderbowError, match="can't be over 4 GB; choose flac"):
        encode(tmp_path / "b.wav", cut(music()), rate=RATE)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


def test_a_wav_that_fits_is_a_plain_one(tmp_path: Path) -> None:
    assert encode(tmp_path / "a.wav", [music()], rate=RATE, frames_expected=RATE * 3).path.read_bytes()[:4] == b"RIFF"
