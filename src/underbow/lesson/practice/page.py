"""The practice page: one HTML file that plays the track and shows chord, hand and bow in time, without the internet.

Everything is inside: sound, pictures, notation, words. The page forbids itself any request (its content security policy
names the hashes of its own script and style and nothing else), and whatever a sheet says lands in it as text.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

from underbow.errors import UnderbowError
from underbow.lesson.practice.audio import KNOCK, LEAD, RATE, page_audio
from underbow.lesson.practice.words import ENGLISH
from underbow.lesson.print.engrave import engrave
from underbow.lesson.print.staff import staff_tune
from underbow.lesson.timeline import page_timeline
from underbow.text import one_line
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Tune

__all__ = ["make_page", "page_audio"]

_SCRIPTS = ("sound.js", "view.js", "page.js")
_WIDE, _NARROW = 960, 400  # pixels of the two engravings; the page shows the one that its width suits
_MARKED = re.compile(r'id="(?:m(\d+)|n(\d+-\d+)(?:-\d+)?)"')


def make_page(
    sheet: Sheet,
    performance: Performance,
    mixes: Sequence[Mix],
    audio: Mapping[str, bytes],
    *,
    words: Mapping[str, str] = ENGLISH,
) -> bytes:
    """Make the practice page.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    mixes : sequence of Mix
        In the order shown; the page begins with the first.
    audio : mapping of str to bytes
        For the name of each mix its sound, as :func:`~underbow.lesson.practice.audio.page_audio` makes it.
    words : mapping of str to str
        Everything the page says, as in :data:`~underbow.lesson.practice.words.ENGLISH`.

    Returns
    -------
    bytes
        An HTML document in UTF-8, the same for the same sheet and audio.

    Raises
    ------
    UnderbowError
        If the audio of a mix is missing.
    """
    missing = [mix.name for mix in mixes if mix.name not in audio]
    if missing or not mixes:
        raise UnderbowError(f"the page has no sound for {', '.join(missing) or 'any mix'}")
    timeline, staff = page_timeline(sheet, performance), staff_tune(sheet)
    data = timeline | {
        "words": dict(words),
        "head": {"rate": RATE, "lead": LEAD, "knock": KNOCK, "end": timeline["end"] / 1000},
        "mixes": [[one_line(mix.name), words[f"about_{mix.name}"] if mix in STANDARD_MIXES else ""] for mix in mixes],
    }
    css, js = _asset("page.css"), "\n".join(_asset(name) for name in _SCRIPTS)
    script = f'"use strict";\n{{\n{js}\n}}\n'
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(css)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    fields = {f"w_{name}": escape(text) for name, text in words.items()} | {
        "lang": escape(words["lang"]),
        "policy": policy,
        "page_title": escape(words["page_title"].replace("{title}", one_line(sheet.title))),
        "title": escape(one_line(sheet.title)),
        "facts": escape(_facts(sheet)),
        "ramp": escape(_ramp(timeline, words)),
        "css": css,
        "js": script,
        "timeline": _json(data),
        "sounds": "\n".join(_sounds(mixes, audio)),
        "notation_wide": _notation(staff, _WIDE, "wide"),
        "notation_narrow": _notation(staff, _NARROW, "narrow"),
    }
    page = re.sub(r"\{(\w+)\}", lambda match: fields[match[1]], _asset("page.html"))
    return page.encode("utf-8")


@cache
def _asset(name: str) -> str:
    return files("underbow.lesson.practice").joinpath(name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """Name a text as a content security policy does (W3C CSP level 3, section 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _json(data: object) -> str:
    """Write data so that no text in it can end the script that holds it."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _sounds(mixes: Sequence[Mix], audio: Mapping[str, bytes]) -> Iterator[str]:
    for number, mix in enumerate(mixes):
        text = base64.b64encode(audio[mix.name]).decode("ascii")
        yield f'<script type="text/plain" id="sound-{number}">{text}</script>'


def _facts(sheet: Sheet) -> str:
    """Key, meter and patterns in a line."""
    patterns = dict.fromkeys(pattern.title for _, pattern in sheet.patterns)
    return one_line(" · ".join([str(sheet.tune.key), str(sheet.tune.meter), *patterns]))


def _ramp(timeline: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """The tempos of the passes in a line."""
    first, last = timeline["passes"][0][2], timeline["passes"][-1][3]
    beat = words.get(f"beat_{timeline['beat']}", timeline["beat"])
    text = words["tempo"].replace("{count}", f"{first:g}") if first == last else words["ramp"]
    return text.replace("{beat}", beat).replace("{slow}", f"{first:g}").replace("{fast}", f"{last:g}")


def _notation(tune: Tune, width: int, name: str) -> str:
    """Engrave the tune for a width, its measures and notes marked by ``data-measure`` and ``data-note``.

    Identifiers must be unique in a page and the tune stands in it twice, so those of the drawing are renamed, and its style
    sheet, which the page's policy forbids, is left out: page.css says the same.
    """
    if width < _WIDE:  # lines as written don't fit: let the engraver break them
        tune = replace(tune, measures=tuple(replace(measure, new_line=False) for measure in tune.measures))
    svg = "\n".join(engrave(tune, width=width).pages)
    svg = re.sub(r"<style.*?</style>|<desc>.*?</desc>", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'href="#([^"]+)"', svg))
    svg = _MARKED.sub(lambda m: f'data-measure="{m[1]}"' if m[1] else f'data-note="{m[2]}"', svg)
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg)
    svg = svg.replace('href="#', f'href="#{name}-').replace('color="black"', "")
    return re.sub(r"\s*\n\s*", "\n", svg)
