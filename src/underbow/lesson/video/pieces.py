"""The board's pieces at a moment, as plain data for ``board.typ``: the page's words and drawings, larger."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from underbow.lesson.video.layout import Box, Layout
from underbow.lesson.video.moments import Moment
from underbow.lesson.words import ENGLISH as HANDED_OUT

__all__ = ["Piece", "Pieces", "bare_neck", "coloured"]

Piece = Mapping[str, Any]

_STOPS = 258  # pixels that strings and fingers take beside a chord
_EDGE = 28


class Pieces:
    """Writes what every part of the board shows.

    Parameters
    ----------
    data : mapping
        As :func:`~underbow.lesson.timeline.page_timeline` gives it.
    words : mapping of str to str
        As :data:`~underbow.lesson.practice.words.ENGLISH`.
    title : str
    layout : Layout
    ink : mapping of str to str
        Colours by name.
    """

    def __init__(
        self, data: Mapping[str, Any], words: Mapping[str, str], title: str, layout: Layout, ink: Mapping[str, str]
    ) -> None:
        self._data, self._words, self._title, self._layout, self._ink = data, words, title, layout, ink

    def at(self, moment: Moment) -> Iterator[tuple[Box, Piece]]:
        """Give the parts that are text: each with its place."""
        layout = self._layout
        of_all = self._words["pass_of"].replace("{count}", str(len(self._data["passes"])))
        yield layout.playing, self._fact(layout.playing, of_all, str(moment.playing + 1))
        yield layout.bar, self._fact(layout.bar, *self._bar(moment))
        tempo = f"› {moment.coming_tempo}" if moment.coming_tempo else str(moment.tempo)
        yield layout.tempo, self._fact(layout.tempo, self._words["beats_a_minute"], tempo, self._note("hair"))
        yield layout.now, self._now(moment)
        yield (
            layout.head,
            self._piece(layout.head, "head", "spruce", "ink", caption=self._words["next"], aside=self._stays(moment)),
        )
        yield layout.coming, self._coming(moment)
        yield layout.left, self._piece(layout.left, "left", "spruce", "varnish", count=moment.left, wide=layout.wide)

    def _piece(self, box: Box, kind: str, ground: str, ink: str, **more: Any) -> Piece:
        return {"kind": kind, "w": box.w, "h": box.h, "ground": ground, "ink": ink} | more

    def _fact(self, box: Box, caption: str, value: str, note: str = "") -> Piece:
        return self._piece(box, "fact", "ebony", "hair", caption=caption, value=value, note=note, row=self._layout.wide)

    def _bar(self, moment: Moment) -> tuple[str, str]:
        words = self._words
        if moment.bar < 0:
            return words["bar"], words["pickup"] if moment.state == "play" else "–"
        row = self._data["bars"][moment.bar]
        section = self._data["sections"][row[3]][0]
        return words["bar_in"].replace("{section}", section) if section else words["bar"], str(row[2])

    def _note(self, ink: str) -> str:
        return coloured(self._data["note"], self._ink[ink])

    def _stays(self, moment: Moment) -> str:
        """Which fingers stay for what comes; else in which position it lies."""
        if moment.coming < 0:
            return ""
        kept = self._kept(moment)
        if not kept:
            return str(self._data["hands"][moment.coming]["position"])
        words = self._words["stays_many" if len(kept) > 1 else "stays_one"]
        return words.replace("{fingers}", " + ".join(map(str, kept)))

    def _kept(self, moment: Moment) -> list[int]:
        if moment.hand < 0 or moment.coming < 0:
            return []
        return list(self._data["stays"][moment.hand][moment.coming])

    def _now(self, moment: Moment) -> Piece:
        words, layout = self._words, self._layout
        hand = self._data["hands"][moment.hand] if moment.hand >= 0 else None
        said = {
            "tuning": words["tuning"],
            "count-in": words["count_in"],
            "between": str(moment.tempo),
            "over": words["the_end"],
        }
        chord = said.get(moment.state) or (hand and hand["chord"]) or words["no_chord"]
        more = self._held(layout.now, hand, [], chord, 240)
        opening = moment.state in {"tuning", "count-in"}
        return self._piece(
            layout.now, "hold", "ebony", "hair", **more
            | {
                "caption": words["count_in"] if moment.state == "between" else words["now"],
                "aside": hand["position"] if hand else "",
                "note": self._note("hair") if moment.state == "between" else "",
                "below": self._title if opening else "",
                "neck": coloured(bare_neck(hand["svg"], self._ink["ebony"]), self._ink["hair"]) if hand and hand["svg"] else "",
                "head": 104, "row": 256, "foot": 50 if not layout.wide else 14,
                "slant": 60 if layout.wide else 0,
                "edge": "right" if layout.wide else "bottom",
            },
        )  # fmt: skip

    def _coming(self, moment: Moment) -> Piece:
        hand = self._data["hands"][moment.coming] if moment.coming >= 0 else None
        nothing = "" if moment.state == "over" else self._words["the_end"]
        chord = (hand["chord"] or self._words["no_chord"]) if hand else nothing
        return self._piece(
            self._layout.coming, "hold", "spruce", "ink",
            **self._held(self._layout.coming, hand, self._kept(moment), chord, 160)
            | {"caption": "", "aside": "", "note": "", "below": "", "neck": "", "head": 0, "row": 256, "foot": 0, "slant": 0,
               "edge": ""},
        )  # fmt: skip

    def _held(self, box: Box, hand: Mapping[str, Any] | None, kept: list[int], chord: str, tall: int) -> dict[str, Any]:
        """What holds of both chords: names, fingers, and the room for them."""
        stops = [
            [string, finger, int(finger[-1]) in kept] for string, finger in (hand["stops"] if hand else ())
        ]  # the last sign of a finger is its number, before it may stand how it lies
        slant = 44 if box is self._layout.now and self._layout.wide else 0
        room = box.w - 2 * _EDGE - slant - ((_STOPS + 6) if stops else 0)
        return {
            "chord": chord,
            "stops": stops,
            "flat": bool(hand and hand["flat"]),
            "tall": tall,
            "room": room,
            "gap": 6,
        }

    def care(self) -> Piece:
        """The last picture: what to take care of."""
        words, (w, h) = self._words, self._layout.size
        return self._piece(
            Box(0, 0, w, h), "care", "spruce", "ink",
            title=self._title, caption=words["care"], text=HANDED_OUT["care"], scale=1,
        )  # fmt: skip


def coloured(svg: str, ink: str) -> str:
    """Give a drawing its colour.

    >>> coloured('<path fill="currentColor"/>', "#1c130e")
    '<path fill="#1c130e"/>'
    """
    return svg.replace("currentColor", ink)


_TEXT = re.compile(r'<text x="([\d.]+)"([^>]*)>([^<]*)</text>\n?')
_RING = re.compile(
    r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)" rx="([\d.]+)"(?=[^<]*(?:<rect[^<]*)?<text[^>]*>(..)?)'
)
_NUT, _NOTES = 30.0, 64.0  # units of a hand shape left of the nut, and right of the neck
_GROWN = 5.0  # units that rings grow by
_DIGIT = 21


def bare_neck(svg: str, ground: str) -> str:
    """A hand shape to be seen from afar: the neck without names, its fingers larger, on a ground that hides the strings.

    >>> bare_neck('<svg viewBox="0 16 250 60" width="250" height="60" role="img"><text x="4">G</text></svg>', "#000000")
    '<svg viewBox="30 16 164 60" role="img"></svg>'
    """
    head = re.search(r'viewBox="0 ([\d.]+) ([\d.]+) ([\d.]+)" width="\d+" height="\d+"', svg)
    if head is None:
        return svg
    end = float(head[2]) - _NOTES

    def kept(text: re.Match[str]) -> str:
        if not _NUT < float(text[1]) < end:
            return ""
        said = re.sub(r'font-size="[\d.]+"', f'font-size="{_DIGIT}"', text[2])
        said = re.sub(r'y="([\d.]+)"', lambda y: f'y="{float(y[1]) + 0.36 * (_DIGIT - 12.5):.1f}"', said)
        return f'<text x="{text[1]}"{said}>{text[3]}</text>'

    def grown(ring: re.Match[str]) -> str:
        x, y, wide, high, radius = map(float, ring.groups()[:5])
        by = _GROWN + (5 if ring[6] and ring[6][1] != "<" else 0)  # a finger that is said with two signs
        return (
            f'<rect fill="{ground}" x="{x - by:.1f}" y="{y - _GROWN:.1f}" width="{wide + 2 * by:.1f}" '
            f'height="{high + 2 * _GROWN:.1f}" rx="{radius + _GROWN:.1f}"'
        )

    svg = svg.replace(head[0], f'viewBox="{_NUT:g} {head[1]} {end + 8 - _NUT:g} {head[3]}"', 1)
    return _TEXT.sub(kept, _RING.sub(grown, svg))
