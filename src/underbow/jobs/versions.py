"""What decides which bytes come out.

Our version to the last line of code, those of the libraries that compute, and the type of processor for which numpy's products
of matrices are made, since others round otherwise.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from importlib.resources.abc import Traversable

import underbow

__all__ = ["KERNELS", "encoder_version", "versions"]

KERNELS = "kernels"

_DECIDING = ("numpy", "soundfile", "lameenc", "mido", "pretty_midi", "verovio", "typst", "soxr", "av")


@cache
def versions(*, fluidsynth: bool) -> tuple[tuple[str, str], ...]:
    """Name what decides the bytes of a result, each with its version.

    Parameters
    ----------
    fluidsynth : bool
        Whether a SoundFont is played, so that FluidSynth's version counts.

    Examples
    --------
    >>> [name for name, _ in versions(fluidsynth=False)][:3]
    ['underbow', 'code', 'python']
    """
    found = [
        ("underbow", underbow.__version__),
        ("code", _code()),
        ("python", ".".join(platform.python_version_tuple()[:2])),
    ]
    found += [(name, _version(name)) for name in _DECIDING]
    found.append((KERNELS, _kernels()))
    if fluidsynth:
        from underbow.sound.soundfont.voice import engine  # noqa: PLC0415  loads the library

        found.append(("fluidsynth", engine().version))
    return tuple(found)


def encoder_version() -> tuple[tuple[str, str], ...]:
    """Name what besides decides the bytes of a video.

    Raises
    ------
    InputError
        If there is no encoder.
    """
    from underbow.lesson.video.encoder import find_encoder  # noqa: PLC0415  asks a program

    return ("ffmpeg", find_encoder().version), ("pillow", _version("pillow"))


def _kernels() -> str:
    """Name the processor whose kernels the products use; nothing where their library has but one kind."""
    import numpy  # noqa: F401, PLC0415  which loads that library
    from threadpoolctl import threadpool_info  # noqa: PLC0415

    found = {library.get("architecture", "") for library in threadpool_info() if library["user_api"] == "blas"}
    return ", ".join(sorted(found - {""}))


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:  # an extra that isn't here takes no part
        return ""


def _code() -> str:
    """Digest our own code and data: what is being worked on has one version for many forms."""
    found = hashlib.sha256()
    for package in ("underbow", "underbow.patterns"):
        for name, data in _sources(files(package), package):
            found.update(f"{name}\0{len(data)}\0".encode() + data)
    return found.hexdigest()[:16]


def _sources(folder: Traversable, name: str) -> Iterator[tuple[str, bytes]]:
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        inside = f"{name}/{entry.name}"
        if entry.is_dir():
            if entry.name != "__pycache__":
                yield from _sources(entry, inside)
        elif not entry.name.endswith((".pyc", ".pyo")):
            yield inside, entry.read_bytes().replace(b"\r\n", b"\n")
