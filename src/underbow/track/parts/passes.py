"""Pass after pass: what is alike in several passes is played once, and again so much later."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from fractions import Fraction
from itertools import takewhile

from underbow.track.performance import Gesture
from underbow.track.timeline import Stretch, Timeline

Play = Callable[[range, Stretch], Iterable[Gesture]]  # the gestures of some passes of a stretch


def pass_by_pass(
    timeline: Timeline, play: Play, *, alike: Callable[[int], Hashable] = lambda place: None, closing: int = 1
) -> Iterator[tuple[list[Gesture], Fraction]]:
    """Play every pass; give its gestures, and by how many quarters later than they stand there they are played.

    A pass that opens a stretch, one that closes it, and one between may differ; otherwise only what ``alike`` says. Where only
    the track's beginning is wanted, no gesture is asked for after the first one that isn't; what is alike comes whole.

    Parameters
    ----------
    timeline : Timeline
    play : callable
        Plays some passes of a stretch.
    alike : callable
        What a pass, by its place from 0, has in common with those that are played in the same way.
    closing : int
        Passes at the end of a stretch that are played together.
    """
    known: dict[Hashable, tuple[list[Gesture], Fraction]] = {}
    for stretch in timeline.stretches:
        first, stop = stretch.passes.start, stretch.passes.stop
        last = max(stop - closing, first)
        for passes in [*(range(place, place + 1) for place in range(first, last)), range(last, stop)]:
            key = (passes.start == first, passes.stop == stop, *map(alike, passes))
            start = timeline.starts[passes.start]
            if not timeline.wanted(start):
                return
            if key not in known:
                known[key] = (list(takewhile(lambda one: timeline.wanted(one.start), play(passes, stretch))), start)
            gestures, begin = known[key]
            yield gestures, start - begin
