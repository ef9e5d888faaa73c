"""What the practice page must know to be in time: every bar, cell, beat, chord and written note, in milliseconds.

Times count from the first sound of the performance. Lists that follow each other in time are sorted, so that the page finds
its place by halving. What repeats is written once and pointed at: bars drawn alike share a picture, chords with
the same fingers a hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Any

from underbow.errors import InputError
from underbow.fiddle.drawing.grid_svg import BarPicture, draw_bar_svg
from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.grid import Stroke
from underbow.fiddle.shapes.change import staying
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.theory.chord import Chord
from underbow.track.parts.backup import bars_of, runs
from underbow.track.performance import Performance
from underbow.track.sheet.evening import evened
from underbow.track.sheet.form import in_form, only_bars
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Frame, Timeline, lay_out
from underbow.tune.tune import Melody, Tune

Held = tuple[Chord | None, HandShape | None]


def page_timeline(sheet: Sheet, performance: Performance) -> dict[str, Any]:
    """Lay a performance out for the page.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.

    Returns
    -------
    dict
        Plain data for JSON. ``end`` and all starts are milliseconds, and so is ``tuned``, where the tuning notes end.

        - ``passes``: start, end, beats a minute at both, the index of its first bar
        - ``bars``: start, pass (from 0), number, round of a section (from 0), picture (-1: none), starts of the cells
        - ``sections``: name, index of its first bar within a pass, bars
        - ``pictures``: of bars: ``svg``, ``travel``
        - ``chords``: start, hand
        - ``hands``: ``chord``, ``position`` (empty for the first), ``stops`` ([string, finger], highest string first),
          ``flat`` (one finger on both), ``svg``
        - ``stays``: for each hand, for each hand after it, the fingers that stay
        - ``beats``: starts
        - ``notes``: start, measure, note as the engraver counts them
    """
    timeline = lay_out(sheet)
    by = performance.count_in - timeline.count_in  # tuning notes come before everything
    clock = _Clock(performance, by)
    hands, chords = _chords(sheet, timeline, clock)
    pictures, bars = _bars(sheet, timeline, clock)
    first = [next(i for i, bar in enumerate(bars) if bar[1] == n) for n in range(len(timeline.starts))]
    return {
        "end": clock(timeline.end),
        "tuned": clock(Fraction(0)),
        "passes": [
            [clock(p.start - by), clock(p.end - by), _number(p.tempo.count), _number(p.end_tempo.count), first[n]]
            for n, p in enumerate(performance.passes)
        ],
        "beat": performance.passes[0].tempo.beat_name,
        "bars": bars,
        "sections": [[s.name, s.first_bar - 1, s.bars] for s in sheet.melody.sections],
        "pictures": [{"svg": picture.svg, "travel": picture.travel} for picture in pictures],
        "chords": chords,
        "hands": [_hand(chord, shape) for chord, shape in hands],
        "stays": [
            [list(staying(a[1], b[1])) if a[1] and b[1] and a != b else [] for b in hands] for a in hands
        ],
        "beats": [clock(click.start - by) for click in performance.part("click").gestures],
        "notes": [
            [clock(start + at), *place] for start in timeline.starts for at, *place in written_notes(sheet)
            if start + at < timeline.end
        ],
    }  # fmt: skip


class _Clock:
    """Milliseconds of a place of the timeline, which knows nothing of tuning notes."""

    def __init__(self, performance: Performance, by: Fraction) -> None:
        self._seconds, self._by = performance.tempo.seconds, by

    def __call__(self, quarter: Fraction) -> float:
        return _short(1000 * self._seconds(quarter + self._by))


def _chords(sheet: Sheet, timeline: Timeline, clock: _Clock) -> tuple[list[Held], list[list[float]]]:
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
        return {"chord": _signs(str(chord)) if chord else "", "position": "", "stops": [], "flat": False, "svg": ""}
    names = [_signs(str(shape.tuning.strings[string].pitch_class)) for string in shape.strings]
    stops = [[name, str(stop)] for name, stop in zip(names, shape.stops, strict=True)][::-1]
    flat = len({*shape.stops}) == 1 and shape.stops[0].finger > 0
    return {
        "chord": _signs(str(chord)),
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


def _signs(text: str) -> str:
    return text.replace("#", "♯").replace("b", "♭")


def _bars(sheet: Sheet, timeline: Timeline, clock: _Clock) -> tuple[list[BarPicture], list[list[Any]]]:
    """The whole bars of every pass, and the pictures that they share."""
    pictures: dict[BarPicture, int] = {}
    drawn: dict[tuple[object, ...], BarPicture] = {}
    out: list[list[Any]] = []
    rounds = {s.first_bar + i: n for n, s in enumerate(sheet.melody.sections) for i in range(s.bars)}
    for frame, strokes, start in _played(timeline):
        grid, length = frame.pattern.grid, frame.length
        inside = tuple(
            replace(stroke, start=stroke.start - start, pulses=()) for stroke in strokes
        )  # what the picture depends on, wherever the bar lies
        key = (grid, length, inside, start % grid.length)
        if key not in drawn:
            drawn[key] = draw_bar_svg(grid, strokes, start, length)
        picture = drawn[key]
        number = pictures.setdefault(picture, len(pictures))
        cells = [clock(frame.start + cell) for cell in picture.cells[:-1]]
        at = frame.bar.number
        out.append([cells[0], frame.pass_number - 1, at, rounds.get(at, 0), number, cells])
    return list(pictures), out


def _played(timeline: Timeline) -> Iterator[tuple[Frame, list[Stroke], Fraction]]:
    """Every whole bar with the strokes that touch it, and where it begins among them."""
    for run in runs(timeline.frames):
        frames = timeline.frames[run[0] : run[-1] + 1]
        strokes = frames[0].pattern.grid.play(bars_of(frames[0], frames[-1].end))
        first = 0
        for frame in frames:
            start = frame.start - frames[0].start
            while first < len(strokes) and strokes[first].end <= start:
                first += 1
            inside = []
            for stroke in strokes[first:]:
                if stroke.start >= start + frame.length:
                    break
                inside.append(stroke)
            yield frame, inside, start


def written_notes(sheet: Sheet) -> list[tuple[Fraction, int, int]]:
    """Where each written note lies in one pass: start in quarters, its measure and its number there, from 0.

    The tune goes the same way as for the sheet's melody (repeats, evened bars, form, chosen bars), its notes marked by their
    places.
    """
    measures = tuple(
        replace(measure, notes=tuple(replace(note, tied=False, marks=(f"{m} {n}",)) for n, note in enumerate(measure.notes)))
        for m, measure in enumerate(sheet.tune.measures)
    )  # fmt: skip
    tune: Tune = replace(sheet.tune, measures=measures)
    melody: Melody = evened(tune.melody())[0]
    try:
        if sheet.form:
            melody = in_form(melody, sheet.form)
        if sheet.bars:
            melody = only_bars(melody, sheet.bars)
    except InputError:  # pragma: no cover  the sheet was made in the same way
        return []
    places = [(note.start, note.marks[0].split()) for note in melody.notes]
    return [(start, int(measure), int(number)) for start, (measure, number) in places]


def _number(value: Fraction) -> float:
    return int(value) if value.denominator == 1 else round(float(value), 1)


def _short(value: float) -> float:
    """Hundredths, a quarter of a frame of the page's sound; whole numbers without a point."""
    rounded = round(value, 2)
    return int(rounded) if rounded.is_integer() else rounded
