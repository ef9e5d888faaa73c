"""Mutated SoundFont banks, each loaded and played in a forked process of its own: a native library may die there.

A small bank of our own making is the seed, for a bank of some kilobytes is loaded in a thousandth of a second; where another
is installed, its headers are mutated too. Whatever a bank holds, it is played or refused in one line, in time; a process
that dies is counted, and what the command line says of that bank is looked at.
"""

# ruff: noqa: E501  tables in rows

from __future__ import annotations

import io
import os
import random
import resource
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import mutate
import numpy as np

from underbow.errors import InputError, UnderbowError
from underbow.sound.soundfont.banks import read_bank
from underbow.sound.soundfont.voice import SoundFontVoice, engine

ROOT = Path(__file__).parents[2]
SECONDS = 20  # CPU seconds of a bank
PROGRAMS = (40, 109, 24, 73)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + bytes(len(data) % 2)


def _list(name: bytes, *chunks: bytes) -> bytes:
    return _chunk(b"LIST", name + b"".join(chunks))


def _name(text: str) -> bytes:
    return text.encode().ljust(20, b"\0")[:20]


def small_bank() -> bytes:
    """A whole bank by the SoundFont 2.04 specification: a looped sawtooth for every program that is played, and a drum kit."""
    frames = 2000
    wave = (12_000 * (2 * (np.arange(frames) * 261.63 / 44_100 % 1) - 1)).astype("<i2").tobytes()
    presets = [*((0, program) for program in PROGRAMS), (128, 0)]
    phdr = b"".join(
        _name(f"P{n}") + struct.pack("<HHHIII", program, bank, n, 0, 0, 0) for n, (bank, program) in enumerate(presets)
    )
    phdr += _name("EOP") + struct.pack("<HHHIII", 0, 0, len(presets), 0, 0, 0)
    pbag = b"".join(struct.pack("<HH", n, 0) for n in range(len(presets) + 1))
    pgen = b"".join(struct.pack("<HH", 41, 0) for _ in presets) + bytes(4)
    inst = _name("I") + struct.pack("<H", 0) + _name("EOI") + struct.pack("<H", 1)
    ibag = struct.pack("<HHHH", 0, 0, 3, 0)
    igen = struct.pack("<HhHHHH", 48, 0, 54, 1, 53, 0) + bytes(4)
    begin, end = 440, 440 + 2 * 168
    shdr = _name("S") + struct.pack("<IIIIIBbHH", 0, frames, begin, end, 44_100, 60, 0, 0, 1) + _name("EOS") + bytes(26)
    body = b"sfbk" + _list(
        b"INFO", _chunk(b"ifil", struct.pack("<HH", 2, 4)), _chunk(b"isng", b"EMU8000\0"), _chunk(b"INAM", b"Small\0")
    )
    body += _list(b"sdta", _chunk(b"smpl", wave + bytes(92)))
    index = [_chunk(b"phdr", phdr), _chunk(b"pbag", pbag.replace(b"", b"")), _chunk(b"pmod", bytes(10)), _chunk(b"pgen", pgen),
             _chunk(b"inst", inst), _chunk(b"ibag", ibag), _chunk(b"imod", bytes(10)), _chunk(b"igen", igen), _chunk(b"shdr", shdr)]  # fmt: skip
    body += _list(b"pdta", *index)
    return _chunk(b"RIFF", body)


def mutated(chance: random.Random, seed: bytes) -> bytes:
    """Change numbers in the tables, samples, the lengths of chunks, or bytes anywhere; mostly with the whole still of one length."""
    data = bytearray(seed)
    tables = data.index(b"pdta")
    for _ in range(chance.choice((1, 1, 2, 3, 5, 9))):
        at = chance.randrange(tables, len(data) - 4)
        match chance.randrange(8):
            case 0 | 1 | 2:
                data[at : at + 2] = struct.pack(
                    "<H", chance.choice((0, 1, 2, 17, 255, 4096, 32767, 65535, chance.randrange(65536)))
                )
            case 3:
                data[at : at + 4] = struct.pack("<I", chance.choice((0, 1, 2000, 1 << 20, 1 << 31, 0xFFFFFFFF)))
            case 4:
                data[at] = chance.randrange(256)
            case 5:
                place = data.find(
                    chance.choice(
                        (b"phdr", b"pbag", b"pgen", b"inst", b"ibag", b"igen", b"shdr", b"smpl", b"LIST", b"INAM")
                    )
                )
                if place >= 0:
                    data[place + 4 : place + 8] = struct.pack(
                        "<I", chance.choice((0, 1, 10, 38, 46, len(data), 0x7FFFFFFF, 0xFFFFFFFF))
                    )
            case 6:
                place = chance.randrange(len(data) - 8)
                data[place : place + 4] = data[at : at + 4]
            case _:
                return mutate.damaged(bytes(data), chance)
    return bytes(data)


def play(path: Path) -> str:
    """Load a bank and sound what a track sounds; how it ended."""
    try:
        bank = read_bank(path)
        with SoundFontVoice(bank) as voice:
            voice.probe({*PROGRAMS, -1})
    except (InputError, UnderbowError) as error:
        return "refused" if len(str(error).splitlines()) == 1 else "several lines"
    return "played"


def forked(path: Path) -> str:
    """Do so in a process of its own."""
    worker = os.fork()
    if worker == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS + 5))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
            names = ("played", "refused", "several lines")
            code = names.index(play(path))
        except MemoryError:
            code = 10
        except BaseException:
            code = 11
        os._exit(code)
    _, status = os.waitpid(worker, 0)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return "hang" if number in (signal.SIGXCPU, signal.SIGKILL) else f"native crash ({signal.Signals(number).name})"
    return {0: "played", 1: "refused", 2: "several lines", 10: "no memory", 11: "traceback"}[
        os.waitstatus_to_exitcode(status)
    ]


def said(path: Path) -> str:
    """What the command line says of a bank that kills its process: the last line, or nothing."""
    sheet = ROOT / "src/underbow/cli/starter/first-track.toml"
    with tempfile.TemporaryDirectory() as out:
        done = subprocess.run(
            [sys.executable, "-m", "underbow", "render", sheet, "--soundfont", path, "-o", out],
            capture_output=True, text=True, check=False, timeout=600,
        )  # fmt: skip
    lines = [line for line in done.stderr.splitlines() if line.startswith("underbow: ")]
    return lines[-1] if lines and "Traceback" not in done.stderr else ""


def run(count: int, seed: int) -> list[str]:
    """Mutate so many banks; print what came of them, and give the faults."""
    if engine().trouble:
        print(f"no banks: {engine().trouble}")
        return []
    seeds = [small_bank()]
    seeds += [place.read_bytes() for place in Path("/usr/share/sounds").rglob("TimGM6mb.sf2")]
    counts: Counter[str] = Counter()
    faults, silent = [], []
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bank.sf2"
        path.write_bytes(seeds[0])
        if forked(path) != "played":
            faults.append("the bank that all others are made from is not played")
        for number in range(count):
            chance = random.Random(f"bank:{seed}:{number}")
            path.write_bytes(mutated(chance, seeds[-1] if chance.random() < 0.02 else seeds[0]))
            how = forked(path)
            counts[how] += 1
            if how.startswith("native crash"):
                line = said(path)
                if not line:
                    silent.append(number)
                print(
                    f"bank:{seed}:{number}: {how}; the command line says: {line or 'nothing'}",
                    file=sys.stderr,
                    flush=True,
                )
            elif how not in ("played", "refused", "no memory"):
                faults.append(f"bank:{seed}:{number}: {how}")
                print(faults[-1], file=sys.stderr, flush=True)
    faults += [f"bank:{seed}:{number}: a native crash without a word" for number in silent]
    ends = ", ".join(f"{counts[how]:,} {how}" for how in sorted(counts))
    print(f"\n{count:,} banks: {ends}; {len(silent)} without a word; {time.monotonic() - begun:.0f} s", flush=True)
    return faults


if __name__ == "__main__":
    out = io.BytesIO(small_bank())
    sys.stdout.buffer.write(out.getvalue())
