"""What the board shows at a time: the practice page's own rules, on the same timeline.

Times are milliseconds of the performance, as in :func:`~underbow.lesson.timeline.page_timeline`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from underbow.track.timeline import Timeline

__all__ = ["Moment", "Moments"]

State = Literal["tuning", "count-in", "between", "play", "over"]
_SAME = 0.5  # milliseconds: what is as near as that is now, as on the page


@dataclass(frozen=True, slots=True)
class Moment:
    """What is to be seen.

    Parameters
    ----------
    state : {"tuning", "count-in", "between", "play", "over"}
    playing : int
        The pass, from 0; in a count-in and between two passes the one that comes.
    bar : int
        Its place among the timeline's bars; -1 where it is none of this pass: a pickup, or no bar yet.
    tempo : int
        Beats a minute, rounded.
    coming_tempo : int
        In the last bar of a pass the tempo of the next where it is another; else 0.
    hand, coming : int
        The hand now and the one after it; -1 where there is none.
    left : int
        Beats until the change, the one under way included; 0 where none comes.
    picture, cell : int
        The bow's picture, and its lit cell; -1 where nothing sounds yet.
    measure : int
        Of the staff; -1 where none is played.
    """

    state: State
    playing: int
    bar: int
    tempo: int
    coming_tempo: int
    hand: int
    coming: int
    left: int
    picture: int
    cell: int
    measure: int


class Moments:
    """Finds what is to be seen at any time.

    Parameters
    ----------
    data : mapping
        As :func:`~underbow.lesson.timeline.page_timeline` gives it.
    measures : sequence of (float, int)
        Where measures of the staff begin, in order.
    """

    def __init__(self, data: Mapping[str, Any], measures: Sequence[tuple[float, int]]) -> None:
        self._data, self._measures = data, measures
        self._passes, self._bars, self._chords = data["passes"], data["bars"], data["chords"]
        self._starts = {
            name: [row[0] for row in rows]
            for name, rows in (("pass", self._passes), ("bar", self._bars), ("chord", self._chords), ("of", measures))
        }
        self._beats: Sequence[float] = data["beats"]

    def _last(self, of: str, time: float) -> int:
        return bisect_right(self._starts[of], time + _SAME) - 1

    def at(self, time: float) -> Moment:
        """Give what is seen at a time."""
        last = self._last("pass", time)
        state: State = "play"
        playing = max(last, 0)
        if last < 0:
            state = "tuning" if time + _SAME < self._data["tuned"] else "count-in"
        elif time + _SAME >= self._passes[last][1] and last + 1 == len(self._passes):
            state = "over"
        elif time + _SAME >= self._passes[last][1]:
            state, playing = "between", last + 1
        bar = self._last("bar", time)
        inside = state == "play" and bar >= 0 and self._bars[bar][1] == playing
        shown = bar if inside else self._passes[playing][4]  # what is drawn while nothing is played: the bar that comes
        chord = self._last("chord", time)
        hand = self._chords[chord][1] if chord >= 0 and state == "play" else -1
        coming, when = self._coming(chord) if state != "between" else self._first_of(playing)
        return Moment(
            state=state,
            playing=playing,
            bar=bar if inside else -1,
            tempo=self._tempo(playing, time),
            coming_tempo=self._coming_tempo(playing, bar) if inside else 0,
            hand=hand,
            coming=coming,
            left=max(self._count(time, when), 1) if coming >= 0 else 0,
            picture=self._bars[shown][4],
            cell=bisect_right(self._bars[bar][5], time + _SAME) - 1 if inside else -1,
            measure=self._measures[self._last("of", time)][1] if state == "play" and self._measures else -1,
        )

    def _tempo(self, playing: int, time: float) -> int:
        start, end, slow, fast = map(float, self._passes[playing][:4])
        return round(slow + (fast - slow) * min(max((time - start) / (end - start), 0), 1))

    def _coming_tempo(self, playing: int, bar: int) -> int:
        """The next pass's tempo, in a pass's last bar."""
        if playing + 1 == len(self._passes) or bar + 1 < self._passes[playing + 1][4]:
            return 0
        now, then = round(self._passes[playing][3]), round(self._passes[playing + 1][2])
        return then if then != now else 0

    def _coming(self, chord: int) -> tuple[int, float]:
        """The next hand, and when it comes: the timeline holds changes only."""
        if chord + 1 == len(self._chords):
            return -1, 0.0
        start, hand = self._chords[chord + 1]
        return hand, start

    def _first_of(self, playing: int) -> tuple[int, float]:
        """The hand at the beginning of a pass, and when it is struck: at its first bar where a pickup has none of its own."""
        start = self._passes[playing][0]
        number = self._last("chord", start)
        if number >= 0 and self._chords[number][0] >= self._passes[playing - 1][1] - _SAME:
            return self._chords[number][1], self._chords[number][0]
        after = self._coming(number)
        bar = self._bars[self._passes[playing][4]][0]
        held = self._chords[number][1] if number >= 0 else -1
        return (held, start) if after[1] > bar + _SAME and held >= 0 else after

    def _count(self, start: float, end: float) -> int:
        return bisect_right(self._beats, end + _SAME) - bisect_right(self._beats, start + _SAME)

    def point(self, time: float, moment: Moment) -> tuple[float, float] | None:
        """Where the hair meets the string, in the units of the bow's picture."""
        if moment.bar < 0:
            return None
        start, _, _, _, picture, cells = self._bars[moment.bar][:6]
        following = self._bars[moment.bar + 1][0] if moment.bar + 1 < len(self._bars) else self._data["end"]
        end = min(following, self._passes[moment.playing][1]) if self._gap_after(moment.bar) else following
        x = 1 + 320 * min((time - start) / (end - start), 1)
        way = next((way for way in self._data["pictures"][picture]["travel"] if way[0] <= x < way[2]), None)
        if way is None or not cells:
            return None
        return x, way[1] + (way[3] - way[1]) * (x - way[0]) / (way[2] - way[0])

    def _gap_after(self, bar: int) -> bool:
        """Whether clicks of their own come between this bar's pass and the next."""
        playing: int = self._bars[bar][1]
        return bool(playing + 1 < len(self._passes) and self._passes[playing + 1][0] - self._passes[playing][1] > 1)


def measures_at(timeline: Timeline, data: Mapping[str, Any]) -> list[tuple[float, int]]:
    """Where each measure of the staff begins to be played, in milliseconds, with its index in the tune."""
    seconds = timeline.tempo.seconds
    whole = [
        (1000 * seconds(bar.start + place), index) for bar in timeline.whole_bars for index, place in bar.bar.measures
    ]
    first: list[tuple[float, int]] = []
    for start, measure, _ in data["notes"]:  # a pickup is in no whole bar
        if not first or first[-1][1] != measure:
            first.append((start, measure))
    return sorted([*whole, *first])
