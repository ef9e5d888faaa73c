"""The practice page: one HTML file that plays the track and shows chord, hand and bow in time, without the internet.

Everything is inside: sound, pictures, notation, words. The page forbids itself any request (its content security policy
names the hashes of its own script and style and nothing else), and whatever a sheet says lands in it as text.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

from underbow.errors import UnderbowError
from underbow.lesson.facts import facts_of
from underbow.lesson.policy import policy_name
from underbow.lesson.practice.audio import KNOCK, LEAD, OVER, PIECE, RATE, PageAudio, page_audio
from underbow.lesson.practice.words import ENGLISH
from underbow.lesson.print.engrave import engrave_marked
from underbow.lesson.print.staff import staff_tune
from underbow.lesson.timeline import page_timeline
from underbow.sound.synth.click import BLOCKS, HIGH, LOW, PEAK_DB
from underbow.text import one_line, signs
from underbow.theory.pitch import frequency
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.parts.click import FIRST_DB, OTHER_DB
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet

__all__ = ["make_page", "page_audio"]

_SCRIPTS = (
    "base",
    "latency",
    "stretch",
    "tape",
    "sound",
    "score",
    "book",
    "practice",
    "view",
    "syllables",
    "notation",
    "panels",
    "page",
    "take",
    "record",
)
_WIDE, _NARROW = 960, 400  # pixels of the two engravings; the page shows the one that its width suits


def make_page(
    sheet: Sheet,
    performance: Performance,
    mixes: Sequence[Mix],
    audio: PageAudio,
    *,
    words: Mapping[str, str] = ENGLISH,
    beside: str = "",
) -> bytes:
    """Make the practice page.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    mixes : sequence of Mix
        The placings, in the order shown; the page begins with the first.
    audio : PageAudio
        As :func:`~underbow.lesson.practice.audio.page_audio` makes it.
    words : mapping of str to str
        Everything the page says, as in :data:`~underbow.lesson.practice.words.ENGLISH`.
    beside : str
        A folder beside the page that :func:`sound_files` are put into, for a page on a web server; where it is empty the page
        holds its sound itself.

    Returns
    -------
    bytes
        An HTML document in UTF-8, the same for the same sheet and audio.

    Raises
    ------
    UnderbowError
        If there is no mix.
    """
    if not mixes:
        raise UnderbowError("the page has no mix to play")
    timeline, staff = page_timeline(sheet, performance), staff_tune(sheet)
    data = timeline | {
        "words": dict(words),
        "title": one_line(sheet.title),
        "count_in": sheet.count_in,
        "listener": _asset("listener.js"),
        "strings": [
            [signs(str(string.pitch_class)), round(frequency(string.midi, sheet.concert_pitch), 3)]
            for string in sheet.tuning.strings
        ],
        "head": _head(performance, audio) | ({"files": beside} if beside else {}),
        "mixes": [_placing(performance, mix, audio, words) for mix in (*mixes, _CLICK_ALONE)],
    }
    # strict-dynamic lets this script, and no markup, name the address of what listens to the microphone.
    css, js = _asset("page.css"), "\n".join(_asset(f"{name}.js") for name in _SCRIPTS)
    script = f'"use strict";\n{{\n{js}\n}}\n'
    policy = (
        f"default-src 'none'; script-src '{policy_name(script)}' 'strict-dynamic'; style-src '{policy_name(css)}'; "
        "img-src data:; " + ("connect-src 'self'; " if beside else "") + "base-uri 'none'; form-action 'none'"
    )
    fields = {f"w_{name}": escape(text) for name, text in words.items()} | {
        "lang": escape(words["lang"]),
        "policy": policy,
        "page_title": escape(words["page_title"].replace("{title}", one_line(sheet.title))),
        "title": escape(one_line(sheet.title)),
        "facts": escape(_facts(sheet, words)),
        "ramp": escape(_ramp(timeline, words)),
        "css": css,
        "js": script,
        "timeline": _json(data),
        "sounds": "" if beside else "\n".join(_sounds(audio)),
        "to_learner": _from_the_teacher(sheet.to_learner, words),
        "notation_wide": engrave_marked(staff, _WIDE, "wide", as_written=True),
        "notation_narrow": engrave_marked(staff, _NARROW, "narrow", as_written=False),
    }
    page = re.sub(r"\{(\w+)\}", lambda match: fields[match[1]], _asset("page.html"))
    return page.encode("utf-8")


@cache
def _asset(name: str) -> str:
    return files("underbow.lesson.practice").joinpath(name).read_text(encoding="utf-8")


def _json(data: object) -> str:
    """Write data so that no text in it can end the script that holds it."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def sound_files(audio: PageAudio) -> Iterator[tuple[str, bytes]]:
    """Give the names and the bytes of the files that a page without sound of its own looks for beside it."""
    for part, pieces in audio.parts.items():
        for number, piece in enumerate(pieces):
            yield f"{part}-{number}.mp3", piece


def _sounds(audio: PageAudio) -> Iterator[str]:
    for name, piece in sound_files(audio):
        text = base64.b64encode(piece).decode("ascii")
        yield f'<script type="text/plain" id="sound-{name.removesuffix(".mp3")}">{text}</script>'


def _head(performance: Performance, audio: PageAudio) -> dict[str, Any]:
    """What the page must know of its sound."""
    click = {
        name: {"modes": BLOCKS[key], "peak": round(10 ** ((PEAK_DB + level + audio.gain) / 20), 4)}
        for name, key, level in (("high", HIGH, FIRST_DB), ("low", LOW, OTHER_DB))
    }
    return {
        "rate": RATE,
        "lead": LEAD,
        "knock": KNOCK,
        "piece": PIECE,
        "over": OVER,
        "pieces": max((len(pieces) for pieces in audio.parts.values()), default=0),
        "parts": list(audio.parts),
        "strip": audio.places,
        "onsets": {part: _onsets(performance, audio, part) for part in audio.parts},
        "clicks": click,
    }


def _onsets(performance: Performance, audio: PageAudio, part: str) -> list[int]:
    """Where a part's sounds begin on the strip, in frames: there the page, when it stretches, must keep them sharp."""
    found: set[int] = set()
    seconds = performance.tempo.seconds
    carried = dict(zip(audio.places, performance.passes, strict=True))  # of passes at one place the last is carried
    for place, each in carried.items():
        begins = seconds(each.start)
        for gesture in performance.part(part).gestures:
            if each.start <= gesture.start < each.end:
                found |= {
                    place + round((seconds(start) + gesture.offset - begins) * RATE)
                    for start in {note.start for note in gesture.notes}
                }
    return sorted(found)


_CLICK_ALONE = Mix("click alone", (("click", (0.0,)), ("drone", (None,)), ("tuning", (None,))))


def _placing(performance: Performance, mix: Mix, audio: PageAudio, words: Mapping[str, str]) -> dict[str, Any]:
    """A mix as the page places its players: dB of each part, pass by pass; None is out."""
    known = mix in (*STANDARD_MIXES, _CLICK_ALONE)
    levels: dict[str, list[float | None]] = {}
    for part in (*audio.parts, "click"):
        each = [mix.level(part, played.number, played.playing) for played in performance.passes]
        levels[part] = each[:1] if len(set(each)) == 1 else each
    return {
        "name": one_line(mix.name),
        "about": words[f"about_{mix.name}"] if known else "",
        "levels": levels,
        "trim": audio.trims.get(mix.name, 0.0),
    }


def _from_the_teacher(text: str, words: Mapping[str, str]) -> str:
    if not text:
        return ""
    return f'<section class="learner"><h2>{escape(words["learner"])}</h2><p dir="auto">{escape(text)}</p></section>'


def _facts(sheet: Sheet, words: Mapping[str, str]) -> str:
    """Key, meter, tuning and patterns in a line."""
    patterns = dict.fromkeys(pattern.title for _, pattern in sheet.patterns)
    by = sheet.recording.by if sheet.recording else ""
    player = [words["played_by"].replace("{by}", by)] if by else []
    return one_line(" · ".join([*facts_of(sheet), *patterns, *player]))


def _ramp(timeline: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """The tempos of the passes in a line."""
    first, last = timeline["passes"][0][2], timeline["passes"][-1][3]
    beat = words.get(f"beat_{timeline['beat']}", timeline["beat"])
    text = words["tempo"].replace("{count}", f"{first:g}") if first == last else words["ramp"]
    return text.replace("{beat}", beat).replace("{slow}", f"{first:g}").replace("{fast}", f"{last:g}")
