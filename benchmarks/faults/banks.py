"""Mutated SoundFont banks, loaded and played in forked processes: a native library may die there.

A small bank of our own making is the seed, for a bank of some kilobytes is loaded in a thousandth of a second; where another
is installed, its headers are mutated too. Whatever a bank holds, it is played or refused in one line, in time. A process
plays some banks, one after the other, since the fork costs more than most of them; where it dies, the bank that it was at is
tried alone, what the command line says of it is looked at, and a new process goes on with the next.
"""

# ruff: noqa: E501  tables in rows

from __future__ import annotations

import io
import mmap
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
from collections.abc import Callable
from pathlib import Path

import mutate
import numpy as np

from underbow.errors import InputError, UnderbowError
from underbow.sound.soundfont.banks import read_bank
from underbow.sound.soundfont.voice import SoundFontVoice, engine
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

ROOT = Path(__file__).parents[2]
SECONDS = 20  # CPU seconds of a bank
BATCH = 25  # banks of a process
ENDS = ("played", "refused", "several lines", "not a number", "no memory", "traceback")
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


def played(path: Path) -> str:
    """Load a bank and sound what a track sounds; how it ended."""
    stroke = Action(Manner.BOW, (ActionNote(0, 8000, 62),), program=PROGRAMS[0])
    try:
        bank = read_bank(path)
        with SoundFontVoice(bank) as voice:
            voice.probe({*PROGRAMS, -1})
            if not np.isfinite(voice.sounds(stroke)).all():
                return "not a number"
    except (InputError, UnderbowError) as error:
        return "refused" if len(str(error).splitlines()) == 1 else "several lines"
    except MemoryError:
        return "no memory"
    except BaseException:
        return "traceback"
    return "played"


def forked(numbers: range, make: Callable[[int], bytes], path: Path) -> list[str]:
    """Play banks one after the other in a process of its own: how each ended, and how the process died where it did."""
    ends = mmap.mmap(-1, len(numbers))
    worker = os.fork()
    if worker == 0:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
        for place, number in enumerate(numbers):
            path.write_bytes(make(number))
            until = int(time.process_time()) + SECONDS + 1
            resource.setrlimit(resource.RLIMIT_CPU, (until, resource.RLIM_INFINITY))
            ends[place] = 1 + ENDS.index(played(path))
        os._exit(0)
    _, status = os.waitpid(worker, 0)
    found = [ENDS[end - 1] for end in ends[:] if end]
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        found.append("hang" if number == signal.SIGXCPU else f"native crash ({signal.Signals(number).name})")
    elif status:  # a library that ends the program by itself
        found.append(f"native crash (status {os.waitstatus_to_exitcode(status)})")
    return found


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

    def make(number: int) -> bytes:
        chance = random.Random(f"bank:{seed}:{number}")
        return mutated(chance, seeds[-1] if chance.random() < 0.02 else seeds[0])

    counts: Counter[str] = Counter()
    faults: list[str] = []
    begun = os.times()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bank.sf2"
        if forked(range(1), lambda _: seeds[0], path) != ["played"]:
            faults.append("the bank that all others are made from is not played")
        done = 0
        while done < count:
            batch = range(done, min(done + BATCH, count))
            for number, how in zip(batch, forked(batch, make, path), strict=False):
                done = number + 1
                counts[how] += 1
                what = f"bank:{seed}:{number}: {how}"
                if how.startswith("native crash"):
                    if forked(range(number, number + 1), make, path) != [how]:
                        what += f", but not alone: one from {batch.start} on had spoilt the memory"
                    line = said(path)
                    print(f"{what}; the command line says: {line or 'nothing'}", file=sys.stderr, flush=True)
                    faults += [] if line else [f"{what}, without a word"]
                elif how not in ("played", "refused", "no memory"):
                    faults.append(what)
                    print(what, file=sys.stderr, flush=True)
    spent = sum(os.times()[:4]) - sum(begun[:4])
    ends = ", ".join(f"{counts[how]:,} {how}" for how in sorted(counts))
    print(f"\n{count:,} banks: {ends}; {spent:.0f} s of CPU time, seed {seed}", flush=True)
    return faults


if __name__ == "__main__":
    out = io.BytesIO(small_bank())
    sys.stdout.buffer.write(out.getvalue())
