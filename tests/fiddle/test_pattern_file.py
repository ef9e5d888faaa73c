"""Pattern files as they are read: every message, what a file may look like, and the example of their README."""

from __future__ import annotations

from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.fiddle.pattern import find_pattern, read_pattern

from .conftest import PATTERN_FILE

FOLDER = Path(__file__).parents[2] / "patterns"
BAD = Path(__file__).parents[1] / "bad" / "patterns"

# The whole of what is said about every file in tests/bad/patterns.
MESSAGES: dict[str, list[str]] = {}
for line in (BAD / "messages.txt").read_text("utf-8").splitlines():
    MESSAGES.setdefault(line.partition(".toml:")[0], []).append(line)


class TestMessages:
    def test_no_fixture_is_forgotten(self) -> None:
        assert {path.stem for path in BAD.glob("*.toml")} == set(MESSAGES)
        assert len(MESSAGES) >= 30

    @pytest.mark.parametrize("name", MESSAGES)
    def test_whole_message(self, name: str) -> None:
        with pytest.raises(InputError) as told:
            find_pattern(f"{name}.toml", BAD)
        assert str(told.value).split("\n") == MESSAGES[name]

    def test_unknown_name(self) -> None:
        with pytest.raises(InputError) as told:
            find_pattern("nashvile shufle")
        assert str(told.value) == (
            "no pattern 'nashvile shufle' (did you mean 'nashville-shuffle'?); `underbow patterns` lists them; "
            "for a file of your own write its whole name, such as my-shuffle.toml"
        )

    def test_missing_file(self, tmp_path: Path) -> None:
        with pytest.raises(InputError) as told:
            find_pattern("mine.toml", tmp_path)
        assert str(told.value) == (
            "mine.toml: no such file; check its name and its folder; a sheet names it by its path from the sheet"
        )

    def test_folder_in_the_place_of_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "mine.toml").mkdir()
        with pytest.raises(InputError, match=r"^mine\.toml: a folder; name the file in it, which ends in \.toml$"):
            find_pattern("mine.toml", tmp_path)

    @pytest.mark.parametrize(
        ("data", "message"),
        [
            (
                b"\xff\xfe\x00",
                "mine.toml: not a text file; open it in a text editor and save it again with the encoding UTF-8",
            ),
            (b"# " * 250_001, "mine.toml: more than 500,000 bytes; a sheet or a pattern is a page of text"),
            (b"a = " + b"[" * 20_000, "mine.toml:1: more than 20 brackets inside each other; write it with fewer"),
        ],
    )
    def test_files_that_are_no_patterns(self, tmp_path: Path, data: bytes, message: str) -> None:
        (tmp_path / "mine.toml").write_bytes(data)
        with pytest.raises(InputError) as told:
            find_pattern("mine.toml", tmp_path)
        assert str(told.value) == message

    def test_a_number_too_long_for_the_reader(self) -> None:
        with pytest.raises(InputError, match="line 1: a number of thousands of digits; write a shorter one"):
            read_pattern(f"cells = {'9' * 5000}")


class TestFiles:
    def test_windows_line_ends_and_byte_order_mark(self, tmp_path: Path) -> None:
        (tmp_path / "my own.toml").write_bytes(b"\xef\xbb\xbf" + PATTERN_FILE.replace("\n", "\r\n").encode())
        assert find_pattern("my own.toml", tmp_path).grid == read_pattern(PATTERN_FILE).grid

    def test_without_a_file_the_title_names_it(self) -> None:
        assert read_pattern(PATTERN_FILE).name == "test"

    def test_bar_lines_may_frame_the_row(self) -> None:
        framed = PATTERN_FILE.replace('"d - u d u - d u"', '"| d-ud u-du |"')
        assert read_pattern(framed).grid == read_pattern(PATTERN_FILE).grid


class TestTheReadme:
    def test_its_example_is_the_shuffle(self) -> None:
        example = (FOLDER / "README.md").read_text("utf-8").split("```toml\n")[1].split("```")[0]
        assert read_pattern(example, "README.md").grid == find_pattern("nashville-shuffle").grid
