"""What the practice page must know to be in time: every bar, cell, beat, chord and written note, in milliseconds.

Times count from the first sound of the performance. Lists that follow each other in time are sorted, so that the page finds
its place by halving. What repeats is written once and pointed at: bars drawn alike share a picture, chords with
the same fingers a hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

from underbow.fiddle.drawing.grid_svg import NEAR, BarPicture, Rows, draw_bar_svg
from underbow.fiddle.drawing.note_svg import draw_note_svg
from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.shapes.change import staying
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.text import signs
from underbow.theory.chord import Chord
from underbow.track.performance import Performance
from underbow.track.runs import strokes_by_bar
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Timeline

Held = tuple[Chord | None, HandShape | None]
Clock = Callable[[Fraction], float]  # milliseconds of a position


def page_timeline(sheet: Sheet, performance: Performance, *, rows: Rows = NEAR) -> dict[str, Any]:
    """Lay a performance out for the page.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    rows : Rows
        How large the pictures' letters are.

    Returns
    -------
    dict
        Plain data for JSON. ``end`` and all starts are milliseconds, and so is ``tuned``, where the tuning notes end.

        - ``passes``: start, end, beats a minute at both, the index of its first bar, the number of its tempo from 1, and which
          time the tune is played at that tempo
        - ``beat``: its value as a part of a whole note; ``note``: the same drawn as SVG
        - ``bars``: start, pass (from 0), printed number, section as played (from 0), picture, starts of the cells, which time
          in its pass it is played
        - ``sections``: name, index of its first bar within a pass, bars
        - ``pictures``: of bars: ``svg``, ``travel``
        - ``chords``: start, hand
        - ``hands``: ``chord``, ``position`` (empty for the first), ``stops`` ([string, finger], highest string first),
          ``flat`` (one finger on both), ``svg``
        - ``stays``: for each hand, for each hand after it, the fingers that stay
        - ``beats``: starts
        - ``notes``: start, measure, note as the engraver counts them
    """
    timeline = performance.timeline

    def clock(quarter: Fraction) -> float:
        return _short(1000 * performance.tempo.seconds(quarter))

    hands, chords = _chords(sheet, timeline, clock)
    pictures, bars = _bars(sheet, timeline, clock, rows)
    within = {bar: i for i, bar in enumerate(sheet.melody.full_bars)}
    whole = [range(i, i + 1) for i in range(len(timeline.starts))]
    return {
        "end": clock(timeline.end),
        "tuned": clock(timeline.tuned),
        "passes": [
            [clock(p.start), clock(p.end), *(_number(x.count) for x in (p.tempo, p.end_tempo)), places.start, p.number, p.round]
            for p, places in zip(performance.passes, map(timeline.places, whole), strict=True)
        ],
        "beat": performance.passes[0].tempo.beat_name,
        "note": draw_note_svg(Fraction(performance.passes[0].tempo.beat_name)),
        "bars": bars,
        "sections": [[s.name, within[s.bars[0]], len(s.bars)] for s in sheet.melody.sections],
        "pictures": [{"svg": picture.svg, "travel": picture.travel} for picture in pictures],
        "chords": chords,
        "hands": [_hand(chord, shape) for chord, shape in hands],
        "stays": [
            [list(staying(a[1], b[1])) if a[1] and b[1] and a != b else [] for b in hands] for a in hands
        ],
        "beats": [clock(click.start) for click in performance.part("click").gestures],
        "notes": [
            [clock(start + note.start + after), *place] for start in timeline.starts for note in sheet.melody.notes
            for after, *place in note.written if start + note.start + after < timeline.end
        ],
    }  # fmt: skip


def _chords(sheet: Sheet, timeline: Timeline, clock: Clock) -> tuple[list[Held], list[list[float]]]:
    """The hands that are held, each once, and the changes between them."""
    hands: dict[Held, int] = {}
    changes: list[list[float]] = []
    for heard in timeline.heard:
        held: Held = (None, None)
        if heard.index >= 0:
            held = (sheet.melody.chords[heard.index].chord, sheet.shapes[heard.index])
        elif not changes:
            continue  # a pickup before the first chord: what comes is shown already
        number = hands.setdefault(held, len(hands))
        if not changes or changes[-1][1] != number:
            changes.append([clock(heard.start), number])
    return list(hands), changes


def _hand(chord: Chord | None, shape: HandShape | None) -> dict[str, Any]:
    if chord is None or shape is None:
        return {"chord": signs(str(chord)) if chord else "", "position": "", "stops": [], "flat": False, "svg": ""}
    names = [signs(str(shape.tuning.strings[string].pitch_class)) for string in shape.strings]
    stops = [[name, str(stop)] for name, stop in zip(names, shape.stops, strict=True)][::-1]
    flat = len({*shape.stops}) == 1 and shape.stops[0].finger > 0
    return {
        "chord": signs(str(chord)),
        "position": shape.label.rpartition(" ")[0],
        "stops": stops,
        "flat": flat,
        "svg": _neck(draw_svg([(chord, shape)], all_strings=False)),
    }


def _neck(svg: str) -> str:
    """The neck alone: the page says chord and fingers larger than the picture does, so its first line is cut off."""
    svg = re.sub(r"<text[^>]*>[^<]*</text>\n", "", svg, count=2)
    return re.sub(
        r'viewBox="0 0 ([\d.]+) ([\d.]+)"', lambda m: f'viewBox="0 16 {m[1]} {float(m[2]) - 28:.1f}"', svg, count=1
    )


def _bars(sheet: Sheet, timeline: Timeline, clock: Clock, rows: Rows) -> tuple[list[BarPicture], list[list[Any]]]:
    """The whole bars of every pass, and the pictures that they share."""
    pictures: dict[BarPicture, int] = {}
    drawn: dict[tuple[object, ...], BarPicture] = {}
    out: list[list[Any]] = []
    sections = [n for n, section in enumerate(sheet.melody.sections) for _ in section.bars]
    for bar, strokes, start in strokes_by_bar(timeline):
        grid, length = bar.pattern.grid, bar.length
        inside = tuple(
            replace(stroke, start=stroke.start - start, pulses=()) for stroke in strokes
        )  # what the picture depends on, wherever the bar lies
        key = (grid, length, inside, start % grid.length)
        if key not in drawn:
            drawn[key] = draw_bar_svg(grid, strokes, start, length, rows=rows)
        picture = drawn[key]
        number = pictures.setdefault(picture, len(pictures))
        cells = [clock(bar.start + cell) for cell in picture.cells[:-1]]
        section = sections[len(out) % len(sections)]
        out.append([cells[0], bar.playing - 1, bar.bar.number, section, number, cells, bar.bar.time])
    return list(pictures), out


def _number(value: Fraction) -> float:
    return int(value) if value.denominator == 1 else round(float(value), 1)


def _short(value: float) -> float:
    """Hundredths, a quarter of a frame of the page's sound; whole numbers without a point."""
    rounded = round(value, 2)
    return int(rounded) if rounded.is_integer() else rounded
