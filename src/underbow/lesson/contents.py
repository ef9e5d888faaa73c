"""The plain texts of a lesson: what the learner reads first, the sheet in words, and the contents of several sheets."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from underbow.files import safe_name
from underbow.lesson.handout import changes_of, one_line, shown_shapes
from underbow.lesson.words import ENGLISH
from underbow.track.sheet import Sheet

_WIDTH = 78


def learner_text(title: str, sheets: Sequence[Sheet], places: Sequence[str], words: Mapping[str, str] = ENGLISH) -> str:
    """Write README.txt: what is in the folder and how to practise with it."""
    lines = [one_line(title), "=" * min(len(one_line(title)), _WIDTH), ""]
    lines += _filled(words["readme_how"])
    for sheet, place in zip(sheets, places, strict=True):
        home = f"{place}/" if place else ""
        name = safe_name(sheet.title)
        lines += ["", one_line(sheet.title)]
        lines += [
            f"  {home}{name}.html   {words['readme_page']}",
            f"  {home}{name}.pdf    {words['readme_pdf']}",
            f"  {home}{name}.txt    {words['readme_text']}",
            f"  {home}tracks/    {words['readme_tracks']}",
        ]
        lines += [f"      {one_line(mix.name)}" for mix in sheet.mixes]
    return "\n".join([*lines, "", *_filled(words["care"]), ""])


def sheet_text(sheet: Sheet, words: Mapping[str, str] = ENGLISH) -> str:
    """Write the sheet in words: changes, hand shapes, bowing, plan."""
    changes, order = changes_of(sheet.melody)
    lines = [
        one_line(sheet.title),
        f"{sheet.tune.key.tonic} {sheet.tune.key.mode}, {sheet.tune.meter}",
        "",
        words["changes"],
    ]
    for name, bars in changes:
        rows = [bars[i : i + 4] for i in range(0, len(bars), 4)]
        for i, row in enumerate(rows):
            lines.append(f"  {name if i == 0 else '':<3}| " + " | ".join(f"{bar:<7}" for bar in row) + "|")
    lines += [f"  {words['played']} {' '.join(order)}", "", words["shapes"]]
    for chord, shape in shown_shapes(sheet):
        notes = " ".join(str(note) for note in shape.spelled(chord))
        lines.append(f"  {chord!s:<8} {shape.label:<8} {notes}")
    lines += ["", words["bowing"]]
    for name, pattern in {pattern.name: pattern for _, pattern in sheet.patterns}.items():
        lines += [f"  {one_line(pattern.title)} ({name})", f"    {pattern.grid.written('bow')}"]
    spans = sheet.ramp.spans
    tempos = ", ".join(f"{float(begin.count):g}" for begin, _ in spans)
    lines += ["", words["plan"], f"  {spans[0][0].beat_name} = {tempos}", "", *_filled(words["care"]), ""]
    return "\n".join(lines)


def contents_page(title: str, sheets: Sequence[Sheet], parts: Sequence[Mapping[str, Any]]) -> str:
    """Write index.html: the sheets of a lesson with links to everything in it."""
    items = []
    for sheet, part in zip(sheets, parts, strict=True):
        links = [
            f'<li><a href="{html.escape(quote(file["path"]))}">{html.escape(file["path"].rsplit("/", 1)[-1])}</a></li>'
            for file in part["files"]
            if file["kind"] in ("page", "handout", "audio", "midi")
        ]
        items.append(f"<section><h2>{html.escape(one_line(sheet.title))}</h2><ul>{''.join(links)}</ul></section>")
    return f"""<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{html.escape(one_line(title))}</title>
<style>
:root {{ color-scheme: light dark; }}
body {{ font: 1.1rem/1.5 Georgia, serif; margin: 2rem auto; padding: 0 1rem; max-width: 42rem; overflow-wrap: anywhere; }}
ul {{ list-style: none; padding: 0; }}
a {{ display: inline-block; padding: .6rem 0; }}
</style>
<main>
<h1>{html.escape(one_line(title))}</h1>
{"".join(items)}
<p>{html.escape(ENGLISH["care"])}</p>
</main>
</html>
"""


def _filled(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH)
