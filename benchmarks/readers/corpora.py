"""The ABC collections inside music21's installed corpus, tune by tune; read where they are installed, never copied."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import dataclass
from pathlib import Path

COLLECTIONS = ("ryansMammoth", "oneills1850", "airdsAirs", "essenFolksong", "miscFolk")
_TUNE = re.compile(r"^X:.*?(?=^X:|^[ \t]*$|\Z)", re.MULTILINE | re.DOTALL)
_APART = re.compile(r'(\[[A-Za-z]:[^\]]*\]|"[^"]*"|![^!\s|]*!)')  # what a bar line may stand in without being one
_MUSIC = re.compile(r"(?!%|[A-Za-z+]:(?![|:])).")


@dataclass(frozen=True)
class Item:
    """A tune of a collection: where it is from, and its ABC text."""

    collection: str
    name: str
    text: str


def folder() -> Path:
    """The corpus of the installed music21, found without importing it."""
    spec = importlib.util.find_spec("music21")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "corpus"


def items(collection: str) -> list[Item]:
    """Every tune of a collection, divided at X: lines and empty lines by nothing but an expression."""
    out = []
    for path in sorted((folder() / collection).glob("*.abc")):
        data = path.read_bytes()
        try:
            text = data.decode()
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        for match in _TUNE.finditer(text):
            head = re.match(r"X:\s*(\d*)", match[0])
            title = re.search(r"^T:(.*)$", match[0], re.MULTILINE)
            name = f"{path.stem}:{head[1] if head else ''}" + (f" {title[1].strip()}" if title else "")
            out.append(Item(collection, name, match[0]))
    return out


def without_repeats(text: str) -> str:
    """Take the repeat signs, endings and the order of parts off: what is left is note for note as written."""
    out = []
    body = False
    for line in text.split("\n"):
        if body and _is_music(line):
            pieces = _APART.split(line)
            out.append("".join(piece if i % 2 else _plain(piece) for i, piece in enumerate(pieces)))
        elif not line.startswith("P:"):
            out.append(line)
        body = body or line.startswith("K:")
    return "\n".join(out)


def _plain(music: str) -> str:
    """Make every repeat sign a bar line and drop the endings' numbers."""
    music = re.sub(r":*\|+:+|:+[|\]]+|::+|^\s*:", "|", music)
    return re.sub(r"(?<=[|\]])(\s*)\[?\d+(?:[,\-]\d+)*|\[\d+(?:[,\-]\d+)*", r"\1 ", music)


def _is_music(line: str) -> bool:
    return bool(_MUSIC.match(line))
