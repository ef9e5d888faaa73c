"""Find SoundFont banks and tell a whole one from a broken one, before FluidSynth sees it.

Source of the layout: SoundFont Technical Specification 2.04 (Creative, 2006): a RIFF file of form ``sfbk`` with the lists
``INFO`` (name, copyright), ``sdta`` (samples) and ``pdta`` (presets: ``phdr``, records of 38 bytes, the last a terminator).
"""

from __future__ import annotations

import importlib.util
import os
import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from underbow.errors import InputError
from underbow.files.trouble import plain_file
from underbow.text import one_line

__all__ = ["Bank", "find_banks", "read_bank", "usual_places"]

# Licences as stated by the Debian package that carries the bank (debian/copyright); anything else shows its own notice.
_LICENCES = {
    "FluidR3_GM.sf2": "MIT",
    "FluidR3_GS.sf2": "MIT",
    "FluidR3Mono_GM.sf3": "MIT",
    "TimGM6mb.sf2": "GPL-2",
}
_BEST_FIRST = ("FluidR3_GM.sf2", "FluidR3Mono_GM.sf3", "default-GM.sf2", "default-GM.sf3")
_AS_GOOD = (
    "FluidR3_GM.sf2",
)  # whose violin is heard as one at least as surely as the built-in fiddle: benchmarks/sound
_DRUM_BANK = 128
_SMALLEST = 44
_CURE = "get the file again, or leave --soundfont out to use another bank"


@dataclass(frozen=True, slots=True)
class Bank:
    """A SoundFont file that is whole as far as its header tells.

    Parameters
    ----------
    path : Path
    name : str
        As the bank calls itself.
    notice : str
        The bank's own copyright line; empty where it has none.
    licence : str
        Where known; else empty.
    presets : frozenset of (int, int)
        Bank and program numbers, from 0; percussion is bank 128.
    """

    path: Path
    name: str
    notice: str
    licence: str
    presets: frozenset[tuple[int, int]]

    @property
    def as_good(self) -> bool:
        """Whether its fiddle was measured, and is as good as the built-in one."""
        return self.path.resolve().name in _AS_GOOD

    def has(self, program: int) -> bool:
        """Whether it holds a General MIDI program; -1 is percussion."""
        return (_DRUM_BANK, 0) in self.presets if program < 0 else (0, program) in self.presets


def usual_places() -> tuple[Path, ...]:
    """Give the folders where banks are looked for on this system, best first."""
    home = Path.home()
    if sys.platform == "win32":
        own = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
        return (own / "soundfonts", home / "soundfonts", Path("C:/soundfonts"))
    if sys.platform == "darwin":
        return (
            home / "Library/Audio/Sounds/Banks",
            Path("/Library/Audio/Sounds/Banks"),
            Path("/opt/homebrew/share/soundfonts"),
            Path("/usr/local/share/soundfonts"),
        )
    own = Path(os.environ.get("XDG_DATA_HOME") or home / ".local/share")
    shared = (os.environ.get("XDG_DATA_DIRS") or "/usr/local/share:/usr/share").split(":")
    roots = [own, *(Path(root) for root in shared if root)]
    return tuple(root / folder for root in roots for folder in ("soundfonts", "sounds/sf2", "sounds/sf3"))


def read_bank(path: Path) -> Bank:
    """Read a bank's header and check that the file is whole.

    Raises
    ------
    InputError
        If there is no such file, or it is no SoundFont, or a part of it is missing.
    """
    try:
        plain_file(path)
        size = path.stat().st_size
        if path.is_dir():
            raise InputError(f"{path}: this is a folder; name the SoundFont file (.sf2 or .sf3) itself")
        with path.open("rb") as file:
            head = file.read(12)
            if size < _SMALLEST or head[:4] != b"RIFF" or head[8:] != b"sfbk":
                raise InputError(f"{path}: not a SoundFont (no RIFF sfbk header found); {_CURE}")
            stated = struct.unpack("<I", head[4:8])[0] + 8
            if stated > size:
                raise InputError(f"{path}: cut short ({size} bytes of {stated}); {_CURE}")
            info, presets = _contents(file, size)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name given to --soundfont") from None
    except OSError as error:
        raise InputError(f"{path}: can't be read ({error.strerror or error})") from None
    if not presets:
        raise InputError(f"{path}: a SoundFont without presets; {_CURE}")
    real = path.resolve().name
    return Bank(path, info.get(b"INAM", "") or path.stem, info.get(b"ICOP", ""), _LICENCES.get(real, ""), presets)


def find_banks(explicit: Path | None = None) -> tuple[Bank, ...]:
    """Give the banks that can be used, best first: the one named, or all that lie in the usual places.

    Parameters
    ----------
    explicit : Path or None
        A bank the user named: then only this one, and its faults are told.

    Raises
    ------
    InputError
        If the bank named can't be used.
    """
    if explicit is not None:
        return (read_bank(explicit),)
    banks, seen = [], set()
    for path in _candidates():
        real = path.resolve()
        if real in seen:
            continue
        seen.add(real)
        try:
            banks.append(read_bank(path))
        except InputError:
            continue  # what lies about broken is nobody's fault now; named, it would be told
    return tuple(banks)


def _candidates() -> Iterator[Path]:
    found = [path for folder in usual_places() for path in _entries(folder) if path.suffix.lower() in {".sf2", ".sf3"}]
    rank = {name: place for place, name in enumerate(_BEST_FIRST)}
    yield from sorted(found, key=lambda path: rank.get(path.name, len(rank)))
    spec = importlib.util.find_spec("pretty_midi")  # looked up, not imported: it brings a small bank along
    if spec is not None and spec.origin:
        yield from sorted(Path(spec.origin).parent.glob("*.sf2"))


def _entries(folder: Path) -> list[Path]:
    """List a folder; what isn't there, or can't be read, holds nothing for us."""
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _chunks(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Walk over RIFF chunks: their id, where their data starts, and its length."""
    while start + 8 <= end:
        file.seek(start)
        name, length = struct.unpack("<4sI", file.read(8))
        yield name, start + 8, min(length, end - start - 8)
        start += 8 + length + length % 2


def _contents(file: BinaryIO, size: int) -> tuple[dict[bytes, str], frozenset[tuple[int, int]]]:
    info: dict[bytes, str] = {}
    presets: frozenset[tuple[int, int]] = frozenset()
    for name, start, length in _chunks(file, 12, size):
        if name != b"LIST" or length < 4:
            continue
        file.seek(start)
        kind = file.read(4)
        if kind not in {b"INFO", b"pdta"}:
            continue
        for inner, place, count in _chunks(file, start + 4, start + length):
            file.seek(place)
            if inner in {b"INAM", b"ICOP"}:
                info[inner] = _line(file.read(min(count, 256)))
            elif inner == b"phdr":
                presets = _presets(file.read(count))
    return info, presets


def _line(raw: bytes) -> str:
    """Give a text of the bank as one printable line."""
    return one_line(raw.split(b"\0")[0].decode("latin-1"))


def _presets(raw: bytes) -> frozenset[tuple[int, int]]:
    records = [raw[start : start + 38] for start in range(0, len(raw) - 38, 38)]
    numbers = [struct.unpack("<HH", record[20:24]) for record in records]
    return frozenset((bank, program) for program, bank in numbers)
