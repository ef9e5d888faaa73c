"""What differs between two states of a file, part by part, for people who never see the file itself."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from difflib import SequenceMatcher
from itertools import islice
from typing import Any

from underbow.text import visible

__all__ = ["differences"]

_MOST = 20  # that are listed
_LONGEST = 120  # characters of what is shown


def differences(name: str, mine: str, theirs: str) -> list[dict[str, Any]]:
    r"""Compare two texts of a file.

    Parameters
    ----------
    name : str
        The file's; of a sheet or a pattern (TOML) the keys are compared, of anything else the lines.
    mine, theirs : str

    Returns
    -------
    list of dict
        ``key``: the path of a key, or ``line`` and its number in ``mine``; ``mine`` and ``theirs``: what is written there, None
        where nothing is. Where both ends of a ramp are written, they stand together. 20 at most.

    >>> differences("a.toml", "[tempo]\nstart = 60\ngoal = 96", "[tempo]\nstart = 60\ngoal = 100\n[changes]\n7 = 'D'")
    [{'key': ['tempo'], 'mine': '60 to 96', 'theirs': '60 to 100'}, {'key': ['changes', '7'], 'mine': None, 'theirs': 'D'}]
    >>> differences("a.abc", "K:G\nGABc|\nd4|", "K:G\nGABc|\ne4|")
    [{'key': ['line', '3'], 'mine': 'd4|', 'theirs': 'e4|'}]
    """
    found = _of_lines(mine, theirs)
    if name.lower().endswith(".toml"):
        with suppress(tomllib.TOMLDecodeError, RecursionError):  # a text that can't be read is shown by its lines
            found = _of_keys(tomllib.loads(mine), tomllib.loads(theirs))
    return list(islice(found, _MOST))


def _of_keys(mine: Mapping[str, Any], theirs: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    here, there = _leaves(mine), _leaves(theirs)
    for key in dict.fromkeys([*here, *there]):
        if here.get(key) != there.get(key):
            yield {"key": list(key), "mine": _plain(here.get(key)), "theirs": _plain(there.get(key))}


def _leaves(table: Mapping[str, Any]) -> dict[tuple[str, ...], Any]:
    out: dict[tuple[str, ...], Any] = {}
    for key, value in table.items():
        inner = dict(value) if isinstance(value, dict) else None
        if key == "tempo" and inner and {"start", "goal"} <= inner.keys():
            out[key,] = f"{inner.pop('start')} to {inner.pop('goal')}"
        out |= {(key,): value} if inner is None else {(key, name): one for name, one in inner.items()}
    return out


def _of_lines(mine: str, theirs: str) -> Iterator[dict[str, Any]]:
    here, there = mine.splitlines(), theirs.splitlines()
    for what, a, b, c, d in SequenceMatcher(None, here, there, autojunk=False).get_opcodes():
        if what != "equal":
            lines = _plain(" / ".join(here[a:b]) or None), _plain(" / ".join(there[c:d]) or None)
            yield {"key": ["line", str(a + 1)], "mine": lines[0], "theirs": lines[1]}


def _plain(value: Any) -> str | None:
    """Say a value as it is written, without the signs of its language."""
    if value is None:
        return None
    if isinstance(value, list) and all(isinstance(one, dict) and "name" in one for one in value):
        value = ", ".join(str(one["name"]) for one in value)  # tracks
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    plain = visible(" ".join(text.split()))
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 2]} …"
