"""The pages that users read say what the code does."""

from __future__ import annotations

import re
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from underbow.cli import app
from underbow.sound.soundfont.banks import usual_places
from underbow.tables import read_table
from underbow.track.instruments import INSTRUMENTS
from underbow.track.sheet.table import SheetTable

ROOT = Path(__file__).parents[2]
SHEET_KEYS = {one.name for one in fields(SheetTable)}
PAGES = ("README.md", "DEVELOPERS.md", "soundfonts.md", "patterns/README.md")
README = (ROOT / "README.md").read_text("utf-8")
SOUNDFONTS = (ROOT / "soundfonts.md").read_text("utf-8")


def helped(*words: str) -> str:
    result = CliRunner().invoke(app, [*words, "--help"], env={"COLUMNS": "200", "NO_COLOR": "1", "TERM": "dumb"})
    assert result.exit_code == 0, words
    return str(result.stdout)


@pytest.mark.parametrize("page", PAGES)
def test_relative_links_resolve(page: str) -> None:
    text = (ROOT / page).read_text("utf-8")
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
        assert target.startswith("http") or (ROOT / page).parent.joinpath(target).exists(), target


@pytest.mark.parametrize("page", PAGES)
def test_commands_and_their_options_exist(page: str) -> None:
    lines = re.findall(r"underbow ([a-z]+)([^`\n#]*)", (ROOT / page).read_text("utf-8"))
    known = set(re.findall(r"│ ([a-z]+) +[A-Z]", helped()))
    assert len(known) >= 10
    for name, rest in lines:
        if name in known:
            for option in re.findall(r"--[a-z-]+", rest):
                assert option in helped(name), (name, option)
        else:
            assert page != "README.md", f"underbow {name} is no command"


def test_every_key_of_a_sheet_is_in_the_readme_and_the_other_way_round() -> None:
    table = README[README.index("## The track sheet, line by line") : README.index("## Your own pattern")]
    named = set(re.findall(r"^\| `\[*(\w+)\]*` \|", table, re.MULTILINE))
    assert named <= SHEET_KEYS
    assert SHEET_KEYS - named == {"abc", "compose", "meter"}
    assert all(f"`{key} = " in table for key in ("abc", "compose", "meter"))


def test_the_examples_of_the_readme_are_accepted(tmp_path: Path) -> None:
    sheet, recording, pattern = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    assert read_table(recording, "")["recording"]["file"] == "me.wav"
    (tmp_path / "lamplight.abc").write_bytes((ROOT / "tracks/lamplight.abc").read_bytes())
    (tmp_path / "sheet.toml").write_text(sheet, "utf-8")
    (tmp_path / "pattern.toml").write_text(pattern, "utf-8")
    result = CliRunner().invoke(app, ["check", str(tmp_path / "sheet.toml"), str(tmp_path / "pattern.toml")])
    assert result.exit_code == 0, result.stdout
    assert read_table(sheet, "")["tempo"]["beat"] == "1/2"


@pytest.mark.parametrize(("system", "row"), [("linux", "Linux"), ("darwin", "macOS"), ("win32", "Windows")])
def test_banks_are_looked_for_where_the_page_says(monkeypatch: Any, system: str, row: str) -> None:
    monkeypatch.setattr(sys, "platform", system)
    for name in ("XDG_DATA_HOME", "XDG_DATA_DIRS"):
        monkeypatch.delenv(name, raising=False)
    for name in ("LOCALAPPDATA", "PROGRAMDATA"):
        monkeypatch.setenv(name, f"%{name}%")
    line = re.search(rf"^\| {row} \| (`[~/%C].*) \|$", SOUNDFONTS, re.MULTILINE)
    assert line is not None
    home = str(Path.home())
    assert re.findall(r"`([^`]+)`", line[1]) == [str(place).replace(home, "~", 1) for place in usual_places()]


def test_the_page_names_each_environment_variable_that_is_read_and_no_other() -> None:
    code = (ROOT / "src/underbow/sound/soundfont/banks.py").read_text("utf-8")
    assert set(re.findall(r"XDG_\w+|UNDERBOW_\w+|LOCALAPPDATA|PROGRAMDATA", code)) == set(
        re.findall(r"XDG_\w+|UNDERBOW_\w+|LOCALAPPDATA|PROGRAMDATA", SOUNDFONTS)
    )


def test_the_page_names_the_programs_that_are_asked_for() -> None:
    """Every row of the table against the one table of instruments, by part, voice, General MIDI name and number."""
    table = SOUNDFONTS.partition("| part | instrument | number | byte |")[2].partition("\n\n")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.strip().splitlines()[1:]]
    assert len(rows) == len(INSTRUMENTS)
    for (part, name, number, byte), known in zip(rows, INSTRUMENTS, strict=True):
        where = f'melody, `voice = "{known.voice}"`' if known.voice else known.part
        assert part == {"tuning": "tuning notes"}.get(where, where)
        if known.program < 0:
            assert (number, byte) == ("–", "–")
        else:
            assert name.casefold().startswith(known.general_midi.casefold())
            assert (int(number), int(byte)) == (known.program + 1, known.program)


@pytest.mark.parametrize("page", ["README.md", "soundfonts.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_lines_wrap_at_one_width(page: str) -> None:
    """But for tables, code and pictures, which can't be broken."""
    text = re.sub(r"^```.*?^```$", "", (ROOT / page).read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    prose = [line for line in text.split("\n") if not line.startswith(("|", "![", "#"))]
    assert [line for line in prose if len(line) > 120 and " " in line.strip()] == []
