"""MP3 encoders and settings: CPU a minute, size, and how far what comes out is from what went in.

    python benchmarks/encoding/measure.py [SHEET]

ffmpeg must be on the PATH: it decodes, so that no encoder is judged by its own decoder. The distance is the log-spectral
distance (Gray and Markel, "Distance measures for speech processing", IEEE Trans. ASSP 24 (1976)): for frames of 2,048
samples the root mean square over frequency of the difference of the two spectra in dB, up to 16 kHz (10 kHz at 24,000 Hz),
floor 80 dB below the loudest bin of the track, mean over all frames that aren't silent. Beside it, the signal-to-error ratio.
CPU is the process's own, as a ratio to the libsndfile that soundfile brings, in the same run.
"""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import lameenc
import numpy as np
import soundfile

from underbow.sound.render import render_files
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

ROOT = Path(__file__).parents[2]
SECONDS = 60


def cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def libsndfile(sound: np.ndarray, rate: int, mode: str, level: float) -> bytes:
    target = io.BytesIO()
    soundfile.write(
        target, sound, rate, format="MP3", subtype="MPEG_LAYER_III", bitrate_mode=mode, compression_level=level
    )
    return target.getvalue()


def lame(sound: np.ndarray, rate: int, kbps: int, quality: int, vbr: float | None = None) -> bytes:
    encoder = lameenc.Encoder()
    encoder.silence()
    encoder.set_channels(sound.shape[1])
    encoder.set_in_sample_rate(rate)
    encoder.set_out_sample_rate(rate)
    encoder.set_quality(quality)
    if vbr is None:
        encoder.set_bit_rate(kbps)
    else:
        encoder.set_vbr(4)
        encoder.set_vbr_quality(vbr)
    pcm = np.clip(np.rint(sound * 32768), -32768, 32767).astype("<i2").tobytes()
    return bytes(encoder.encode(pcm)) + bytes(encoder.flush())


def decoded(data: bytes, channels: int) -> np.ndarray:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.mp3"
        path.write_bytes(data)
        out = subprocess.run(
            ["ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-"], check=True, capture_output=True
        ).stdout
    return np.frombuffer(out, "<f4").reshape(-1, channels)


def lined_up(back: np.ndarray, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cut both so that they lie over each other; the lag is found by correlation over ten seconds."""
    size = 1 << 19
    a, b = np.fft.rfft(sound[:size, 0], 2 * size), np.fft.rfft(back[:size, 0], 2 * size)
    lag = int(np.argmax(np.fft.irfft(b * np.conj(a))[:4000]))
    count = min(len(back) - lag, len(sound))
    return back[lag : lag + count], sound[:count]


def distances(back: np.ndarray, sound: np.ndarray, rate: int) -> tuple[float, float]:
    size, top = 2048, 16_000 if rate > 30_000 else 10_000
    window = np.hanning(size)
    bins = slice(1, int(top * size / rate))
    frames = range(0, len(sound) - size, size // 2)
    spectra = [
        np.stack([np.abs(np.fft.rfft(x[at : at + size].mean(axis=1) * window))[bins] for at in frames])
        for x in (sound, back)
    ]
    floor = spectra[0].max() * 1e-4
    decibels = [20 * np.log10(np.maximum(x, floor)) for x in spectra]
    loud = spectra[0].max(axis=1) > floor * 10
    lsd = float(np.sqrt(((decibels[0] - decibels[1]) ** 2).mean(axis=1))[loud].mean())
    return lsd, float(10 * np.log10((sound**2).sum() / ((sound - back) ** 2).sum()))


def table(sound: np.ndarray, rate: int, ways: dict[str, Callable[[], bytes]]) -> None:
    print(f"\n{sound.shape[1]} channel(s), {rate} Hz, {len(sound) / rate:.0f} s\n")
    print("| encoder | CPU s a minute | ratio | kbit/s | log-spectral distance, dB | signal to error, dB |")
    print("|---|---|---|---|---|---|")
    first = 0.0
    for name, way in ways.items():
        begun = cpu()
        data = way()
        spent = (cpu() - begun) * 60 * rate / len(sound)
        first = first or spent
        lsd, ratio = distances(*lined_up(decoded(data, sound.shape[1]), sound), rate)
        kbps = len(data) * 8 / (len(sound) / rate) / 1000
        print(f"| {name} | {spent:.2f} | {spent / first:.2f} | {kbps:.0f} | {lsd:.2f} | {ratio:.1f} |")


def main() -> None:
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "tracks" / "wet-socks.toml"
    sheet = read_sheet(path)
    with tempfile.TemporaryDirectory() as folder:
        made = [
            render_files(
                perform(sheet), sheet.mixes[:1], Path(folder) / str(rate), voices="builtin", rate=rate, papers=False
            )
            for rate in (44_100, 24_000)
        ]
        full, half = (soundfile.read(one.files[0].path, dtype="float32")[0] for one in made)
    full, half = full[: SECONDS * 44_100], half[: SECONDS * 24_000].mean(axis=1, keepdims=True)
    mono = full.mean(axis=1, keepdims=True)
    wide = {
        "libsndfile, variable 0.25": lambda: libsndfile(full, 44_100, "VARIABLE", 0.25),
        **{
            f"lameenc, {kbps} kbit/s, quality {q}": lambda kbps=kbps, q=q: lame(full, 44_100, kbps, q)
            for kbps in (192, 160, 128)
            for q in (2, 5, 7)
        },
        "lameenc, variable 2, quality 5": lambda: lame(full, 44_100, 0, 5, 2.0),
        "lameenc, variable 2, quality 7": lambda: lame(full, 44_100, 0, 7, 2.0),
    }
    single = {
        "libsndfile, constant 96": lambda: libsndfile(mono, 44_100, "CONSTANT", (320 - 96) / 288),
        **{
            f"lameenc, {kbps} kbit/s, quality {q}": lambda kbps=kbps, q=q: lame(mono, 44_100, kbps, q)
            for kbps in (96, 112, 128)
            for q in (2, 5, 7)
        },
    }
    page = {
        "libsndfile, constant 48": lambda: libsndfile(half, 24_000, "CONSTANT", (160 - 48) / 152),
        **{
            f"lameenc, {kbps} kbit/s, quality {q}": lambda kbps=kbps, q=q: lame(half, 24_000, kbps, q)
            for kbps in (48, 56, 64)
            for q in (2, 5, 7)
        },
    }
    table(full, 44_100, wide)
    table(mono, 44_100, single)
    table(half, 24_000, page)


if __name__ == "__main__":
    main()
