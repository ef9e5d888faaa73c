"""How ``chords`` shows what it suggests: as JSON by bar as played, and as lines to read by bar as written."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import accumulate
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from underbow.theory.chord import Chord
    from underbow.tune.harmony.harmonise import Harmony, SuggestedBar

_LOW = 0.7  # bars less sure than this are told with what else would do


def changes_json(harmony: Harmony) -> dict[str, object]:
    """Give title, key, the progression as a sheet writes it, and every bar as played, numbered as in ``bars = "5-8"``."""
    return {
        "title": harmony.tune.title,
        "key": str(harmony.tune.key),
        "meter": str(harmony.tune.meter),
        "sureness": round(harmony.sureness, 3),
        "progression": str(harmony.progression),
        "bars": [
            {
                "bar": number,
                "section": bar.section,
                "chords": _names(bar.chords),
                "sureness": round(bar.sureness, 3),
                "runners_up": [
                    {"chords": _names(other.chords), "sureness": round(other.sureness, 3)} for other in bar.runners_up
                ],
            }
            for number, bar in _played(harmony)
        ],
    }


def changes_text(harmony: Harmony) -> str:
    """Say the progression, ready for a sheet, and the bars that are worth a second look."""
    tune = harmony.tune
    changes = str(harmony.progression)
    quoted = f'"""\n{changes}\n"""' if "\n" in changes else f'"{changes}"'
    lines = [tune.title or "(no title)", f"key {tune.key}, meter {tune.meter}", "", "For a track sheet:", ""]
    lines += [f"progression = {quoted}", ""]
    if _two_ways(harmony):
        lines += [
            "That says one ending of a section. With -o the tune is written with the chords",
            "of every ending; leave progression out of the sheet then.",
            "",
        ]
    unsure = [bar for bar in harmony.bars if bar.sureness < _LOW and bar.runners_up]
    if not unsure:
        lines.append(f"About {harmony.sureness:.0%} of it can be expected to be right; no bar stands out as doubtful.")
        return "\n".join(lines)
    lines.append(f"About {harmony.sureness:.0%} of it can be expected to be right. Listen to these bars, as written:")
    for bar in unsure:
        others = ", or ".join(" ".join(_names(other.chords)) for other in bar.runners_up)
        place = f"bar {bar.number}" + (f" (in {bar.section})" if bar.section else "")
        lines.append(f"  {place}: {' '.join(_names(bar.chords))}, {bar.sureness:.0%}; else {others}")
    return "\n".join(lines)


def _two_ways(harmony: Harmony) -> bool:
    """Whether a section has other chords when it comes again, as at a second ending, which a progression can't say."""
    sections = harmony.tune.melody().sections
    place = {section.first_bar + i: (section.name, i) for section in sections for i in range(section.bars)}
    first: dict[tuple[str, int], list[str]] = {}
    bars = [(place[bar], _names(its.chords)) for bar, its in _played(harmony) if bar in place]
    return any(first.setdefault(where, chords) != chords for where, chords in bars)


def _played(harmony: Harmony) -> Iterator[tuple[int, SuggestedBar]]:
    """Every full bar as played, with what was suggested for the measure in which it begins."""
    tune = harmony.tune
    lengths = [tune.measures[index].length for index in tune.order]
    starts = list(accumulate(lengths, initial=Fraction(0)))[:-1]
    firsts = [bar.measure for bar in harmony.bars]
    for bar in tune.melody().bars:
        measure = tune.order[bisect_right(starts, bar.start) - 1]
        if bar.number > 0:
            yield bar.number, harmony.bars[max(bisect_right(firsts, measure) - 1, 0)]


def _names(chords: Sequence[Chord]) -> list[str]:
    return [str(chord) for chord in chords]
