"""How ``chords`` shows what it suggests: as JSON by bar as played, and as lines to read by bar as written."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from underbow.tune.written_out import write_out

if TYPE_CHECKING:
    from underbow.theory.chord import Chord
    from underbow.tune.harmony.harmonise import Harmony, SuggestedBar
    from underbow.tune.tune import Bar

_LOW = 0.7  # bars less sure than this are told with what else would do


def changes_json(harmony: Harmony) -> dict[str, object]:
    """Give title, key, the progression as a sheet writes it, and every bar as played, by printed number and time."""
    return {
        "title": harmony.tune.title,
        "key": str(harmony.tune.key),
        "meter": str(harmony.tune.meter),
        "sureness": round(harmony.sureness, 3),
        "progression": str(harmony.progression),
        "bars": [
            {
                "bar": bar.number,
                "time": bar.time,
                "section": bar.section,
                "chords": _names(suggested.chords),
                "sureness": round(suggested.sureness, 3),
                "runners_up": [
                    {"chords": _names(other.chords), "sureness": round(other.sureness, 3)}
                    for other in suggested.runners_up
                ],
            }
            for bar, suggested in _played(harmony)
        ],
    }


def changes_text(harmony: Harmony) -> str:
    """Say the progression, ready for a sheet, and the bars that are worth a second look."""
    tune = harmony.tune
    changes = str(harmony.progression)
    quoted = f'"""\n{changes}\n"""' if "\n" in changes else f'"{changes}"'
    lines = [tune.title or "(no title)", f"key {tune.key}, meter {tune.meter.numbers}", "", "For a track sheet:", ""]
    lines += [f"progression = {quoted}", ""]
    if _two_ways(harmony):
        lines += [
            "This has one ending of a section only. Use -o to write the tune with the chords of",
            "every ending, and leave progression out of the sheet.",
            "",
        ]
    unsure = [bar for bar in harmony.bars if bar.sureness < _LOW and bar.runners_up]
    if not unsure:
        lines.append(f"Expect about {harmony.sureness:.0%} of it to be right; no bar stands out as doubtful.")
        return "\n".join(lines)
    lines.append(
        f"Expect about {harmony.sureness:.0%} of it to be right. Check these bars by ear, numbered as printed:"
    )
    for bar in unsure:
        others = ", or ".join(" ".join(_names(other.chords)) for other in bar.runners_up)
        place = f"bar {bar.number}" + (f" (in {bar.section})" if bar.section else "")
        lines.append(f"  {place}: {' '.join(_names(bar.chords))}, {bar.sureness:.0%}; or {others}")
    return "\n".join(lines)


def _two_ways(harmony: Harmony) -> bool:
    """Whether a section has other chords when it comes again, as at a second ending, which a progression can't say."""
    first: dict[tuple[str, int], list[str]] = {}
    place = 0
    for bar, suggested in _played(harmony):
        place = 0 if bar.section_start else place + 1
        chords = _names(suggested.chords)
        if first.setdefault((bar.section, place), chords) != chords:
            return True
    return False


def _played(harmony: Harmony) -> Iterator[tuple[Bar, SuggestedBar]]:
    """Every full bar as played, with what was suggested for the measure in which it begins."""
    firsts = [bar.measure for bar in harmony.bars]
    for bar in write_out(harmony.tune).full_bars:
        yield bar, harmony.bars[max(bisect_right(firsts, bar.measures[0][0]) - 1, 0)]


def _names(chords: Sequence[Chord]) -> list[str]:
    return [str(chord) for chord in chords]
