"""The printed sheet, read back by poppler's tools: one page, fonts embedded, text selectable, hostile text as text."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import pytest

from underbow.lesson.print.handout import Paper, handout_data, make_handout
from underbow.lesson.print.staff import staff_tune
from underbow.lesson.words import ENGLISH
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet, read_sheet

from .paper import ROOT, SHEETS, Program, tool

SIZES = {"a4": (595.3, 841.9), "us-letter": (612.0, 792.0)}  # points: ISO 216 A4, ANSI A


def hostile(title: str, composer: str = "x", symbol: str = "G") -> Sheet:
    tune = f'X:1\nT:x\nC:{composer}\nM:4/4\nL:1/4\nK:G\n"{symbol}"GABc|"D"d4|]\n'
    return build_sheet({"title": title, "abc": tune, "pattern": "saw", "tempo": {"goal": 80, "passes": 1}})


@pytest.mark.parametrize("paper", get_args(Paper))
@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_every_shipped_sheet_fits_one_page(path: Path, paper: Paper, program: Program, tmp_path: Path) -> None:
    sheet = read_sheet(path)
    pdf = tmp_path / "sheet.pdf"
    pdf.write_bytes(make_handout(sheet, paper=paper))
    info = tool(program, "pdfinfo", pdf)
    assert re.search(r"Pages: +1\n", info)
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+)", info)
    assert size is not None
    assert (float(size[1]), float(size[2])) == pytest.approx(SIZES[paper], abs=0.5)
    fonts = tool(program, "pdffonts", pdf).splitlines()[2:]
    assert fonts
    assert all(re.search(r" yes (yes|no) (yes|no) ", line) for line in fonts), fonts
    text = tool(program, "pdftotext", "-layout", pdf, "-")
    assert sheet.title in text
    for chord in {str(span.chord).replace("#", "♯") for span in sheet.melody.chords if span.chord}:
        assert chord in text
    for tempo in sheet.ramp.tempos:
        assert str(round(tempo.count)) in text
    assert "see a doctor" in text


@pytest.mark.parametrize(
    ("name", "tones", "strings"),
    [
        ("gateposts", "1 the root, 3 the third, 5 the fifth.", False),
        ("rushes", "1 the root, 3 the third, 5 the fifth, with ♭ the lower one.", False),
        ("snow-on-the-weir", "", True),  # which has no room left below
    ],
)
def test_figures_in_drawings_are_explained_where_there_is_room(
    name: str, tones: str, strings: bool, program: Program, tmp_path: Path
) -> None:
    (tmp_path / "sheet.pdf").write_bytes(make_handout(read_sheet(ROOT / "tracks" / f"{name}.toml")))
    text = " ".join(tool(program, "pdftotext", tmp_path / "sheet.pdf", "-").split())
    assert re.findall(r"After each note stands which tone of its chord it is: (.*?\.)", text) == [tones] * bool(tones)
    assert "The figures under the count: how much the bow leans, 9 the most." in text
    assert ("The two short lines: the strings" in text) == strings
    assert re.search(r"Pages: +1\n", tool(program, "pdfinfo", tmp_path / "sheet.pdf"))


def test_a_long_tune_flows_over_pages(program: Program, tmp_path: Path) -> None:
    music = "|\n".join('"G"GABc dBGB|"C"cegc eccA|"D"dfaf dAFA|"G"GBdB G4' for _ in range(60))
    tune = f"X:1\nT:Long\nM:4/4\nL:1/8\nK:G\n{music}|]\n"
    sheet = build_sheet({"abc": tune, "pattern": "saw", "tempo": {"goal": 80, "passes": 1}})
    (tmp_path / "long.pdf").write_bytes(make_handout(sheet))
    pages = re.search(r"Pages: +(\d+)", tool(program, "pdfinfo", tmp_path / "long.pdf"))
    assert pages is not None
    assert int(pages[1]) > 1
    assert tool(program, "pdftotext", tmp_path / "long.pdf", "-").count("see a doctor") == 1


def test_the_same_sheet_gives_the_same_bytes() -> None:
    assert make_handout(read_sheet(SHEETS[0])) == make_handout(read_sheet(SHEETS[0]))


@pytest.mark.parametrize(
    "title",
    [
        "#panic(1) $x$ *b* _i_ @ref <label> `code` \\u{41} // no /* no",
        '"quoted" & <b>bold</b>',
        "../../etc/passwd",
        "שלום רב",
        "Ünïcödé Łódź",
        "tab\there\x07",
    ],
)
def test_hostile_text_comes_out_as_text(title: str, program: Program, tmp_path: Path) -> None:
    (tmp_path / "h.pdf").write_bytes(make_handout(hostile(title, composer=title.replace("\t", " "))))
    text = " ".join(tool(program, "pdftotext", "-raw", tmp_path / "h.pdf", "-").split())
    if title.isascii():
        assert " ".join("".join(c if c.isprintable() else " " for c in title).split()) in text


def test_ten_thousand_characters_do_not_fill_the_page(program: Program, tmp_path: Path) -> None:
    (tmp_path / "h.pdf").write_bytes(make_handout(hostile("x", composer="a" * 10_000)))
    assert tool(program, "pdftotext", tmp_path / "h.pdf", "-").count("a") < 500
    assert re.search(r"Pages: +1\n", tool(program, "pdfinfo", tmp_path / "h.pdf"))
    boxes = tool(program, "pdftotext", "-bbox", tmp_path / "h.pdf", "-")
    assert max(float(x) for x in re.findall(r'xMax="([\d.]+)"', boxes)) < SIZES["a4"][0]


def test_cut_time_stands_under_the_title_as_two_two(program: Program, tmp_path: Path) -> None:
    """As musicians put the sign into words; the staff has the sign itself."""
    (tmp_path / "h.pdf").write_bytes(make_handout(read_sheet(ROOT / "tracks" / "lamplight.toml")))
    text = tool(program, "pdftotext", "-layout", tmp_path / "h.pdf", "-")
    assert "G major · 2/2 · " in " ".join(text.split())
    assert "C|" not in text


def test_every_time_that_a_tempo_is_played_has_a_box(program: Program, tmp_path: Path) -> None:
    def strokes(each: int) -> int:
        tempo = {"start": 60, "goal": 100, "passes": 5, "each": each}
        tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:C\n"C"c4|"G"d4|]\n'
        (tmp_path / "h.pdf").write_bytes(make_handout(build_sheet({"abc": tune, "pattern": "saw", "tempo": tempo})))
        return tool(program, "pdftocairo", "-svg", tmp_path / "h.pdf", "-").count("<path")

    assert strokes(3) - strokes(2) == 5


def test_the_plan_says_how_often_each_tempo_comes() -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:C\n"C"c4|"G"d4|]\n'
    sheet = build_sheet({"abc": tune, "pattern": "saw", "tempo": {"start": 60, "goal": 80, "passes": 2, "each": 3}})
    assert "Every tempo is played 3 times." in handout_data(sheet, "a4", ENGLISH)["words"]["plan_how"]


def sizes(svg: str) -> list[float]:
    return [float(size) for size in re.findall(r'font-size="([\d.]+)', svg) if float(size)]


def least_letter(data: dict[str, Any]) -> float:
    """The smallest letter of the drawings, in points."""
    drawn = [(data["shapes"], data["shapes_share"]), *((one["grid"], one["share"]) for one in data["patterns"])]
    found = []
    for svg, share in drawn:
        width = re.search(r'viewBox="0 0 ([\d.]+)', svg)
        assert width is not None
        found.append(min(sizes(svg)) * 504 * share / float(width[1]))
    return min(found)


@pytest.mark.parametrize("paper", get_args(Paper))
def test_twelve_chords_and_their_plan_fit_one_page(paper: Paper, program: Program, tmp_path: Path) -> None:
    sheet = build_sheet(
        {"title": "Twelve", "meter": "4/4", "pattern": "nashville-shuffle", "compose": {"seed": 1},
         "progression": "G | A | B | C | D | E | F | Am | Bm | Em | F#m | C#m",
         "tempo": {"start": 60, "goal": 120, "step": 10}}
    )  # fmt: skip
    (tmp_path / "twelve.pdf").write_bytes(make_handout(sheet, paper=paper))
    assert re.search(r"Pages: +1\n", tool(program, "pdfinfo", tmp_path / "twelve.pdf"))
    assert least_letter(handout_data(sheet, paper, ENGLISH)) >= 7.9


@pytest.mark.parametrize("paper", get_args(Paper))
@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_no_letter_is_smaller_than_8_points(path: Path, paper: Paper) -> None:
    """Drawings by their letters' size, times the paper's width that they get; the text by what the template says."""
    data = handout_data(read_sheet(path), paper, ENGLISH)
    for page in data["tune"]:
        width = re.search(r'definition-scale".*?viewBox="0 0 (\d+)', page)
        assert width is not None
        assert min(sizes(page)) * 504 / float(width[1]) >= 7.99
    assert least_letter(data) >= 7.9
    template = files("underbow.lesson.print").joinpath("handout.typ").read_text("utf-8")
    assert min(float(size) for size in re.findall(r"text\(([\d.]+)pt", template)) >= 8


def test_the_notation_breaks_over_pages(program: Program, tmp_path: Path) -> None:
    music = "|\n".join('"G"GABc dBGB|"C"cegc eccA|"D"dfaf dAFA|"G"GBdB G4' for _ in range(24))
    sheet = build_sheet(
        {"abc": f"X:1\nT:Long\nM:4/4\nL:1/8\nK:G\n{music}|]\n", "pattern": "saw", "tempo": {"goal": 80, "passes": 1}}
    )
    (tmp_path / "long.pdf").write_bytes(make_handout(sheet))
    first = tool(program, "pdftotext", "-f", "1", "-l", "1", tmp_path / "long.pdf", "-").split()
    second = tool(program, "pdftotext", "-f", "2", "-l", "2", tmp_path / "long.pdf", "-").split()
    assert first.count("C") > 12
    assert second[0] != "THE"
    assert second.count("C") > 2


def test_some_bars_alone_are_printed_with_their_numbers_and_said(program: Program, tmp_path: Path) -> None:
    line = '"G"GABc dBGB|"C"cegc eccA|"D"dfaf dAFA|"Am"GBdB A4|\n'
    tune = f"X:1\nT:x\nM:4/4\nL:1/8\nK:G\n|:{line}{line.replace('C', 'Em')}{line}:|\n"
    sheet = build_sheet(
        {"title": "Part", "abc": tune, "pattern": "saw", "bars": "5-6", "tempo": {"goal": 80, "passes": 1}}
    )
    data = handout_data(sheet, "a4", ENGLISH)
    assert data["title"] == "Part (bars 5–6)"
    (page,) = data["tune"]
    assert page.count('class="measure"') == 2
    assert "E040" not in page.split("<defs>")[1].split("</defs>")[0]  # SMuFL U+E040: a repeat sign's dots
    (tmp_path / "p.pdf").write_bytes(make_handout(sheet))
    assert "Part (bars 5–6)" in tool(program, "pdftotext", tmp_path / "p.pdf", "-")


def test_repeat_signs_are_printed_only_where_they_are_played() -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:G\nP:A\n|:"G"GABc:|\nP:B\n|:"D"d4:|\n'
    table = {"abc": tune, "pattern": "saw", "tempo": {"goal": 80, "passes": 1}}

    def repeats(**more: str) -> int:
        return sum(measure.repeat_end for measure in staff_tune(build_sheet(table | more)).measures)

    assert (repeats(), repeats(form="AABB"), repeats(form="AB")) == (2, 2, 0)


def test_flats_have_one_sign_and_a_tuning_says_so(program: Program, tmp_path: Path) -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:A\n"Bb"BABc|"A"A4|]\n'
    sheet = build_sheet({"abc": tune, "pattern": "saw", "tuning": "AEAE", "tempo": {"goal": 80, "passes": 1}})
    (tmp_path / "f.pdf").write_bytes(make_handout(sheet))
    text = tool(program, "pdftotext", tmp_path / "f.pdf", "-")
    assert "tune to A E A E" in text
    assert "Bb" not in text
    assert text.count("B♭") >= 3  # staff, changes, hand shape


def test_low_and_high_fingers_are_explained_where_they_are_used() -> None:
    marked = handout_data(read_sheet(ROOT / "tracks" / "snow-on-the-weir.toml"), "a4", ENGLISH)
    plain_one = handout_data(read_sheet(ROOT / "tracks" / "wet-socks.toml"), "a4", ENGLISH)
    assert (ENGLISH["low_high"] in marked["told"]) == any(
        "L" in shape for shape in re.findall(r">(L\d)<", marked["shapes"])
    )
    assert ENGLISH["low_high"] not in plain_one["told"]


def test_the_teachers_words_are_printed(program: Program, tmp_path: Path) -> None:
    sheet = replace(hostile("x"), to_learner="Keep the first finger down.\n#strong[not] markup")
    (tmp_path / "t.pdf").write_bytes(make_handout(sheet))
    text = tool(program, "pdftotext", tmp_path / "t.pdf", "-")
    assert "A WORD FROM YOUR TEACHER" in text
    assert "#strong[not] markup" in text


def test_a_title_in_any_script_is_printed_or_its_loss_is_said(program: Program, tmp_path: Path) -> None:
    for title in ("雪の堰", "雪 Snow", "שלג על הסכר", "𓀀𓀁"):
        told: list[str] = []
        (tmp_path / "j.pdf").write_bytes(make_handout(hostile(title), tell=told.append))
        text = tool(program, "pdftotext", tmp_path / "j.pdf", "-")
        lost = [sign for sign in title if sign not in text and not sign.isspace()]
        assert not lost or (
            len(told) == 1 and "no font on this machine has" in told[0] and all(sign in told[0] for sign in lost)
        )


def test_half_a_word_is_not_printed(program: Program, tmp_path: Path) -> None:
    told: list[str] = []
    nowhere = "\U00012000"  # cuneiform
    title = f"{nowhere}\u03b1\u03b2 Été{nowhere}"
    (tmp_path / "h.pdf").write_bytes(make_handout(hostile(title), tell=told.append))
    text = tool(program, "pdftotext", tmp_path / "h.pdf", "-")
    if not told:
        pytest.skip("this machine has a font for cuneiform")
    assert "Été" in text
    assert "\u03b1" not in text
    assert f"{nowhere}\u03b1\u03b2" in told[0]
    assert "install one that has" in told[0]


def test_the_pdf_is_tagged_after_pdf_ua_1_and_every_picture_is_described(program: Program, tmp_path: Path) -> None:
    """ISO 14289-1: the identifier in the metadata, tags, a language; an alternative text for each picture."""
    (tmp_path / "u.pdf").write_bytes(make_handout(read_sheet(SHEETS[0])))
    info = tool(program, "pdfinfo", tmp_path / "u.pdf")
    assert re.search(r"Tagged: +yes", info)
    assert "<pdfuaid:part>1</pdfuaid:part>" in tool(program, "pdfinfo", "-meta", tmp_path / "u.pdf")
    structure = tool(program, "pdfinfo", "-struct-text", tmp_path / "u.pdf")
    assert structure.count("Figure") >= 3
    assert "H1" in structure
    assert "H2" in structure
