"""Changes to a track sheet's text that leave its remarks, its order and its own way of writing as they are.

A change says which key (a path of names, such as ``tempo``, ``start``) shall hold which value; none takes the key away.
What the value must be is the sheet's reader's to say: here only the form is looked at, so that nothing but a sheet's
keys can be written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, TypeAlias

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item, Table

from underbow.errors import Fault, InputError
from underbow.text import is_shown

__all__ = ["Edit", "Value", "edited", "read_edits"]

Value: TypeAlias = "str | int | float | bool | Sequence[Value] | Mapping[str, Value] | None"
MOST_EDITS, MOST_TEXT = 100, 200_000
# The keys that may be written, and those whose own keys may be.
_PLAIN = {"title", "tune", "number", "abc", "key", "pattern", "progression", "tuning", "strings", "form", "bars", "to_learner",
          "meter", "mix"}  # fmt: skip
_TABLES = {"tempo", "sound", "changes", "shapes", "compose", "pattern", "recording"}


@dataclass(frozen=True, slots=True)
class Edit:
    """A key by its path and what it shall hold; None takes it away."""

    path: tuple[str, ...]
    value: Value


def read_edits(written: object) -> tuple[Edit, ...]:
    """Read changes as the page sends them: ``[{"key": ["tempo", "start"], "value": 60}, ...]``.

    Raises
    ------
    InputError
        Where they are anything else.

    >>> read_edits([{"key": ["tempo", "start"], "value": 60}])
    (Edit(path=('tempo', 'start'), value=60),)
    """
    if not isinstance(written, list) or not 0 < len(written) <= MOST_EDITS:
        raise InputError("a list of changes is needed")
    return tuple(_read(edit) for edit in written)


def _read(edit: object) -> Edit:
    path = edit.get("key") if isinstance(edit, dict) and "value" in edit else None
    if not isinstance(edit, dict) or not isinstance(path, list) or not all(isinstance(key, str) for key in path):
        raise InputError("a change names a key and a value")
    known = (len(path) == 1 and path[0] in _PLAIN | _TABLES) or (len(path) == 2 and path[0] in _TABLES)
    if not known or not all(0 < len(key) <= 60 and all(map(is_shown, key)) for key in path):
        raise InputError(f"no key of a sheet: {'.'.join(path)[:80]}")
    _check(edit["value"])
    return Edit(tuple(path), edit["value"])


def _check(value: object, depth: int = 0) -> None:
    """Let through what TOML can hold and a sheet may need."""
    if isinstance(value, str) and len(value) <= MOST_TEXT and "\x00" not in value:
        try:
            value.encode()
        except UnicodeEncodeError:
            raise InputError("a text holds half a character") from None
        return
    if value is None or isinstance(value, bool) or (isinstance(value, int) and abs(value) < 2**63):
        return
    if isinstance(value, float) and isfinite(value):
        return
    if isinstance(value, list) and len(value) <= 400 and depth < 3:
        for item in value:
            _check(item, depth + 1)
        return
    if isinstance(value, dict) and len(value) <= 400 and depth < 3:
        for name, item in value.items():
            _check(name, depth + 1)
            _check(item, depth + 1)
        return
    raise InputError("a value that no sheet can hold")


def edited(text: str, edits: Sequence[Edit]) -> str:
    r"""Write changes into a sheet's text.

    Parameters
    ----------
    text : str
        TOML; line ends of either kind stay as they are.
    edits : sequence of Edit

    Raises
    ------
    InputError
        Where the text is no TOML, or a path leads through what is no table.

    Examples
    --------
    >>> sheet = '# mine\ntitle = "A"  # for Ann\n\n[tempo]\nstart = 60 # slow\n'
    >>> print(edited(sheet, [Edit(("tempo", "start"), 50), Edit(("key",), "G"), Edit(("changes", "7"), "D Bm")]), end="")
    # mine
    title = "A"  # for Ann
    key = "G"
    <BLANKLINE>
    [tempo]
    start = 50 # slow
    <BLANKLINE>
    [changes]
    7 = "D Bm"
    """
    breaks = "\r\n" if "\r\n" in text else "\n"
    try:
        document = tomlkit.parse(text.replace("\r\n", "\n"))
        for edit in edits:
            _edit(document, edit)
        out = tomlkit.dumps(document)
    except (TOMLKitError, ValueError, TypeError, RecursionError) as error:
        raise InputError(Fault(f"the sheet's text can't be changed: {str(error).splitlines()[0]}")) from None
    return out.replace("\n", breaks)


def _edit(document: tomlkit.TOMLDocument, edit: Edit) -> None:
    name, *inner = edit.path
    if not inner:
        _put(document, name, edit.value)
        return
    table: Any = document.get(name)
    if not isinstance(table, dict):
        if edit.value is None:
            return
        if table is not None:
            raise InputError(Fault("holds a value of its own, so nothing can be written below it", where=name))
        table = tomlkit.table()
        if name in {"shapes", "pattern", "compose"}:
            table = tomlkit.inline_table()
            _add(document, name, table)
        else:
            _blank_line(document)
            document.append(name, table)
        table = document[name]
    _put(table, inner[0], edit.value)
    if not table:
        document.remove(name)


def _put(holder: Any, name: str, value: Value) -> None:
    """Let a key hold a value, its remark staying beside it."""
    if value is None:
        if name in holder:
            holder.remove(name)
        return
    item = _item(name, value)
    if name in holder:
        if isinstance(holder[name], Table | AoT) or isinstance(item, AoT):
            holder.remove(name)  # lines in brackets and a value on its line are written differently
            _put(holder, name, value)
            return
        holder[name] = item
    elif isinstance(item, AoT):
        holder.append(name, item)
    elif isinstance(holder, tomlkit.TOMLDocument):
        _add(holder, name, item)
    else:
        _add_in_table(holder, name, item)


def _add(document: tomlkit.TOMLDocument, name: str, item: Item) -> None:
    """Put a new key after the last one that stands above the tables."""
    plain = [key for key, value in document.items() if not isinstance(value, Table | AoT)]
    if plain:
        _insert_after(document, plain[-1], name, item)
    else:
        document.add(name, item)


def _add_in_table(table: Any, name: str, item: Item) -> None:
    """Put a new key at its table's end: after its last key, before blank lines and remarks that lead on to what follows."""
    keys = list(table)
    if keys and isinstance(table, Table):
        _insert_after(table.value, keys[-1], name, item)
    else:
        table.append(name, item)


def _insert_after(container: Any, before: str, name: str, item: Item) -> None:
    previous = container.item(before) if hasattr(container, "item") else container[before]
    if isinstance(previous, Item) and "\n" not in previous.trivia.trail:
        previous.trivia.trail = "\n"  # the last line of a file may lack its end
    container._insert_after(before, tomlkit.key(name) if isinstance(name, str) else name, item)


def _blank_line(document: tomlkit.TOMLDocument) -> None:
    text = tomlkit.dumps(document)
    if text and not text.endswith("\n"):
        document.add(tomlkit.ws("\n"))
    if text and not text.endswith("\n\n"):
        document.add(tomlkit.nl())


def _item(name: str, value: Value) -> Item:
    """Make a value as a sheet has it: a text of several lines between triple quotes, a table within its line."""
    if isinstance(value, str) and "\n" in value:
        return tomlkit.string(value if name != "abc" else "\n" + value.strip("\n") + "\n", multiline=True)
    if name == "mix" and isinstance(value, Sequence) and not isinstance(value, str):
        tables = tomlkit.aot()
        for item in value:
            table = tomlkit.table()
            if isinstance(item, Mapping):
                for key, inner in item.items():
                    table.append(key, inner)
            tables.append(table)
        return tables
    if isinstance(value, Mapping):
        line = tomlkit.inline_table()
        for key, inner in value.items():
            line.append(key, _item(key, inner))
        return line
    return tomlkit.item(value)
