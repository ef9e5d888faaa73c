"""The printed changes: each section once, with the shapes that need saying and the order played."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from underbow.lesson.contents import sheet_text
from underbow.lesson.print.handout import WrittenBar, changes_of, handout_data, make_handout, shown_shapes
from underbow.lesson.print.staff import staff_tune
from underbow.lesson.words import ENGLISH
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet, read_sheet
from underbow.tune.harmony.harmonise import DOUBTFUL, harmonise
from underbow.tune.source import load_tune

from .paper import ROOT, SHEETS, Program, tool


def in_c(music: str, hand: str = "steady") -> Sheet:
    tune = f"X:1\nT:Turns\nM:4/4\nL:1/4\nK:C\n{music}\n"
    return build_sheet({"abc": tune, "pattern": "saw", "hand": hand, "tempo": {"goal": 80, "passes": 1}})


def plain(bars: list[WrittenBar]) -> list[str]:
    return ["  ".join(f"{chord} {label}".strip() for chord, label in bar) for bar in bars]


def test_the_changes_are_written_once_with_the_order_played() -> None:
    changes, order = changes_of(read_sheet(ROOT / "tracks" / "wet-socks.toml"))
    assert order == ["A", "A", "B", "B"]
    assert plain(dict(changes)["A"]) == ["D", "%", "G", "A", "D  G", "D  A", "%", "D"]


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_only_a_chord_with_several_shapes_is_labelled_and_always_with_the_one_played(path: Path) -> None:
    sheet = read_sheet(path)
    shapes: dict[str, set[str]] = {}
    for chord, shape in shown_shapes(sheet):
        shapes.setdefault(str(chord), set()).add(shape.label)
    changes, order = changes_of(sheet)
    written = dict(changes)
    full = [bar for bar in sheet.melody.bars if bar.number > 0]
    bars = [bar for name in order for bar in written[name]]
    assert len(bars) == len(full)
    shown: WrittenBar = ()
    for bar, text in zip(full, bars, strict=True):
        shown = shown if text == (("%", ""),) else text
        played = [
            (str(span.chord).replace("#", "♯"), shape.label if len(shapes[str(span.chord)]) > 1 else "")
            for span, shape in zip(sheet.melody.chords, sheet.shapes, strict=True)
            if shape is not None and span.start < bar.end and span.end > bar.start
        ]
        assert list(shown) == played


def test_a_chord_with_two_shapes_says_on_paper_which_bar_takes_which(program: Program, tmp_path: Path) -> None:
    table = tomllib.loads((ROOT / "tracks" / "lamplight.toml").read_text(encoding="utf-8"))
    sheet = build_sheet(table | {"hand": "nearest"}, folder=ROOT / "tracks")
    assert [(str(chord), shape.label) for chord, shape in shown_shapes(sheet) if str(chord) == "C"] == [
        ("C", "3-3"),
        ("C", "3-1"),
    ]
    changes = dict(changes_of(sheet)[0])
    assert plain(changes["A"]) == ["G", "%", "C 3-3", "D", "G", "C 3-3", "D", "G"]
    assert plain(changes["B"]) == ["G", "C 3-1", "G", "D", "G", "C 3-3", "D", "G"]
    (tmp_path / "h.pdf").write_bytes(make_handout(sheet))
    text = " ".join(tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-").split())
    _, _, after = text.partition("THE CHANGES")
    told = after.partition("WHERE THE FINGERS GO")[0]
    assert (told.count("C 3-3"), told.count("C 3-1")) == (3, 1)
    assert ENGLISH["which"] in after


def test_a_sheet_with_one_shape_a_chord_says_nothing_of_shapes_in_its_changes(program: Program, tmp_path: Path) -> None:
    (tmp_path / "h.pdf").write_bytes(make_handout(read_sheet(ROOT / "tracks" / "rushes.toml")))
    text = " ".join(tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-").split())
    changes = text.partition("THE CHANGES")[2].partition("WHERE THE FINGERS GO")[0]
    assert "Em" in changes
    assert not re.search(r"\d-\d", changes)
    assert ENGLISH["which"] not in text


def test_a_section_that_takes_another_shape_the_second_time_says_both(program: Program, tmp_path: Path) -> None:
    sheet = in_c('P:A\n|:"C"c4|"C"c4|"Am"c4:|\nP:B\n|:"G"g4|"D"d4:|', hand="nearest")
    assert [shape.label for shape in sheet.shapes if shape][:4] == ["3-3", "1-1", "3-1", "1-1"]
    changes, order = changes_of(sheet)
    assert order == ["A", "A", "B", "B"]
    assert plain(dict(changes)["A"]) == ["C 3-3, then 3-1", "%", "Am"]
    (tmp_path / "h.pdf").write_bytes(make_handout(sheet))
    assert "C 3-3, then 3-1" in " ".join(tool(program, "pdftotext", "-raw", tmp_path / "h.pdf", "-").split())


def test_no_row_and_no_section_begins_with_the_repeat_sign(program: Program, tmp_path: Path) -> None:
    nine = "|".join(['"G"GABG'] * 9)
    sheet = in_c(f'P:A\n{nine}|]\nP:B\n"G"GABG|GABG|"C"c4|"G"G4|]')
    changes = dict(changes_of(sheet)[0])
    assert plain(changes["A"]) == ["G", "%", "%", "%", "G", "%", "%", "%", "G"]
    assert plain(changes["B"])[:2] == ["G", "%"]
    (tmp_path / "h.pdf").write_bytes(make_handout(sheet))
    text = tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-")
    rows = text.partition("THE CHANGES")[2].partition("WHERE THE FINGERS GO")[0].splitlines()
    begins = [re.sub(r"^\s*([AB]\s+)?", "", row)[:1] for row in rows if "G" in row]
    assert begins == ["G", "G", "G"]


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_sections_stand_one_below_the_other(path: Path, program: Program, tmp_path: Path) -> None:
    """Each row belongs to one section, which is read down: no row holds bars of two."""
    sheet = read_sheet(path)
    changes, _ = changes_of(sheet)
    (tmp_path / "h.pdf").write_bytes(make_handout(sheet))
    text = tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-")
    shown = text.partition("THE CHANGES")[2].partition("WHERE THE FINGERS GO")[0].partition("Played")[0].split()
    wanted = [word for name, bars in changes for word in (name, *" ".join(plain(bars)).split())]
    across = handout_data(sheet, "a4", ENGLISH)["across"]
    assert across == 8
    letters = {name for name, _ in changes}
    assert [word for word in shown if word not in letters] == [word for word in wanted if word not in letters]
    assert all(word in shown for word in letters)


def test_a_bar_with_much_in_it_has_a_quarter_of_the_width() -> None:
    crowded = in_c('"C"c4|"F#m7b5"c2 "B7b9"^d2|"Em"e4|"Am"A4|"G"G4|"C"c4|')
    assert handout_data(crowded, "a4", ENGLISH)["across"] == 4


def test_a_doubtful_chord_has_a_question_mark_until_it_is_decided(program: Program, tmp_path: Path) -> None:
    """In the changes and over the notes, with a line that says what it means; a chord that is decided has none."""
    tune = "X:1\nT:Bare\nM:3/4\nL:1/4\nK:D\n|:F A d|f2 e|d2 B|A3|G B d|B2 A|F2 D|E3|F A d|f2 e|d2 B|A3|G B d|c B A|d2 A|d3:|\n"
    suggested = harmonise(load_tune(tune))
    doubtful = {bar.number for bar in suggested.bars if bar.sureness < DOUBTFUL}
    sheet = build_sheet({"abc": tune, "changes": {str(min(doubtful)): "Em"}})
    doubtful.remove(min(doubtful))
    assert doubtful
    assert sheet.doubtful == doubtful
    ((_, bars),) = changes_of(sheet)[0]
    for number, bar in enumerate(bars, 1):
        assert all(chord.endswith("?") == (number in doubtful) for chord, _ in bar if chord != "%"), (number, bar)
    numbers = {
        number
        for number, measure in enumerate(staff_tune(sheet).measures, 1)
        for span in measure.chords
        if span.doubtful
    }
    assert numbers <= doubtful
    (tmp_path / "h.pdf").write_bytes(make_handout(sheet))
    text = " ".join(tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-").split())
    assert ENGLISH["doubtful"] in text
    assert "?" in text.partition("THE CHANGES")[0]
    assert ENGLISH["doubtful"] in sheet_text(sheet)
    decided = build_sheet({"abc": tune, "changes": {str(number): "D" for number in range(1, 17)}})
    assert not any("?" in chord for _, bars in changes_of(decided)[0] for bar in bars for chord, _ in bar)
    assert ENGLISH["doubtful"] not in sheet_text(decided)
