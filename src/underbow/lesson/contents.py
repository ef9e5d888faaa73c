"""The plain texts of a lesson: what the learner reads first, the sheet in words, and the contents of several sheets."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Iterable, Mapping
from itertools import chain, islice
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from underbow.files.names import safe_name
from underbow.lesson.facts import facts_of
from underbow.lesson.policy import policy_name
from underbow.lesson.print.handout import ACROSS, WrittenBar, changes_of, rounds_of, shown_shapes
from underbow.lesson.words import ENGLISH
from underbow.text import one_line, signs
from underbow.track.sheet.model import Sheet

_WIDTH = 78
# The colours of the practice page.
_STYLE = """
:root { --spruce: #f5ecd7; --ink: #1c130e; --line: #cdbd9d; --varnish: #8c2d12; --press: #1c130e; --on-press: #fdf6e6;
  color-scheme: light dark; color: var(--ink); background: var(--spruce); }
@media (prefers-color-scheme: dark) { :root { --spruce: #2a1c12; --ink: #f6ead3; --line: #6a5240; --varnish: #f9b374;
  --press: #f3e2bf; --on-press: #1c130e; } }
body { font: 1.1rem/1.5 ui-serif, "Palatino Linotype", Palatino, Georgia, serif; margin: 2rem auto; padding: 0 1rem;
  max-width: 42rem; overflow-wrap: anywhere; }
section { border-top: 1px solid var(--line); margin-top: 1.5rem; }
section p { margin: .4rem 0; }
ul { list-style: none; margin: .4rem 0; padding: 0; }
a { display: inline-block; padding: .5rem .5rem .5rem 0; color: var(--varnish); }
body:has(.many) { max-width: 54rem; }
.many section { display: flex; flex-wrap: wrap; align-items: baseline; gap: 0 1rem; margin: 0; padding: .3rem 0; }
.many section[hidden] { display: none; }
.many h2 { flex: 1 1 14rem; font-size: 1.1rem; margin: 0; }
.many section p { margin: 0; }
.many details[open] { flex-basis: 100%; }
details { margin: .4rem 0; }
summary { padding: .3rem 0; cursor: pointer; }
input { font: inherit; color: inherit; background: transparent; border: 1px solid var(--line);
  border-radius: .3rem; padding: .4rem .6rem; }
.page a { padding: .6rem 1.2rem; border-radius: .4rem; background: var(--press); color: var(--on-press);
  font-weight: 700; text-decoration: none; }
"""


_MANY = 12  # sheets; more are searched, and folded
_SEARCH_WORDS = ("contents_search", "contents_found")
_SEARCH = """<p><label>{contents_search} <input type="search" id="search" autocomplete="off"></label>
<span id="found" role="status" data-words="{contents_found}"></span></p>"""
_SCRIPT = """
"use strict";
const plain = (text) => text.normalize("NFD").replace(/[\\u0300-\\u036f]/g, "").toLowerCase();
const sheets = [...document.querySelectorAll("section")].map((sheet) =>
  [sheet, plain([...sheet.querySelectorAll("h2, h2 + p")].map((part) => part.textContent).join(" "))]);
const search = document.getElementById("search"), found = document.getElementById("found");
function show() {
  const words = plain(search.value).split(/\\s+/).filter(Boolean);
  let count = 0;
  for (const [sheet, text] of sheets) {
    sheet.hidden = !words.every((word) => text.includes(word));
    count += !sheet.hidden;
  }
  found.textContent = found.dataset.words.replace("{count}", count).replace("{all}", sheets.length);
}
search.addEventListener("input", show);
show();
"""


def learner_text(title: str, parts: Iterable[Mapping[str, Any]], words: Mapping[str, str] = ENGLISH) -> str:
    """Write README.txt: what is in the folder and how to practise with it.

    Parameters
    ----------
    title : str
    parts : iterable of mapping
        For each sheet its ``title``, its ``place`` in the folder, the names of its ``mixes``, and its ``files``.
    words : mapping
    """
    lines = [one_line(title), "=" * min(len(one_line(title)), _WIDTH), ""]
    for paragraph in ("readme_unzip", "readme_how", "readme_phone"):
        lines += [*_filled(words[paragraph]), ""]
    lines.pop()
    rest = iter(parts)
    first = list(islice(rest, _MANY + 1))
    if len(first) > _MANY:
        count = len(first) + sum(1 for _ in rest)
        lines += ["", *_filled(words["readme_many"].replace("{count}", str(count)))]
        first = []
    for part in first:
        home = f"{part['place']}/" if part["place"] else ""
        name = safe_name(part["title"])
        lines += ["", one_line(part["title"])]
        lines += [
            f"  {home}{name}.html   {words['readme_page']}",
            f"  {home}{name}.pdf    {words['readme_pdf']}",
            f"  {home}{name}.txt    {words['readme_text']}",
            f"  {home}tracks/    {words['readme_tracks']}",
        ]
        sounding = {file["mix"] for file in part["files"] if file["kind"] == "audio"}
        lines += [f"      {one_line(mix)}" for mix in part["mixes"] if mix in sounding]
        if any(file["kind"] == "video" for file in part["files"]):
            lines.append(f"  {home}tracks/*.mp4    {words['readme_video']}")
    return "\n".join([*lines, "", *_filled(words["care"]), ""])


def sheet_text(sheet: Sheet, words: Mapping[str, str] = ENGLISH) -> str:
    """Write the sheet in words: changes, hand shapes, bowing, plan."""
    changes, order = changes_of(sheet, words)
    lines = [one_line(sheet.title), ", ".join(facts_of(sheet, words)), ""]
    if sheet.to_learner:
        lines += [
            words["to_learner"],
            *(line for text in sheet.to_learner.splitlines() for line in _filled(text) or [""]),
            "",
        ]
    if sheet.recording and sheet.recording.by:
        lines += [words["consent"].replace("{by}", sheet.recording.by), ""]
    lines.append(words["changes"])
    written = [(name, [_bar_text(bar) for bar in bars]) for name, bars in changes]
    wide = max([7, *(len(bar) for _, bars in written for bar in bars)])
    for name, bars in written:
        rows = [bars[i : i + ACROSS] for i in range(0, len(bars), ACROSS)]
        for i, row in enumerate(rows):
            lines.append(f"  {name if i == 0 else '':<3}| " + " | ".join(f"{bar:<{wide}}" for bar in row) + "|")
    lines += [f"  {words['played']} {' '.join(order)}"]
    lines += [f"  {words['doubtful']}"] * any("?" in bar for _, bars in written for bar in bars)
    lines += ["", words["shapes"]]
    for chord, shape in shown_shapes(sheet):
        notes = " ".join(str(note) for note in shape.spelled(chord))
        lines.append(f"  {signs(str(chord)):<8} {signs(shape.label):<8} {signs(notes)}")
    if any(stop.mark for _, shape in shown_shapes(sheet) for stop in shape.stops):
        lines.append(f"  {words['low_high']}")
    lines += ["", words["bowing"]]
    for name, pattern in {pattern.name: pattern for _, pattern in sheet.patterns}.items():
        lines += [f"  {one_line(pattern.title)} ({name})", f"    {pattern.grid.written('bow')}"]
    tempos = sheet.ramp.tempos
    beat = words.get(tempos[0].beat_name, tempos[0].beat_name)
    lines += ["", words["plan"], f"  {beat} = {', '.join(one.written for one in tempos)}"]
    lines += [*(f"  {line}" for line in rounds_of(sheet.ramp, words)), ""]
    lines += [*_filled(words["care"]), ""]
    return "\n".join(lines)


def contents_page(title: str, parts: Iterable[Mapping[str, Any]]) -> str:
    """Write index.html: for each sheet of a lesson its practice page, its sheet to print, and its tracks by what they are.

    Parameters
    ----------
    title : str
    parts : iterable of mapping
        For each sheet its ``title``, its ``facts``, the names of its ``mixes``, and its ``files`` as in the manifest. Where
        there are many, they can be searched by title, key or meter, and each shows its tracks when asked.
    """
    care, head = html.escape(ENGLISH["care"]), html.escape(one_line(title))
    rest = iter(parts)
    first = list(islice(rest, _MANY + 1))  # the reports of thousands needn't be in memory at once
    many = len(first) > _MANY
    items = "\n".join(_contents(part, folded=many) for part in chain(first, rest))
    search = f"{_SEARCH.format(**{word: html.escape(ENGLISH[word]) for word in _SEARCH_WORDS})}\n" if many else ""
    script = f"<script>{_SCRIPT}</script>\n" if many else ""
    policy = f"script-src '{policy_name(_SCRIPT)}'; " if many else ""
    return f"""<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; {policy}style-src 'unsafe-inline'">
<title>{head}</title>
<style>{_STYLE}</style>
<main{' class="many"' if many else ""}>
<h1>{head}</h1>
<p>{html.escape(ENGLISH["readme_how"])}</p>
{search}{items}
<p>{care}</p>
</main>
{script}</html>
"""


def _contents(part: Mapping[str, Any], *, folded: bool) -> str:
    """Link one sheet's files, each under what it is to a learner; a track's formats share a line."""
    order, files = {name: number for number, name in enumerate(part["mixes"])}, part["files"]

    def rank(file: Mapping[str, Any]) -> tuple[bool, int, str]:
        """Whole tracks before those of one tempo, as the sheet orders its mixes, sound before MIDI."""
        return file["path"].split("/")[-2] != "tracks", order[file["mix"]], file["kind"]

    tracks: dict[str, list[Mapping[str, Any]]] = {}
    for file in sorted((file for file in files if file["kind"] in ("audio", "video", "midi")), key=rank):
        name = PurePosixPath(file["path"]).stem.removeprefix(safe_name(part["title"])).removeprefix(" - ").strip()
        tracks.setdefault(name, []).append(file)
    papers = [
        f'<p class="{kind}">{_link(file, ENGLISH[word])}</p>'
        for kind, word in (("page", "contents_page"), ("handout", "contents_pdf"))
        for file in files
        if file["kind"] == kind
    ]
    rows = [
        f"<li>{html.escape(name)}: "
        + " ".join(_link(file, PurePosixPath(file["path"]).suffix[1:].upper().replace("MID", "MIDI")) for file in these)
        + "</li>"
        for name, these in tracks.items()
    ]
    head = html.escape(one_line(part["title"]))
    facts = html.escape(", ".join(part["facts"]))
    listing = f"<ul>{''.join(rows)}</ul>"
    if folded:
        listing = f"<details><summary>{html.escape(ENGLISH['contents_tracks'])}</summary>{listing}</details>"
    return f'<section>\n<h2 dir="auto">{head}</h2>\n<p>{facts}</p>\n{"".join(papers)}\n{listing}\n</section>'


def _link(file: Mapping[str, Any], words: str) -> str:
    return f'<a href="{html.escape(quote(file["path"]))}">{html.escape(words)}</a>'


def _bar_text(bar: WrittenBar) -> str:
    return "  ".join(f"{chord} ({label})" if label else chord for chord, label in bar)


def _filled(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH)
