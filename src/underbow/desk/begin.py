"""Ways to begin: a tune that was pasted or written down, some chords, a tune out of a book. Each makes a whole sheet.

The new sheet holds no more than what was given: its title and its tune, or its chords. Everything else is the sheet's own
default (chords for a bare tune, a bowing that suits the dance, a ramp within the bowing's range), in pencil until it is decided.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from underbow.desk.folder import Folder
from underbow.errors import Fault, InputError
from underbow.files.workplace import scratch
from underbow.text import signs
from underbow.theory.progression import Progression
from underbow.tune.abc.encoding import decoded
from underbow.tune.abc.headings import headings
from underbow.tune.abc.writer import to_abc
from underbow.tune.source import load_tune

__all__ = ["Begun", "Book", "from_chords", "from_tune", "open_book"]

MOST_TUNES = 20_000  # of a book that are listed
_PLAIN_TEXT = (".abc", ".txt", "")
_TUNE_LINE = re.compile(r"^X:", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Begun:
    """A new sheet: its name, and the files that make it."""

    name: str
    files: dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Book:
    """The tunes of a file: their numbers and titles, and each one's text in ABC."""

    tunes: tuple[tuple[int, str], ...]
    texts: tuple[str, ...]


def from_tune(folder: Folder, abc: str) -> Begun:
    r"""Begin with a tune in ABC.

    Raises
    ------
    InputError
        Where there is no tune in it, or several.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     begun = from_tune(Folder(Path(place)), "T:Two bars\nM:4/4\nL:1/4\nK:G\nGABc|d4|]")
    >>> begun.name, sorted(begun.files), begun.files["two-bars.toml"].decode()
    ('two-bars.toml', ['two-bars.abc', 'two-bars.toml'], 'title = "Two bars"\ntune = "two-bars.abc"\n')
    """
    text = abc.replace("\r\n", "\n").replace("\r", "\n").strip("\n") + "\n"
    if len(_TUNE_LINE.findall(text)) > 1:
        raise InputError("several tunes; choose one of them")
    if not re.search(r"^[A-Z]:", text, re.MULTILINE):
        raise InputError(
            "no tune in ABC yet: it begins with lines such as T: (its title), M: (its meter) and K: (its key), then the notes"
        )
    tune = load_tune(text)
    title = " ".join(tune.title.split())[:200] or "Untitled"
    name = folder.free_name(title, ".toml")
    tune_name = name.removesuffix(".toml") + ".abc"
    return Begun(name, {tune_name: text.encode(), name: _sheet({"title": title, "tune": tune_name})})


def from_chords(folder: Folder, chords: str, meter: str = "", dance: str = "") -> Begun:
    """Begin with some chords that go round; a melody is composed over them.

    Parameters
    ----------
    folder : Folder
    chords : str
        A bar each (``G C D G``), or with bar lines (``G | C | D G | G``).
    meter, dance : str
        Of the melody; by default four quarters in the plain shuffle.

    Raises
    ------
    InputError
        With every chord that can't be read.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     begun = from_chords(Folder(Path(place)), "G C D G", "6/8")
    >>> print(begun.files["round-g-c-d.toml"].decode(), end="")
    title = "Round G C D"
    progression = "G | C | D | G"
    meter = "6/8"
    compose = {seed = 1}
    >>> begun = from_chords(Folder(Path()), "F#m Bb", "")
    >>> begun.name, begun.files[begun.name].decode().splitlines()[0]
    ('round-f-sharpm-bb.toml', 'title = "Round F♯m B♭"')
    """
    plain = " ".join(chords.replace(",", " ").replace("♯", "#").replace("♭", "b").split())
    progression = Progression.parse(plain if "|" in plain or ":" in plain else " | ".join(plain.split(" ")))
    title = "Round " + " ".join(str(chord) for chord in progression.chords[:6])
    name = folder.free_name(title.replace("#", " sharp").replace("/", " over "), ".toml")
    compose: dict[str, object] = {"seed": 1}
    if dance:
        compose["dance"] = dance
    keys: dict[str, object] = {"title": signs(title), "progression": str(progression)}
    if meter:
        keys["meter"] = meter
    return Begun(name, {name: _sheet({**keys, "compose": compose})})


def open_book(name: str, data: bytes) -> Book:
    """Open a file of tunes: ABC (one tune or a book), MIDI or MusicXML.

    Parameters
    ----------
    name : str
        The file's; its ending says what it is.
    data : bytes

    Raises
    ------
    InputError
        Where no tune can be read from it.
    """
    ending = Path(name.replace("\\", "/")).suffix.lower()
    if ending in _PLAIN_TEXT and not data.startswith((b"MThd", b"<?xml", b"PK")):
        text = decoded(data)
        listed = headings(text)
        if not listed:
            raise InputError(
                Fault("no tune; an ABC tune begins with a line X:1 and has a line K: before its notes", file=name)
            )
        tunes = tuple((tune.number, tune.title) for tune in listed[:MOST_TUNES])
        return Book(tunes, _cut(text, len(listed))[:MOST_TUNES])
    with scratch() as place:
        path = place / f"tune{ending if re.fullmatch(r'[.][a-z]{1,8}', ending) else ''}"
        path.write_bytes(data)
        tune = load_tune(path, file=name)
    return Book(((1, tune.title or Path(name).stem),), (to_abc(tune),))


def _cut(text: str, count: int) -> tuple[str, ...]:
    """Cut a book into its tunes, each with what it needs of the book's head."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    starts = [match.start() for match in _TUNE_LINE.finditer(plain)]
    if len(starts) != count:  # without numbers it is one tune
        return (plain,) * count
    head = "".join(f"{line}\n" for line in plain[: starts[0]].split("\n") if re.match(r"[A-Zmr]:|%%", line))
    ends = [*starts[1:], len(plain)]
    return tuple(_tune(head, plain[start:end]) for start, end in zip(starts, ends, strict=True))


def _tune(head: str, text: str) -> str:
    """One tune ends at the blank line after it."""
    body = re.split(r"\n[ \t]*\n", text, maxsplit=1)[0].strip("\n") + "\n"
    number, _, rest = body.partition("\n")
    return f"{number}\n{head}{rest}"


def _sheet(keys: dict[str, object]) -> bytes:
    document = tomlkit.document()
    for key, value in keys.items():
        if isinstance(value, dict):
            line = tomlkit.inline_table()
            line.update(value)
            document.add(key, line)
        else:
            document.add(key, tomlkit.item(value))
    return tomlkit.dumps(document).encode()
