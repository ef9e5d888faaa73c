"""Loading a tune: which one, from what, in which encoding."""

from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.tune.source import load_tune, load_tunes

BOOK = "X:1\nT:The Mill Race\nK:D\nd8|\n\nX:2\nT:Mill Lane\nK:G\ng8|\n\nX:12\nT:O'Grady's\nK:A\na8|\n"


def test_by_number_and_title() -> None:
    assert load_tune(BOOK, 2).title == "Mill Lane"
    assert load_tune(BOOK, title="mill lane").number == 2
    assert load_tune(BOOK, title="race").number == 1
    assert load_tune(BOOK, title="ogradys").number == 12
    assert load_tune("X:1\nT:Seán Óg\nK:D\nd8|\n\nX:2\nT:b\nK:D\nd8|\n", title="sean og").number == 1
    assert [tune.number for tune in load_tunes(BOOK)] == [1, 2, 12]


@pytest.mark.parametrize(
    ("number", "title", "says"),
    [
        (None, None, "3 tunes; choose one by its number or its title: 1 The Mill Race; 2 Mill Lane; 12 O'Grady's"),
        (3, None, "no tune has the number 3; there are 1, 2, 12"),
        (None, "Mill", "2 tunes; choose one"),
        (None, "Mil Lane", "no tune has the title 'Mil Lane' (did you mean 'Mill Lane'?)"),
    ],
)
def test_a_choice_that_is_not_clear(number: int | None, title: str | None, says: str) -> None:
    with pytest.raises(InputError) as caught:
        load_tune(BOOK, number, title, file="book.abc")
    assert says in str(caught.value)
    assert str(caught.value).startswith("book.abc: ")


@pytest.mark.parametrize(
    ("line", "encoding", "title"),
    [
        ("T:Seán Óg", "utf-8", "Seán Óg"),
        ("T:Seán Óg", "latin-1", "Seán Óg"),
        ("T:Seán Óg", "utf-16", "Seán Óg"),
        ("T:Seán Óg", "utf-8-sig", "Seán Óg"),
        ("T:Se\\'an \\'Og", "ascii", "Seán Óg"),
        ("T:Se&aacute;n &Oacute;g", "ascii", "Seán Óg"),
        ("%%abc-charset iso-8859-2\nT:Dvořák", "iso-8859-2", "Dvořák"),
        ("%%title\r%%abc-charset iso-8859-2\rT:Dvořák", "iso-8859-2", "Dvořák"),  # old Macintosh line ends
        ("%%abc-charset undefined\nT:Seán", "utf-8", "Seán"),  # a codec that Python has only to refuse
        ("%%abc-charset no-such\nT:Seán", "latin-1", "Seán"),
        ('T:\\"Osterreich \\ss \\cc \\AE', "ascii", "Österreich ß ç Æ"),
        ("T:bell\x07 \x1b[31m", "ascii", "bell [31m"),
    ],
)
def test_encodings(tmp_path: Path, line: str, encoding: str, title: str) -> None:
    """ABC 2.1, section 8.2, and what text editors write; control characters never reach a title."""
    path = tmp_path / "tune.abc"
    path.write_bytes(f"X:1\n{line}\nK:C\nC8|\n".encode(encoding))
    assert load_tune(path).title == title


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    """ABC 2.1, section 8: all three."""
    tune = load_tune(BOOK.replace("\n", end), 2)
    assert tune.title == "Mill Lane"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file; check its name"),
        (b"", "no tune"),
        (b"X:1\nT:a\nK:C\n", "the tune has no notes"),
        (b"MThd\0\0\0\6\0\0\0\1\1\xe0", "it ends too early"),
        (b"PK\x03\x04rubbish", "not an archive that can be read"),
        (b"PK\x03\x04 [Content_Types].xml word/document.xml", "not a tune; write it in ABC as plain text"),
        (b"{\\rtf1 X:1}", "not a tune; write it in ABC as plain text"),
    ],
)
def test_files_that_can_not_be_read(tmp_path: Path, content: bytes | None, says: str) -> None:
    path = tmp_path / "tune.abc"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_tune(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_folder_is_no_tune(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a folder; name a tune's file in it"):
        load_tune(tmp_path)


def test_strict_concerns_the_tune_chosen() -> None:
    text = "X:1\nM:4/4\nL:1/8\nK:C\nc8|c7|c8|\n\nX:2\nM:4/4\nL:1/8\nK:C\nc8|\n"
    load_tune(text, 2, strict=True)
    with pytest.raises(InputError, match="too short"):
        load_tune(text, 1, strict=True)
