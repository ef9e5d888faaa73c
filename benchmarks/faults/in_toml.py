"""A table written in one of TOML's many ways, now and then with damage to the text."""

from __future__ import annotations

import random
from typing import Any

import mutate

Chance = random.Random
Table = dict[str, Any]


def written(table: Table, chance: Chance) -> str:
    """Write a table in one of the ways that TOML has; some of them damaged as text."""
    lines = [
        f"{_key(key)}{chance.choice((' = ', '=', '   = '))}{_value(value, chance)}"
        for key, value in table.items()
        if not _is_table(value)
    ]
    chance.shuffle(lines)
    tables = [(key, value) for key, value in table.items() if _is_table(value)]
    chance.shuffle(tables)
    inline, after = [], []
    for key, value in tables:
        if isinstance(value, list):
            after += [
                f"\n[[{_key(key)}]]\n" + "\n".join(f"{_key(k)} = {_value(v, chance)}" for k, v in each.items())
                for each in value
            ]
        elif chance.random() < 0.2:
            inline += [f"{_key(key)}.{_key(k)} = {_value(v, chance)}" for k, v in value.items()]
        elif chance.random() < 0.2:
            inline.append(f"{_key(key)} = {_value(value, chance)}")
        else:
            after.append(f"\n[{_key(key)}]\n" + "\n".join(f"{_key(k)} = {_value(v, chance)}" for k, v in value.items()))
    text = "\n".join([*lines, *inline, *after, ""])
    if chance.random() < 0.1:  # remarks, other ends of lines, a mark at the start
        text = chance.choice(("\ufeff", "# x\n", "\n\n", "")) + text.replace(
            "\n", chance.choice(("\r\n", "\n", " # é\n" if '"""' not in text else "\n"))
        )
    if chance.random() < 0.1:
        for _ in range(chance.choice((1, 1, 2, 4))):
            at = chance.randrange(len(text) + 1)
            text = text[:at] + chance.choice(mutate.ODD + mutate.NUMBERS) + text[at + chance.randint(0, 3) :]
    return text


def _is_table(value: object) -> bool:
    return (isinstance(value, dict) and bool(value)) or (
        isinstance(value, list) and bool(value) and all(isinstance(each, dict) for each in value)
    )


def _key(key: str) -> str:
    plain = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if plain else '"' + _escaped(key) + '"'


def _escaped(text: str) -> str:
    return "".join(
        f"\\u{ord(sign):04x}" if ord(sign) < 32 or sign in '"\\' or ord(sign) == 127 else sign for sign in text
    )


def _value(value: Any, chance: Chance) -> str:
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return str(value).replace("e+", "e")
        case str() if "\n" in value and "'" not in value and chance.random() < 0.9:
            return f"'''\n{value}'''" if chance.random() < 0.5 else f'"""\n{_long(value)}"""'
        case str():
            return (
                f"'{value}'"
                if value.isprintable() and "'" not in value and chance.random() < 0.2
                else f'"{_escaped(value)}"'
            )
        case list():
            return "[" + ", ".join(_value(each, chance) for each in value) + "]"
        case dict():
            return "{ " + ", ".join(f"{_key(str(key))} = {_value(each, chance)}" for key, each in value.items()) + " }"
    raise TypeError(value)


def _long(text: str) -> str:
    return "\n".join(map(_escaped, text.split("\n")))
