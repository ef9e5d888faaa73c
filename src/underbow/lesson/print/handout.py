"""The printed sheet: a page to put on the stand, as a vector PDF in A4 or US Letter.

Title, tune, changes, hand shapes, bowing, practice plan and cautions, set by typst from ``handout.typ``. Everything
that comes from a file goes in as data: nothing of it is read as markup.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.resources import files
from itertools import groupby, islice, pairwise
from typing import Any, Literal

from underbow.errors import UnderbowError
from underbow.fiddle.drawing.grid_svg import draw_grid_svg
from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.pattern import Pattern
from underbow.fiddle.shapes.change import staying
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.lesson.facts import facts_of
from underbow.lesson.letters import left_out_of, typeset_shown, without
from underbow.lesson.print.engrave import LYRIC_UNIT, LYRICS, engrave
from underbow.lesson.print.staff import shown_measures, staff_tune
from underbow.lesson.typeset import SettingError
from underbow.lesson.words import ENGLISH
from underbow.text import one_line, signs
from underbow.theory.chord import Chord
from underbow.track.ramp import Ramp
from underbow.track.sheet.model import Sheet

Paper = Literal["a4", "us-letter"]
WrittenBar = tuple[tuple[str, str], ...]  # chords, each with the label of its shape or nothing
ACROSS = 4  # bars in a row of the changes, or twice as many
_ENGRAVED = 1150  # pixels of the tune's width
_STAFF = 25.0 * _ENGRAVED  # the same in the engraver's units
_LINES = 300  # pixels of a picture of the tune, so that a page may break between two
_LEAST = 8.0  # points, of any letter
_TEXT = 504.0  # points, what both papers have of width at the least
_SHAPE = 280.0  # units of a hand shape's width, as shape_svg draws it
_BAR = 320.0  # of a bar's
_LETTER, _INSET = 23.0, 3.0  # points, of a section's letter and beside a bar's chords
_BOLD, _LABEL = 6.0, 4.5  # points, what a letter of a chord and of its shape's label takes
_LONGEST = 300  # characters of a composer's name, or of a line about a pattern


def make_handout(
    sheet: Sheet,
    *,
    paper: Paper = "a4",
    words: dict[str, str] = ENGLISH,
    tell: Callable[[str], None] = lambda line: None,
) -> bytes:
    """Set the printed sheet.

    Parameters
    ----------
    sheet : Sheet
    paper : {"a4", "us-letter"}
    words : dict
        The texts, as in :data:`~underbow.lesson.words.ENGLISH`.
    tell : callable
        Called with a line where letters had to be left out because no font of this machine has them.

    Returns
    -------
    bytes
        A PDF after PDF/UA-1 (ISO 14289-1): tagged, fonts embedded, text selectable, black on white. The same bytes for the same
        sheet, where its letters are in the fonts that come along; others are taken from the system's fonts.
    """
    template = files("underbow.lesson.print").joinpath("handout.typ").read_bytes()
    data = json.dumps(handout_data(sheet, paper, words), ensure_ascii=False)
    try:
        setting = typeset_shown(
            template, data, "setting the printed sheet", lambda data, gone: _without(data, gone, words)
        )
    except SettingError as error:
        raise UnderbowError(f"{sheet.title}: the printed sheet could not be set: {error}") from error
    if setting.left_out:
        tell(left_out_of(sheet.title, setting.left_out, "the printed sheet"))
    return setting.pages[0]


def _without(data: str, letters: str, words: Mapping[str, str]) -> tuple[str, list[str]]:
    rest, left_out = without(data, letters)
    left = json.loads(rest)
    title = left["title"].strip() or words["no_title"]
    return json.dumps(left | {"title": title}, ensure_ascii=False), left_out


def handout_data(sheet: Sheet, paper: Paper, words: dict[str, str]) -> dict[str, Any]:
    """Gather what the page shows, as plain data."""
    shown = list(shown_shapes(sheet))
    stays = any(staying(a[1], b[1]) for a, b in pairwise(shown))
    marked = any(stop.mark for _, shape in shown for stop in shape.stops)
    changes, order = changes_of(sheet, words)
    several = any(label for _, bars in changes for bar in bars for _, label in bar)
    columns = 2 if len(shown) in {2, 4} else 3 if len(shown) <= 9 else 4
    first, last = sheet.ramp.tempos[0], sheet.ramp.spans[-1][1]
    tempo = f"{words.get(first.beat_name, first.beat_name)} = {float(first.count):g}"
    if first != last:
        tempo += f" – {float(last.count):g}"
    key, meter, *tuning = facts_of(sheet, words)
    facts = [key, meter, tempo, *tuning]
    if sheet.recording and sheet.recording.by:
        facts.append(words["played_by"].replace("{by}", sheet.recording.by))
    tune = engrave(
        staff_tune(sheet), width=_ENGRAVED, scale=40, height=_LINES, only=shown_measures(sheet),
        lyrics=max(LYRICS, _LEAST * _STAFF / _TEXT / LYRIC_UNIT),
    )  # fmt: skip
    share = _share(columns, paper)
    drawn = draw_svg(shown, columns=columns, least=_LEAST * _SHAPE * columns / (_TEXT * share))
    title = one_line(sheet.title)
    if sheet.bars:
        title = words["only_bars"].replace("{title}", title).replace("{bars}", sheet.bars.replace("-", "–"))
    return {
        "paper": paper,
        "words": words | {"plan_how": " ".join([words["plan_how"], *rounds_of(sheet.ramp, words)])},
        "title": _breakable(title),
        "composer": _breakable(one_line(sheet.tune.composer, _LONGEST)),
        "facts": facts,
        "tune": [_legible(page, _STAFF / _TEXT) for page in tune.pages],
        "across": _across(changes),
        "changes": [{"name": name, "bars": bars} for name, bars in changes],
        "times": " · ".join(_below(sheet, order, words)),
        "shapes": _bold_signs(drawn),
        "shapes_share": share,
        "fingers": "; ".join(f"{signs(str(chord))}: {signs(shape.label)}" for chord, shape in shown),
        "told": [words["stays"]] * stays + [words["low_high"]] * marked + [words["which"]] * several,
        "tones": _tones(shown, words),
        "figures": " ".join(_figures([pattern for _, pattern in sheet.patterns], words)),
        "patterns": list(_patterns(sheet, paper)),
        "plan": [f"{float(begin.count):g}" if begin == end else f"{float(begin.count):.0f} – {float(end.count):.0f}"
                 for begin, end in sheet.ramp.spans],
        "each": sheet.ramp.each,
        "to_learner": sheet.to_learner,
    }  # fmt: skip


def _tones(shown: Sequence[tuple[Chord, HandShape]], words: Mapping[str, str]) -> str:
    """Say what the figures after the notes of hand shapes mean, of those that these have."""
    degrees = {degree for chord, shape in shown for degree in shape.degrees(chord)}
    names = words["tone_names"].split()
    numbers = sorted({int(degree.lstrip("b#")) for degree in degrees})
    tones = [words["tone"].replace("{number}", str(n)).replace("{name}", names[n - 1]) for n in numbers]
    tones += [words[name] for name, sign in (("flat", "b"), ("sharp", "#")) if any(sign in one for one in degrees)]
    return words["tones"].replace("{tones}", ", ".join(tones)) if tones else ""


def _figures(patterns: Sequence[Pattern], words: Mapping[str, str] = ENGLISH) -> Iterator[str]:
    """Say what stands under the count of bowings.

    >>> from underbow.fiddle.pattern import find_pattern
    >>> list(_figures([find_pattern("saw")]))
    ['The figures under the count: how much the bow leans, 9 the most.']
    """
    yield words["accents"]
    if any(set(pattern.grid.strings) & {"_", "^"} for pattern in patterns):
        yield words["which_strings"]


def _below(sheet: Sheet, order: Sequence[str], words: Mapping[str, str]) -> Iterator[str]:
    """What is said below the changes."""
    if len(order) > 1:
        yield f"{words['played']} {' '.join(order)}"
    if sheet.doubtful & {bar.number for bar in sheet.melody.bars}:
        yield words["doubtful"]


def rounds_of(ramp: Ramp, words: Mapping[str, str] = ENGLISH) -> list[str]:
    """Say how often each tempo is played, and what comes between two of them; nothing where it is once, with no break.

    >>> rounds_of(Ramp("steps", 60, 90, 3, each=2, between=1))
    ['Every tempo is played 2 times.', 'A bar of clicks comes before each new tempo.']
    """
    said = [words["plan_each"].replace("{count}", str(ramp.each))] if ramp.each > 1 else []
    if ramp.between and ramp.passes > 1:
        said.append(words["plan_bar" if ramp.between == 1 else "plan_bars"].replace("{count}", str(ramp.between)))
    return said


def _across(changes: Sequence[tuple[str, Sequence[WrittenBar]]]) -> int:
    """How many bars stand in a row: eight where every bar has room in an eighth of the width, else four.

    >>> _across([("A", [(("G", ""),)] * 8)]), _across([("A", [(("F♯m7", ""), ("B7", ""), ("Em", "0-1, then 2-1"))] * 8)])
    (8, 4)
    """
    room = (_TEXT - _LETTER) / (2 * ACROSS) - 2 * _INSET
    bars = [bar for _, section in changes for bar in section]
    wide = max(
        (sum(_BOLD * len(chord) + _LABEL * len(label) for chord, label in bar) + 6 * len(bar) for bar in bars),
        default=0,
    )
    return 2 * ACROSS if wide <= room and any(len(section) > ACROSS for _, section in changes) else ACROSS


def _share(columns: int, paper: Paper) -> float:
    """How much of the paper's width the hand shapes take; less where it is lower."""
    return (0.72 if columns == 2 else 1.0) * (0.86 if paper == "us-letter" else 1.0)


def _wide(bars: int, paper: Paper, *, several: bool) -> float:
    """How much of the paper's width a bowing takes."""
    share = 0.8 if bars > 1 else 0.38 if several else 0.44
    return share * (0.8 if paper == "us-letter" else 1.0)


def _legible(svg: str, units: float) -> str:
    """Raise the letters of a drawing to 8 points, where a point is so many of its units.

    >>> _legible('<text font-size="9.5">', 1.5), _legible('<text font-size="0px"><tspan font-size="13px">', 1.5)
    ('<text font-size="12">', '<text font-size="0px"><tspan font-size="13px">')
    """

    def raised(size: re.Match[str]) -> str:
        return f'font-size="{max(float(size[1]), _LEAST * units):.4g}{size[2]}"' if float(size[1]) else size[0]

    return re.sub(r'font-size="([\d.]+)(px|)"', raised, svg)


def _bold_signs(svg: str) -> str:
    """Make bold by an outline what has a sharp or flat: the bold face has none, and all letters beside one would go without.

    >>> _bold_signs('<text x="4" font-weight="bold" fill="currentColor" stroke="none">F♯m</text>')
    '<text x="4" fill="currentColor" stroke-width="0.4">F♯m</text>'
    """
    return re.sub(
        r'font-weight="bold" fill="currentColor" stroke="none">(?=[^<]*[♯♭])',
        'fill="currentColor" stroke-width="0.4">',
        svg,
    )


def _patterns(sheet: Sheet, paper: Paper) -> Iterator[dict[str, Any]]:
    """Every pattern once, with the sections that it serves where there are several."""
    by_name = {pattern.name: pattern for _, pattern in sheet.patterns}
    several = len(by_name) > 1
    for name, pattern in by_name.items():
        bars, title = _bars(pattern), one_line(pattern.title)
        share = _wide(bars, paper, several=several)
        units = (_BAR * min(bars, 2) + 18) / (_TEXT * share)
        yield {
            "title": title,
            "section": ", ".join(section for section, own in sheet.patterns if own.name == name) if several else "",
            "grid": _legible(draw_grid_svg(pattern), units),
            "wide": bars > 1,
            "share": share,
            "about": one_line(pattern.about, _LONGEST),
            "said": f"{title}: {pattern.grid.written('bow')}",
        }


def _bars(pattern: Pattern) -> int:
    """Bars that are drawn: twice the grid where every other time goes the other way."""
    return pattern.grid.bars * (2 if pattern.grid.flips else 1)


def shown_shapes(sheet: Sheet) -> Iterator[tuple[Chord, HandShape]]:
    """Every chord with its shape, in order of first appearance; a chord that is played two ways comes twice."""
    seen: set[tuple[Chord, HandShape]] = set()
    for span, shape in zip(sheet.melody.chords, sheet.shapes, strict=True):
        if span.chord is not None and shape is not None and (span.chord, shape) not in seen:
            seen.add((span.chord, shape))
            yield span.chord, shape


def changes_of(
    sheet: Sheet, words: Mapping[str, str] = ENGLISH
) -> tuple[list[tuple[str, list[WrittenBar]]], list[str]]:
    r"""Give the chords bar by bar.

    Parameters
    ----------
    sheet : Sheet
    words : mapping
        The texts, as in :data:`~underbow.lesson.words.ENGLISH`.

    Returns
    -------
    changes : list of (str, list of WrittenBar)
        Each section once where it comes again alike: its name and its bars, ``%`` for a bar like the one before in a row of
        :data:`ACROSS` bars. A chord that the sheet plays with several shapes has the label of the one it takes here; where
        the section takes another when it comes again, each in turn.
    order : list of str
        The names in the order played.

    Examples
    --------
    >>> from underbow.track.sheet.read import build_sheet
    >>> tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:G\n"C"c4|c4|"G"G4|"Am"A4|"C"c4|"Am"A4|]'
    >>> sheet = build_sheet({"abc": tune, "pattern": "saw", "hand": "nearest", "tempo": {"goal": 80, "passes": 1}})
    >>> [bar for _, bars in changes_of(sheet)[0] for bar in bars]
    [(('C', '3-3'),), (('%', ''),), (('G', ''),), (('Am', ''),), (('C', '3-1'),), (('Am', ''),)]
    """
    bars = _bars_played(sheet)
    names: dict[tuple[str, tuple[tuple[str, ...], ...]], str] = {}
    times: dict[str, list[list[WrittenBar]]] = {}
    order: list[str] = []
    for section in sheet.melody.sections:
        own = list(islice(bars, len(section.bars)))
        alike = section.name, tuple(tuple(chord for chord, _ in bar) for bar in own)
        if alike not in names:
            names[alike] = section.name + "′" * sum(name == section.name for name, _ in names)
        times.setdefault(names[alike], []).append(own)
        order.append(names[alike])
    return [
        (name, _with_repeats([_each_in_turn(bar, words["then"]) for bar in zip(*own, strict=True)]))
        for name, own in times.items()
    ], order


def _bars_played(sheet: Sheet) -> Iterator[WrittenBar]:
    """Every full bar as played, its chords with the shape's label where the chord's name alone doesn't tell it."""
    labels: dict[str, set[str]] = {}
    for chord, shape in shown_shapes(sheet):
        labels.setdefault(str(chord), set()).add(shape.label)
    spans = [
        (
            span.start,
            span.end,
            "–" if span.chord is None else signs(str(span.chord)),
            shape.label if shape is not None and len(labels.get(str(span.chord), ())) > 1 else "",
        )
        for span, shape in zip(sheet.melody.chords, sheet.shapes, strict=True)
    ]
    for bar in sheet.melody.full_bars:
        sign = "?" * (bar.number in sheet.doubtful)
        inside = ((chord + sign, label) for start, end, chord, label in spans if start < bar.end and end > bar.start)
        yield tuple(inside) or (("–", ""),)


def _each_in_turn(times: Sequence[WrittenBar], then: str) -> WrittenBar:
    """One bar for all times it is played: the same chords, with every shape in the order taken."""
    return tuple(
        (
            chord_each_time[0][0],
            f", {then} ".join(label for label, _ in groupby(label for _, label in chord_each_time if label)),
        )
        for chord_each_time in zip(*times, strict=True)
    )


def _with_repeats(bars: Sequence[WrittenBar]) -> list[WrittenBar]:
    """A bar like the one before is written as players do; a row begins with its chord, so that the eye need not go back."""
    return [(("%", ""),) if i % ACROSS and bar == bars[i - 1] else bar for i, bar in enumerate(bars)]


def _breakable(text: str) -> str:
    """Let endless words run over the line: a break without width after every 30 characters of one."""
    return re.sub(r"(\S{30})(?=\S)", "\\1\u200b", text)
