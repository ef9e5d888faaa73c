"""TOML as teachers write it: every line that can't be read is listed, with its likely cure, and the limits hold."""

# ruff: noqa: E501  whole messages, each on its line

from __future__ import annotations

import tracemalloc
from dataclasses import dataclass
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.tables import read_table, read_text
from underbow.tables.keys import between, checked, entry, shown, subtable, subtables, text, texts, whole, yes_or_no
from underbow.tables.text import MOST_BYTES
from underbow.tables.toml import MOST_DEPTH, MOST_DOTS, MOST_LINES_LISTED


def listed(toml: str) -> list[str]:
    with pytest.raises(InputError) as wrong:
        read_table(toml, "my.toml")
    return [str(fault) for fault in wrong.value.faults]


@pytest.mark.parametrize(
    ("text", "place", "line", "cure"),
    [
        ("title = “Foo”", "1:9", "title = “Foo”", 'write straight quotes, "...", instead of curly ones'),
        ("start = 60,5", "1:11", "start = 60,5", "write a point in a number, such as -16.0, not a comma"),
        ("beat = 1/4", "1:9", "beat = 1/4", 'write a note value in double quotes, such as "1/4"'),
        ('title = "Foo\n', "1:13", 'title = "Foo', "a double quote is missing; text stands between two"),
        ("a = 1\nb = Foo  ", "2:5", "b = Foo", 'write text in double quotes: b = "Foo"'),
        ("title: Foo", "1:6", "title: Foo", "write = between a key and its value, not a colon"),
        (
            'tune = "C:\\Users\\me.abc"',
            "1:13",
            'tune = "C:\\Users\\me.abc"',
            "a \\ in double quotes begins a special character; write / in a file's name",
        ),
        ("tempo\nstart = 60", "1:6", "tempo", "write it in brackets, such as [tempo]"),
        ("[tempo\nstart = 60", "1:7", "[tempo", "a bracket is missing; a table begins with a line such as [tempo] or [[mix]]"),
        ("[[mix]\nturns = true", "1:6", "[[mix]", "a bracket is missing; a table begins with a line such as [tempo] or [[mix]]"),
        ("goal =\n", "1:7", "goal =", "a value is missing after ="),
        ('F#m = "0-3"', "1:2", 'F#m = "0-3"', 'a key with such signs needs double quotes, such as "F#m" = "0-3"'),
        ('progression = "G | D\nA | G"', "1:21", 'progression = "G | D', 'text over several lines stands between """ and """'),
    ],
)  # fmt: skip
def test_a_slip_is_told_with_its_line_and_cure(text: str, place: str, line: str, cure: str) -> None:
    assert listed(text) == [f"my.toml:{place}: this line can't be read: {line} ({cure})"]


def test_every_line_that_cant_be_read_is_listed() -> None:
    told = listed(
        'title = “Foo”\nkey = "G"\n[tempo\nbeat = 1/4\nstart = 60\n[sound]\nloudness = -16,0\nvoice = flute\n'
    )
    assert [line.partition(": ")[0] for line in told] == [
        f"my.toml:{place}" for place in ("1:9", "3:7", "4:9", "7:15", "8:9")
    ]


def test_what_follows_from_one_slip_is_not_listed_as_another() -> None:
    assert len(listed('progression = "G | D\nA | G"\nkey = "G"')) == 1
    assert len(listed("a = [1,, 2\n, 3\n, 4]\n")) == 1
    assert len(listed("x\n" * 40)) == MOST_LINES_LISTED


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[tempo]\nstart = 60\ngoal = 90\ngoal = 100", "my.toml:4: goal is written twice, first in line 3; keep one of them"),
        ("[tempo]\ngoal = 90\n[sound]\n[tempo]", "my.toml:4: [tempo] is written twice, first in line 1; keep one of them"),
        ("tempo = 120\n[tempo]\n", "my.toml:2: [tempo] is written twice, first in line 1; keep one of them"),
        ("goal = 1\n[tempo]\ngoal = 1\ngoal = 2", "my.toml:4: goal is written twice, first in line 3; keep one of them"),
        ('a = 1\nb = """x\ny', 'my.toml:2: text that begins here has no end; close it with """'),
        ("a = 1\nb = '''x\ny", "my.toml:2: text that begins here has no end; close it with '''"),
        ("a = [1,\n2", "my.toml:2: the file ends too early: 2 (a bracket or a quote is missing before the end)"),
        (f"a = 1\nb = {'9' * 5000}", "my.toml:2: a number of thousands of digits; write a shorter one"),
    ],
)  # fmt: skip
def test_what_is_told_of_other_faults(text: str, said: str) -> None:
    assert listed(text) == [said]


@pytest.mark.parametrize("head", ["X:1", "%abc-2.1\nX:1"])
def test_a_tune_given_for_a_sheet_is_called_one(head: str) -> None:
    cure = 'name it in a sheet, tune = "..."; `underbow new DIR` makes one to start from'
    assert listed(f"{head}\nT:Foo\nK:G\nGABc|") == [f"my.toml: a tune in ABC, not a TOML file; {cure}"]


class TestLimits:
    def test_the_dots_of_a_key(self) -> None:
        assert read_table(".".join("a" * (MOST_DOTS + 1)) + " = 1", "my.toml")
        for shape in ("{} = 1", "[{}]", "[[{}]]", "a = {{ {} = 1 }}", "a = [ {{ {} = 1 }} ]"):
            key = ".".join("a" * (MOST_DOTS + 2))
            assert listed(f"x = 1\n{shape.format(key)}") == ["my.toml:2: a key of more than 10 dots; write a plain key"]

    def test_the_depth(self) -> None:
        assert read_table(f"a = {'[' * MOST_DEPTH}{']' * MOST_DEPTH}", "my.toml")
        deep = f"my.toml:2: more than {MOST_DEPTH} brackets inside each other; write it with fewer"
        assert listed(f"\na = {'[' * (MOST_DEPTH + 1)}{']' * (MOST_DEPTH + 1)}") == [deep]
        assert listed(f"\na = {'{b=' * (MOST_DEPTH + 1)}") == [deep]

    def test_dots_and_brackets_in_text_are_not_counted(self) -> None:
        dots, brackets = "a." * 50, "[" * 50
        assert read_table(f'a = "{dots}"\nb = """\n{brackets}\n"""\nc = \'{brackets}\' # {dots} {brackets}', "my.toml")

    def test_a_long_dotted_key_takes_no_memory(self) -> None:
        tracemalloc.start()
        listed("a." * 8000 + "a = 1")
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 2_000_000  # by tomllib alone it takes 258 MB

    def test_the_bytes(self, tmp_path: Path) -> None:
        (tmp_path / "big.toml").write_bytes(b"#" * (MOST_BYTES + 1))
        with pytest.raises(InputError, match="more than 500,000 bytes"):
            read_text(tmp_path / "big.toml")
        (tmp_path / "big.toml").write_bytes(b"#" * MOST_BYTES)
        assert len(read_text(tmp_path / "big.toml")) == MOST_BYTES


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_whatever_an_editor_saves_is_read(tmp_path: Path, encoding: str) -> None:
    (tmp_path / "my.toml").write_text('title = "Ó Carolan’s"\n', encoding)
    assert read_table(read_text(tmp_path / "my.toml"), "my.toml") == {"title": "Ó Carolan’s"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    """Tables of a table."""

    level: float = entry("a number from 0 to 1", between(0, 1), also="volume")
    on: bool = entry("true or false", yes_or_no, False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outer:
    """A table of every kind."""

    title: str = entry("text", text, also="name")
    count: int = entry("a whole number from 1 to 8", whole(1, 8), 4)
    kind: str = entry('"steps" or "glide"', ("steps", "glide"), "steps")
    shapes: dict[str, str] = entry("a table of texts", texts, factory=dict)
    one: Inner | None = subtable("a line [one]", Inner, None)
    many: tuple[Inner, ...] = subtables("a line [[many]]", Inner, 2)


class TestKeys:
    def test_good_values_become_their_dataclasses(self) -> None:
        good, faults = checked(Outer, {"title": "x", "one": {"level": 0.5}, "many": [{"level": 1}, {"level": 0}]})
        assert faults == []
        made = Outer(**good)
        assert (made.count, made.one, made.many) == (4, Inner(level=0.5), (Inner(level=1), Inner(level=0)))

    @pytest.mark.parametrize(
        ("table", "said"),
        [
            ({}, "title: missing; write text"),
            ({"title": " "}, "title: empty; write text"),
            ({"title": "x", "count": 9}, "count: found 9, expected a whole number from 1 to 8"),
            ({"title": "x", "count": True}, "count: found true, expected a whole number from 1 to 8"),
            ({"title": "x", "count": 16**5000}, "count: found a number of thousands of digits, expected a whole number from 1 to 8"),
            ({"title": "x", "kind": "stepps"}, "kind: found \"stepps\", expected \"steps\" or \"glide\" (did you mean 'steps'?)"),
            ({"title": "x", "kind": "low"}, 'kind: found "low", expected "steps" or "glide"'),
            ({"title": "x", "shapes": {"G": 1}}, "shapes: found a table, expected a table of texts"),
            ({"title": "x", "name": "y"}, "name: unknown key; the key for this is title: write text"),
            ({"title": "x", "Count": 2}, "Count: unknown key; the key for this is count: write a whole number from 1 to 8"),
            ({"title": "x", "cuont": 2}, "cuont: unknown key (did you mean 'count'?)"),
            ({"title": "x", "zzz": 2}, "zzz: unknown key; the keys are title, count, kind, shapes, one, many"),
            ({"title": "x", "on": True}, "on: in the wrong place; write it below the line [one]"),
            ({"title": "x", "one": {"count": 1, "level": 0}}, "one.count: in the wrong place; write it above the first line in brackets"),
            ({"title": "x", "volume": 1}, "volume: unknown key; the key for this is level, below the line [one]: write a number from 0 to 1"),
            ({"title": "x", "one": 3}, "one: found 3, expected a line [one]"),
            ({"title": "x", "one": {}}, "one.level: missing; write a number from 0 to 1"),
            ({"title": "x", "many": [{"level": 0}, {"level": 2}]}, "many 2.level: found 2, expected a number from 0 to 1"),
            ({"title": "x", "many": [{"level": 0}] * 3}, "many: found 3, the maximum is 2"),
            ({"title": "x", "many": {"level": 0}}, "many: found a table, expected a line [[many]]"),
        ],
    )  # fmt: skip
    def test_what_is_told(self, table: dict[str, object], said: str) -> None:
        _, faults = checked(Outer, table)
        assert [str(fault) for fault in faults] == [said]

    def test_half_a_million_unknown_keys_are_told_in_a_few_lines(self) -> None:
        _, faults = checked(Outer, {"title": "x"} | {f"k{number}": 1 for number in range(100_000)})
        assert [str(fault) for fault in faults[9:]] == [
            "k9: unknown key; the keys are title, count, kind, shapes, one, many", "and 99990 more unknown keys",
        ]  # fmt: skip

    def test_values_are_shown_as_a_file_writes_them(self) -> None:
        assert shown([1, 2, 3, 4, 5]) == "[1, 2, 3, 4, ...]"
        assert shown("a\x9b\u202eb") == '"a\\x9b\\u202eb"'
        assert shown(float("nan")) == "nan"
        assert len(shown("x" * 500)) < 50
