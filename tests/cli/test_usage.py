"""A call that fits no command, or none of its options, is told in one line with the way to the help."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner, Result

from underbow.cli import app


def run(*words: str) -> Result:
    return CliRunner().invoke(app, words, prog_name="underbow", catch_exceptions=False)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("rendr s.toml", "no such command 'rendr'. Did you mean 'render'? See `underbow --help`"),
        ("xyz", "no such command 'xyz'; see `underbow --help`"),
        ("--verison", "no such option: --verison (Possible options: --version); see `underbow --help`"),
        ("render", "missing argument 'SHEET'; see `underbow render --help`"),
        ("render s.toml --outptu x", "no such option: --outptu (Possible options: --output); see `underbow render --help`"),
        ("render s.toml -o", "option '-o' requires an argument; see `underbow --help`"),
        ("render s.toml --stems=3", "option '--stems' does not take a value; see `underbow --help`"),
        ("new a b", "got unexpected extra argument(s) (b); see `underbow new --help`"),
        (
            "render s.toml --workers two",
            "invalid value for '--workers': found two, expected a whole number from 0 to 512; see `underbow render --help`",
        ),
        (
            "desk --port 65536",
            "invalid value for '--port': found 65536, expected a whole number from 0 to 65535; see `underbow desk --help`",
        ),
        ("drill C --start 1e9", "invalid value for '--start': found 1e9, expected a whole number; see `underbow drill --help`"),
        (
            "tune me.wav --tempo nan",
            "invalid value for '--tempo': found nan, expected a number from 20 to 400; see `underbow tune --help`",
        ),
    ],
)  # fmt: skip
def test_one_line_and_status_2(words: str, told: str) -> None:
    result = run(*words.split())
    assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"underbow: {told}\n")


def test_a_bare_call_shows_the_help_and_nothing_else() -> None:
    result = run()
    assert (result.exit_code, result.stderr) == (2, "")
    assert "underbow render my-lesson/first-track.toml" in result.stdout


def test_what_is_asked_for_ends_with_0() -> None:
    assert run("--version").exit_code == 0
    assert run("render", "--help").exit_code == 0


def test_numbers_are_read_as_they_were_meant() -> None:
    shown = run("drill", "C", "--start", "1e2")
    assert shown.exit_code == 2
    assert run("patterns", "saw").exit_code == 0
    assert run("shapes", "C", "--position", "3").exit_code == 0
