"""The usual slips of a hand that writes letters rather than TOML, each with the whole of what is told."""

from __future__ import annotations

import pytest

from underbow.errors import InputError
from underbow.tables import read_table

AT_THE_END = "Expected newline or end of document after a statement"


@pytest.mark.parametrize(
    ("text", "place", "what", "cure"),
    [
        ("title = “Foo”", "1:9", "Invalid value", 'write straight quotes, "...", instead of curly ones'),
        ("start = 60,5", "1:11", AT_THE_END, "write a point in a number, such as -16.0, not a comma"),
        ("beat = 1/4", "1:9", AT_THE_END, 'write a note value in double quotes, such as "1/4"'),
        ('title = "Foo\n', "1:13", "Illegal character '\\n'", "a double quote is missing; text stands between two"),
        (
            "a = 1\nb = Foo",
            "2:5",
            "Invalid value",
            "write key = value, with text in double quotes, and tables such as [tempo] on a line of their own",
        ),
        (
            "title: Foo",
            "1:6",
            "Expected '=' after a key in a key/value pair",
            "write = between a key and its value, not a colon",
        ),
        (
            'tune = "C:\\Users\\me.abc"',
            "1:13",
            "Invalid hex value",
            "a \\ in double quotes begins a special character; write / in a file's name",
        ),
    ],
)
def test_a_slip_is_told_with_its_cure(text: str, place: str, what: str, cure: str) -> None:
    with pytest.raises(InputError) as wrong:
        read_table(text, "my.toml")
    assert [str(fault) for fault in wrong.value.faults] == [f"my.toml:{place}: not TOML: {what}; {cure}"]


@pytest.mark.parametrize("head", ["X:1", "%abc-2.1\nX:1"])
def test_a_tune_given_for_a_sheet_is_called_one(head: str) -> None:
    with pytest.raises(InputError) as wrong:
        read_table(f"{head}\nT:Foo\nK:G\nGABc|", "my.abc")
    cure = 'name it in a sheet, tune = "..."; `underbow new DIR` makes one to start from'
    assert [str(fault) for fault in wrong.value.faults] == [f"my.abc: a tune in ABC, not a TOML file; {cure}"]
