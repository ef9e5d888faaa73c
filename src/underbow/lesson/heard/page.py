"""The page that says what was heard in a take: the strokes of every bar, the fingers of every hand, and what helps most.

One HTML file without scripts; nothing is fetched and nothing sent. It looks like the practice page and uses its drawings.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from html import escape
from importlib.resources import files

import numpy as np

from underbow.ear.history import Progress
from underbow.ear.report import Heard, StrokeHeard, drift, swing
from underbow.fiddle.drawing.grid_svg import BAR_WIDTH, draw_bar_svg
from underbow.fiddle.drawing.shape_svg import draw_heard_svg
from underbow.lesson.heard.words import VERDICTS, WORDS
from underbow.lesson.policy import policy_name
from underbow.text import nth, one_line, signs
from underbow.theory.chord import Chord
from underbow.theory.meter import Tempo, beat_words
from underbow.track.performance import Pass
from underbow.track.runs import strokes_by_bar
from underbow.track.sheet.model import Sheet

_TIMES = 4.0  # how much further than in truth a stroke is drawn from its place
_HIGH = 26.0  # units below the bow's picture for what was heard
_FARTHEST = 30.0  # units from its place at which a stroke is drawn at most
_UNBROKEN = "\u2011"  # a hyphen at which no line ends
_PLAIN_MS, _PLAIN_CENTS = 30.0, 10.0  # what is off by more is marked


def make_heard_page(
    sheet: Sheet, heard: Heard, *, take: str, history: Sequence[Progress] = (), practise: Sequence[str] = ()
) -> bytes:
    """Make the page.

    Parameters
    ----------
    sheet : Sheet
    heard : Heard
        Of a take of this sheet.
    take : str
        The recording's name.
    history : sequence of Progress
        Earlier takes of the sheet and this one; nothing is drawn of fewer than two.
    practise : sequence of str
        For each line of advice the name of a track sheet for its bars, empty where there is none.

    Returns
    -------
    bytes
        An HTML document in UTF-8.
    """
    css = files("underbow.lesson.heard").joinpath("heard.css").read_text(encoding="utf-8")
    policy = f"default-src 'none'; style-src '{policy_name(css)}'; base-uri 'none'; form-action 'none'"
    title = WORDS["title"].format(title=one_line(sheet.title))
    parts = [
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta name="color-scheme" content="light dark">',
        f"<title>{escape(title)}</title>\n<style>{css}</style>\n</head>\n<body>\n<main>",
        f'<header><h1>{escape(title)}</h1>\n<p class="small">{escape(one_line(take))}</p>',
        f'<p class="{"verdict" if heard.strokes else "refused"}">{escape(_verdict(heard))}</p></header>',
        *_advice(heard, practise),
    ]
    if heard.strokes:
        parts += [*_passes(heard), *_hands(sheet, heard), *_bars(sheet, heard), *_progress(history)]
    parts += [
        f"<footer><p>{WORDS['privacy']}</p>\n<p>{WORDS['teacher']}</p>\n<p>{WORDS['care']}</p></footer>",
        "</main>\n</body>\n</html>\n",
    ]
    return "\n".join(parts).encode("utf-8")


def _verdict(heard: Heard) -> str:
    return VERDICTS[heard.verdict] + (f": {heard.why}" if heard.why else "")


def _advice(heard: Heard, practise: Sequence[str]) -> Iterator[str]:
    if not heard.advice:
        return
    yield f'<section class="advice" aria-labelledby="advice"><h2 id="advice">{WORDS["advice"]}</h2><ol>'
    for number, advice in enumerate(heard.advice):
        kept = advice.bars.replace("-", _UNBROKEN)
        bars = f" <b>{escape(WORDS['bars'].format(bars=kept))}</b>" if kept else ""
        name = practise[number] if number < len(practise) else ""
        sheet = f" <small>{escape(WORDS['sheet'].format(name=name))}</small>" if name else ""
        yield f"<li>{escape(advice.text)}{bars}{sheet}</li>"
    yield "</ol></section>"


def _passes(heard: Heard) -> Iterator[str]:
    place = heard.place
    unsure = 0.0 if place.leak or place.within is None else 1000 * place.within
    yield f'<section aria-labelledby="passes"><h2 id="passes">{WORDS["passes"]}</h2>'
    yield '<div class="wide"><table class="numbers"><thead><tr>'
    yield from (
        f'<th scope="col">{WORDS[name]}</th>' for name in ("tempo", "judged", "late", "within", "drift", "swing")
    )
    yield "</tr></thead><tbody>"
    for played in heard.performance.passes:
        strokes = heard.of_pass(played.playing)
        if strokes:
            cells = "".join(f"<td>{escape(cell)}</td>" for cell in _pass_cells(strokes, played, unsure))
            yield f'<tr><th scope="row">{escape(_tempo(played.tempo))}</th>{cells}</tr>'
    yield f'</tbody></table></div><p class="small">{WORDS["passes_note"]}</p>'
    if unsure:
        yield f'<p class="small">{escape(WORDS["headphones"].format(within=f"{unsure:.0f}"))}</p>'
    yield "</section>"


def _pass_cells(strokes: Sequence[StrokeHeard], played: Pass, unsure: float) -> Iterator[str]:
    """``unsure`` is by how many milliseconds all strokes together may be off: of a pass that is off by less, nothing."""
    offs = np.array([stroke.off_ms for stroke in strokes if stroke.off_ms is not None])
    yield f"{len(offs)} of {len(strokes)}"
    middle = float(np.median(offs)) if len(offs) else 0.0
    yield _late(middle) if len(offs) and abs(middle) >= unsure else "–"
    yield f"{np.quantile(np.abs(offs), 0.95):.0f} ms" if len(offs) else "–"
    slope, long = drift(list(strokes)), swing(list(strokes), float(played.tempo.beat))
    yield "–" if slope is None else WORDS["steady"] if abs(slope) < 15 else _late(slope)
    yield "–" if long is None else f"{100 * long:.0f}\u00a0:\u00a0{100 - 100 * long:.0f}"


def _late(milliseconds: float) -> str:
    if abs(milliseconds) < 3:
        return WORDS["on_time"]
    return f"{abs(milliseconds):.0f} ms {WORDS['behind' if milliseconds > 0 else 'ahead']}"


def _hands(sheet: Sheet, heard: Heard) -> Iterator[str]:
    """Each hand with where its fingers came down, the middle of all its strokes."""
    shapes = {str(span.chord): shape for span, shape in zip(sheet.melody.chords, sheet.shapes, strict=True) if shape}
    measured: dict[tuple[str, int], list[float]] = defaultdict(list)
    for stroke in heard.strokes:
        for string, _, cents in stroke.cents:
            if cents is not None:
                measured[stroke.expected.chord, string].append(cents)
    yield f'<section aria-labelledby="hands"><h2 id="hands">{WORDS["hands"]}</h2><ul class="hands">'
    for chord in dict.fromkeys(stroke.expected.chord for stroke in heard.strokes):
        shape = shapes.get(chord)
        if shape is None:
            continue
        off = [float(np.median(found)) if (found := measured[chord, string]) else None for string in shape.strings]
        yield f"<li>{draw_heard_svg(Chord.parse(chord), shape, off)}<p>"
        names = [signs(str(shape.tuning.strings[string].pitch_class)) for string in shape.strings]
        lines = [
            _in_tune(name, cents, stopped=stop.finger > 0)
            for name, cents, stop in zip(names, off, shape.stops, strict=True)
        ]
        yield "<br>".join(map(escape, lines)) + "</p></li>"
    yield f'</ul><p class="small">{WORDS["hands_note"]}</p></section>'


def _in_tune(name: str, cents: float | None, *, stopped: bool) -> str:
    if cents is None:
        return WORDS["not_judged"].format(string=name)
    if abs(cents) < _PLAIN_CENTS:
        return WORDS["in_tune"].format(string=name)
    way = "sharp" if cents > 0 else "flat"
    return WORDS[way if stopped else f"open_{way}"].format(string=name, cents=f"{abs(cents):.0f}")


def _bars(sheet: Sheet, heard: Heard) -> Iterator[str]:
    """Bars below each other, passes side by side: the bow's picture, and under it where the strokes came."""
    timeline = heard.performance.timeline
    by_bar: dict[tuple[int, int, int], list[StrokeHeard]] = defaultdict(list)
    for stroke in heard.strokes:
        bar = stroke.expected.bar
        by_bar[bar.playing, bar.number, bar.time].append(stroke)
    pictures: dict[str, int] = {}
    rows: dict[tuple[int, int], dict[int, str]] = defaultdict(dict)
    for whole, strokes, start in strokes_by_bar(timeline):
        printed = whole.bar.number, whole.bar.time
        inside = by_bar.get((whole.playing, *printed))
        if inside:
            picture = draw_bar_svg(whole.pattern.grid, strokes, start, whole.length)
            number = pictures.setdefault(picture.svg, len(pictures))
            seconds = [heard.performance.tempo.seconds(whole.start + part * whole.length) for part in (0, 1)]
            rows[printed][whole.playing] = _bar(number, inside, seconds[0], seconds[1])
    playings = [played for played in heard.performance.passes if heard.of_pass(played.playing)]
    yield f'<section aria-labelledby="bars"><h2 id="bars">{WORDS["bars_title"]}</h2><p class="small">{WORDS["bars_note"]}</p>'
    yield '<svg class="store" aria-hidden="true">' + "".join(_symbol(svg, n) for svg, n in pictures.items()) + "</svg>"
    yield '<div class="wide"><table class="bars"><thead><tr><td></td>'
    yield from (f'<th scope="col">{escape(_tempo(played.tempo))}</th>' for played in playings)
    yield "</tr></thead><tbody>"
    for (number, time), cells in rows.items():
        name = WORDS["bar_time" if time > 1 else "bar"].format(number=number, time=nth(time))
        yield f'<tr><th scope="row">{escape(name)}</th>'
        yield from (f"<td>{cells.get(played.playing, '')}</td>" for played in playings)
        yield "</tr>"
    yield "</tbody></table></div></section>"


def _symbol(svg: str, number: int) -> str:
    box = svg.split('viewBox="', 1)[1].split('"', 1)[0]
    inner = svg.split(">", 1)[1].removesuffix("</svg>")
    return f'<symbol id="bow{number}" viewBox="{box}" fill="none" stroke="currentColor" stroke-linecap="round">{inner}</symbol>'


def _bar(picture: int, strokes: Sequence[StrokeHeard], begin: float, end: float) -> str:
    """One bar: a line where each stroke was expected, a dot where it came, a cross for one that was not heard."""
    scale = BAR_WIDTH / (end - begin)
    high = 132.0
    marks, said = [], []
    for stroke in strokes:
        x = (stroke.expected.start - begin) * scale
        marks.append(f'<path d="M{x:.1f} {high}v{_HIGH}" stroke="currentColor" stroke-width="1"/>')
        y = high + _HIGH / 2
        if stroke.missing:
            marks.append(
                f'<path d="M{x - 5:.1f} {y - 5:.1f}l10 10m0 -10l-10 10" stroke="currentColor" stroke-width="2.5"/>'
            )
            said.append(WORDS["said_missing"])
        elif stroke.off_ms is not None:
            off = float(np.clip(stroke.off_ms * _TIMES / 1000 * scale, -_FARTHEST, _FARTHEST))
            plain = abs(stroke.off_ms) <= _PLAIN_MS
            marks.append(  # a thread to its line says which one it belongs to
                f'<path d="M{x:.1f} {y:.1f}h{off:.1f}" stroke="currentColor" stroke-width="1"/>'
                f'<circle class="{"near" if plain else "far"}" cx="{x + off:.1f}" cy="{y:.1f}" r="{5 if plain else 6.5}"/>'
            )
            said.append(f"{stroke.off_ms:+.0f}")
        else:
            said.append("?")
    label = WORDS["said_bar"].format(offs=", ".join(said))
    bow = f'<use href="#bow{picture}" width="{BAR_WIDTH + 2:.0f}" height="{high:.0f}"/>'
    margin = _FARTHEST + 9
    box = f"{-margin:.0f} 0 {BAR_WIDTH + 2 * margin:.0f} {high + _HIGH + 2:.0f}"
    return f'<svg viewBox="{box}" role="img" aria-label="{escape(label)}">{bow}{"".join(marks)}</svg>'


def _tempo(tempo: Tempo) -> str:
    """Say a tempo as the printed sheet and the desk say it."""
    return f"{beat_words(tempo.beat)} = {tempo.written}"


def _progress(history: Sequence[Progress]) -> Iterator[str]:
    """Progress from take to take, a line for each tempo: within how many milliseconds 95 of 100 strokes came."""
    if len({row.take for row in history}) < 2:
        return
    tempos: dict[str, list[Progress]] = defaultdict(list)
    for row in history:
        if row.within_ms is not None:
            tempos[f"{beat_words(4 * Fraction(row.beat))} = {row.tempo:g}"].append(row)
    yield f'<section aria-labelledby="progress"><h2 id="progress">{WORDS["progress"]}</h2><ul class="progress">'
    for tempo, points in tempos.items():
        values = [point.within_ms or 0.0 for point in points]
        top = max(*values, 60.0)
        places = [(10 + 280 * n / max(len(values) - 1, 1), 70 - 60 * value / top) for n, value in enumerate(values)]
        line = " ".join(f"{x:.0f},{y:.0f}" for x, y in places)
        dots = "".join(f'<circle class="near" cx="{x:.0f}" cy="{y:.0f}" r="4"/>' for x, y in places)
        said = WORDS["said_progress"].format(first=f"{values[0]:.0f}", last=f"{values[-1]:.0f}")
        yield (
            f'<li><h3>{escape(tempo)}</h3><svg viewBox="0 0 300 80" role="img" aria-label="{escape(said)}">'
            f'<path d="M5 70h290" stroke="currentColor" stroke-width=".5"/>'
            f'<polyline points="{line}" fill="none" stroke="currentColor" stroke-width="2"/>{dots}</svg>'
            f"<p>{escape(said)}</p></li>"
        )
    yield "</ul></section>"
