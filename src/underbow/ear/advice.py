"""At most three lines of advice, the most useful first: kind, concrete, with the bars to practise.

Nothing is said of what nobody would notice. The thresholds lie well over what trained listeners can just tell apart:
10 ms for the onsets of two notes (the 2 % of the beat of Friberg and Sundberg 1995, "Time discrimination in a monotonic,
isochronous sequence", at 120 beats a minute), 5 to 10 cents for the pitch of a tone (Moore, "An Introduction to the
Psychology of Hearing", from memory), and over what the measurement itself may be off.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np

from underbow.ear.report import Advice, Heard, StrokeHeard, drift
from underbow.text import signs

NOTICED_MS, NOTICED_CENTS = 30.0, 12.0
MOST = 3
_OFTEN = 3  # times that something is found before it is worth a line


def advise(heard: Heard) -> tuple[Advice, ...]:
    """Choose what helps most.

    Parameters
    ----------
    heard : Heard
        Its advice is not looked at.

    Returns
    -------
    tuple of Advice
        Three at most; one with praise where nothing stands out.
    """
    # of the beat only one thing is said: that of the pass where it shows most
    steadiness = sorted(_steadiness(heard), key=lambda item: -item[0])[:1]
    found = sorted([*_fingers(heard), *_changes(heard), *steadiness, *_missing(heard)], key=lambda item: -item[0])
    if not found:
        return (Advice("In time and in tune, as far as I could hear. Move on to the next tempo once it feels easy."),)
    return tuple(advice for _, advice in found[:MOST])


def _fingers(heard: Heard) -> Iterator[tuple[float, Advice]]:
    """A finger that is flat or sharp in one hand again and again, or a string that is so in all of them."""
    tuning = heard.performance.tuning
    by_finger: dict[tuple[str, int, int], list[tuple[float, int]]] = defaultdict(list)
    for stroke in heard.strokes:
        for string, midi, cents in stroke.cents:
            if cents is not None:
                hand = "" if midi == tuning.midi[string] else stroke.expected.chord  # an open string is the same in all
                by_finger[hand, string, midi].append((cents, stroke.expected.bar.number))
    for (chord, string, midi), values in by_finger.items():
        offs = np.array([value for value, _ in values])
        middle = float(np.median(offs))
        if len(values) < _OFTEN or abs(middle) < NOTICED_CENTS or np.mean(np.sign(offs) == np.sign(middle)) < 0.8:
            continue
        bars = _bars(bar for _, bar in values)
        name = signs(str(tuning.strings[string].pitch_class))
        if midi == tuning.midi[string]:
            yield (
                abs(middle) / 8,
                Advice(
                    f"Your {name} string is about {abs(middle):.0f} cents {_way(middle)}: tune it before the next round."
                ),
            )
        else:
            move = "down towards the scroll" if middle > 0 else "up towards the bridge"
            yield (
                abs(middle) / 10,
                Advice(
                    f"In {signs(chord)}, the finger on the {name} string is {_way(middle)} (about {abs(middle):.0f} cents): "
                    f"move it a little {move}.",
                    bars,
                ),
            )


def _changes(heard: Heard) -> Iterator[tuple[float, Advice]]:
    """A change that comes late."""
    by_change: dict[tuple[str, str], list[tuple[float, int]]] = defaultdict(list)
    for change in heard.changes:
        if change.off_ms is not None:
            by_change[change.before, change.expected.chord].append((change.off_ms, change.expected.bar.number))
    usual = np.median([value for values in by_change.values() for value, _ in values] or [0.0])
    for (before, after), values in by_change.items():
        late = float(np.median([value for value, _ in values])) - float(usual)
        if len(values) >= _OFTEN and late > NOTICED_MS:
            yield (
                late / 15,
                Advice(
                    f"The change from {signs(before)} to {signs(after)} comes late, by about {late:.0f} thousandths of a second: "
                    "let the fingers move while the bow still finishes the old chord.",
                    _bars(bar for _, bar in values),
                ),
            )


def _steadiness(heard: Heard) -> Iterator[tuple[float, Advice]]:
    """Running ahead or falling behind as a whole, or more and more."""
    for played in heard.performance.passes:
        strokes = heard.of_pass(played.playing)
        offs = [stroke.off_ms for stroke in strokes if stroke.off_ms is not None]
        if len(offs) < 12:
            continue
        middle, more = float(np.median(offs)), drift(strokes)
        tempo = f"at {played.tempo.written}"
        if heard.place.leak and abs(middle) > NOTICED_MS:
            way = "behind" if middle > 0 else "ahead of"
            yield (
                abs(middle) / 12,
                Advice(
                    f"You play {way} the beat {tempo}, by about {abs(middle):.0f} thousandths of a second: lean on the click."
                ),
            )
        elif more is not None and abs(more) > 40:
            way = "slower" if more > 0 else "faster"
            yield (
                abs(more) / 30,
                Advice(
                    f"{tempo[0].upper()}{tempo[1:]} you get a little {way} as you go: listen for the guitar's bass notes."
                ),
            )


def _missing(heard: Heard) -> Iterator[tuple[float, Advice]]:
    strokes: list[StrokeHeard] = [stroke for stroke in heard.strokes if stroke.missing]
    if len(strokes) >= _OFTEN:
        yield (
            len(strokes) / max(len(heard.strokes), 1) * 40,
            Advice(
                f"{len(strokes)} strokes I could not hear: keep the bow going, even where the hand isn't ready.",
                _bars(stroke.expected.bar.number for stroke in strokes),
            ),
        )


def _way(cents: float) -> str:
    return "sharp" if cents > 0 else "flat"


def _bars(numbers: Iterable[int]) -> str:
    """Write bars as a sheet does.

    >>> _bars([3, 1, 2, 2, 7])
    '1-3, 7'
    """
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}-{last}" if last > first else str(first) for first, last in runs)
