"""What may stand in a TOML file: one line for each key, checked all at once, each fault with what to write instead.

A table is a frozen dataclass whose fields are made by :func:`entry`, :func:`subtable` and :func:`subtables`. Sheets and patterns
are both read this way. A validation library would give its own words, all of which would have to be replaced, and would take
longer to load than everything else that `underbow check` does. Nothing compares or prints a table, so that they have no methods
for it (``eq=False, repr=False``): making those is half of what a table costs, at every start.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import MISSING, Field, dataclass, field, fields
from math import isfinite
from typing import Any

from underbow.errors import Fault, near_miss
from underbow.text import is_plain, visible

MOST_UNKNOWN = 10  # unknown keys listed one by one

Fits = Callable[[object], bool]


@dataclass(frozen=True, slots=True)
class Key:
    """What a key takes.

    Parameters
    ----------
    expected : str
        What is written there, with an example.
    fits : callable
        Whether a value is of that kind.
    words : tuple of str
        The only words that are taken, where there are such.
    also : tuple of str
        What people write for the key's name.
    inner : type or None
        The dataclass of a table's own keys.
    most : int
        How many such tables there may be; 0 where it is a single one.
    """

    expected: str
    fits: Fits
    words: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    inner: type[Any] | None = None
    most: int = 0


def entry(
    expected: str, fits: Fits | Sequence[str], default: Any = MISSING, *, also: str = "", factory: Any = MISSING
) -> Any:
    """Make the field of a key.

    Parameters
    ----------
    expected : str
        What is written there, with an example.
    fits : callable or sequence of str
        Whether a value is of that kind, or the words that are taken.
    default : object
        What holds where it is left out; without it the key must be there.
    also : str
        Other words that people write for the key's name, with spaces between.
    factory : callable
        In place of a default that could be changed.
    """
    words = () if callable(fits) else tuple(fits)
    test = fits if callable(fits) else lambda value: value in words
    row = Key(expected, test, words, tuple(also.split()))
    return field(default=default, default_factory=factory, metadata={"key": row})


def subtable(expected: str, inner: type[Any], default: Any = MISSING, *, also: str = "") -> Any:
    """Make the field of a table within the table."""
    row = Key(expected, lambda value: isinstance(value, Mapping), (), tuple(also.split()), inner)
    return field(default=default, metadata={"key": row})


def subtables(expected: str, inner: type[Any], most: int, *, also: str = "") -> Any:
    """Make the field of tables that may come several times, as ``[[mix]]`` does."""

    def fits(value: object) -> bool:
        return isinstance(value, list) and all(isinstance(item, Mapping) for item in value)

    return field(default=(), metadata={"key": Key(expected, fits, (), tuple(also.split()), inner, most)})


def text(value: object) -> bool:
    """Whether a value is text with something in it."""
    return isinstance(value, str) and bool(value.strip())


def plain_text(value: object) -> bool:
    """Whether a value is text that a terminal shows and doesn't obey."""
    return text(value) and is_plain(str(value))


def text_to(most: int) -> Fits:
    """Text of at most so many characters."""
    return lambda value: text(value) and len(str(value)) <= most


def whole(low: int | None = None, high: int | None = None) -> Fits:
    """A whole number within bounds, both included.

    >>> whole(1, 8)(8), whole(1, 8)(0), whole()(True), whole()(2.0)
    (True, False, False, False)
    """

    def fits(value: object) -> bool:
        number = isinstance(value, int) and not isinstance(value, bool)
        return number and (low is None or low <= value) and (high is None or value <= high)  # type: ignore[operator]

    return fits


def between(low: float, high: float) -> Fits:
    """A number within bounds, both included.

    >>> between(0.5, 0.75)(0.5), between(0, 1)(float("nan"))
    (True, False)
    """

    def fits(value: object) -> bool:
        return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high

    return fits


def yes_or_no(value: object) -> bool:
    """Whether a value is true or false."""
    return isinstance(value, bool)


def texts(value: object) -> bool:
    """Whether a value is a table of texts."""
    return isinstance(value, Mapping) and all(map(text, value.values()))


def rows(kind: type[Any], within: str = "") -> Iterator[tuple[str, Key]]:
    """Give every key of a table, and of the tables in it, by its path, such as ``tempo.start``."""
    for name, row in _keys(kind).items():
        yield within + name, row
        if row.inner is not None:
            yield from rows(row.inner, f"{within}{name}.")


def checked(kind: type[Any], found: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Check a table's keys and values.

    Parameters
    ----------
    kind : type
        A dataclass whose fields are keys.
    found : mapping
        As ``tomllib`` gives it.

    Returns
    -------
    dict, list of Fault
        What was good, by key, tables in it as their dataclasses; and the faults, in the order of the keys. What is faulty is
        left out, so that the rest can be checked as well.

    Examples
    --------
    >>> @dataclass(frozen=True)
    ... class Ramp:
    ...     start: int = entry("a whole number, such as 60", whole(1, 400))
    ...     goal: int = entry("a whole number, such as 90", whole(1, 400), 90)
    >>> checked(Ramp, {"start": 60, "gaol": 80})
    ({'start': 60}, [Fault(what="unknown key (did you mean 'goal'?)", file='', line=None, column=None, where='gaol')])
    """
    return _checked(kind, found, kind, "", "")


def _checked(
    kind: type[Any], found: Mapping[str, Any], root: type[Any], path: str, place: str
) -> tuple[dict[str, Any], list[Fault]]:
    """Check one table: ``path`` leads to it in the root's keys, ``place`` is how a reader finds it."""
    known = _keys(kind)
    good: dict[str, Any] = {}
    faults = _unknown([name for name in found if name not in known], root, path, place)
    for name, row in known.items():
        where = place + name
        if name not in found:
            if _required(kind, name):
                faults.append(Fault(f"missing; write {row.expected}", where=where))
            continue
        value = found[name]
        if not row.fits(value):
            faults.append(Fault(_wrong(value, row), where=where))
        elif row.inner is None:
            good[name] = value
        elif row.most:
            good[name], wrong = _several(row, value, root, path + name, where)
            faults += wrong
        else:
            inner, wrong = _checked(row.inner, value, root, f"{path}{name}.", f"{where}.")
            faults += wrong
            if not any(_required(row.inner, missing) for missing in _keys(row.inner).keys() - inner.keys()):
                good[name] = row.inner(**inner)
    return good, faults


def _several(
    row: Key, found: Sequence[Mapping[str, Any]], root: type[Any], path: str, where: str
) -> tuple[tuple[Any, ...], list[Fault]]:
    """Check tables that may come several times; None stands for one with a fault, so that the others keep their numbers."""
    assert row.inner is not None  # noqa: S101
    if len(found) > row.most:
        return (), [Fault(f"found {len(found)}, the maximum is {row.most}", where=where)]
    results = [
        _checked(row.inner, each, root, f"{path}.", f"{where} {count}.") for count, each in enumerate(found, start=1)
    ]
    faults = [fault for _, wrong in results for fault in wrong]
    return tuple(None if wrong else row.inner(**inner) for inner, wrong in results), faults


def _unknown(names: Sequence[str], root: type[Any], path: str, place: str) -> list[Fault]:
    faults = [Fault(_what_is_meant(name, root, path), where=place + name) for name in names[:MOST_UNKNOWN]]
    if len(names) > MOST_UNKNOWN:
        more = len(names) - MOST_UNKNOWN
        faults.append(Fault(f"and {more} more unknown keys", where=place.rstrip(". ")))
    return faults


def _what_is_meant(name: str, root: type[Any], path: str) -> str:
    """Say which key is meant: by the words people write for it, by where it belongs, or by its spelling."""
    every = dict(rows(root))
    here = {full.removeprefix(path): row for full, row in every.items() if full.rpartition(".")[0] == path[:-1]}
    word = name.lower().replace(" ", "_").replace("-", "_")
    for other, row in here.items():
        if word in row.also or word == other:
            return f"unknown key; the key for this is {other}: write {row.expected}"
    for full, row in every.items():
        within, _, other = full.rpartition(".")
        if other == name:
            return f"in the wrong place; write it {_below(within, every)}"
        if word in row.also:
            return f"unknown key; the key for this is {other}, {_below(within, every)}: write {row.expected}"
    near = near_miss(name[:60], here)
    return f"unknown key{near}" if near else f"unknown key; the keys are {', '.join(here)}"


def _below(within: str, every: Mapping[str, Key]) -> str:
    if not within:
        return "above the first line in brackets"
    return f"below the line {'[[' if every[within].most else '['}{within}{']]' if every[within].most else ']'}"


def _wrong(value: object, row: Key) -> str:
    if isinstance(value, str) and not value.strip():
        return f"empty; write {row.expected}"
    if isinstance(value, str) and not is_plain(value) and row.fits(visible(value)):
        return f"found {shown(value)}, with a control character in it; write plain text"
    near = near_miss(value[:60], row.words) if isinstance(value, str) else ""
    return f"found {shown(value)}, expected {row.expected}{near}"


def shown(value: object) -> str:  # noqa: PLR0911  a kind a line
    r"""Write a value as a file would, shortened.

    >>> shown([1, "a", True, {}, 2]), shown(16**5000), shown("a\x1b[2J")
    ('[1, "a", true, a table, ...]', 'a number of thousands of digits', '"a\\x1b[2J"')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{visible(value if len(value) <= 40 else value[:37] + "...")}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return f"[{', '.join(shown(item) for item in value[:4])}{', ...' if len(value) > 4 else ''}]"
    if isinstance(value, int) and value.bit_length() > 2000:
        return "a number of thousands of digits"
    if isinstance(value, float) and not isfinite(value):
        return str(value)
    return str(value) if len(str(value)) <= 40 else f"{str(value)[:37]}..."


def _keys(kind: type[Any]) -> dict[str, Key]:
    return {row.name: row.metadata["key"] for row in fields(kind)}


def _required(kind: type[Any], name: str) -> bool:
    row: Field[Any] = next(row for row in fields(kind) if row.name == name)
    return row.default is MISSING and row.default_factory is MISSING
