"""The backup: hand shapes held by the left hand, bowed in the pattern's strokes by the right."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from math import inf

from underbow.fiddle.grid import Pulse, Strings, Stroke
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.track.gestures import Gestures
from underbow.track.instruments import PROGRAMS
from underbow.track.parts.passes import pass_by_pass
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.runs import Run, runs
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Stretch, Timeline

CLOSING_DB = -2.0
CHOP = Fraction(1, 8)  # quarters that a chop sounds at most: it is a knock, not a note


def backup_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Bow the hand shapes in the patterns' strokes.

    The bow goes on from bar to bar, over the sections and from pass to pass; see :func:`underbow.track.runs.runs` for where it
    is set anew. Where the chord changes within a stroke the fingers change and the bow goes on: a string whose note stays is
    not touched. The track, and each of its stretches, ends on one long bow over both strings.
    """
    every = [run for stretch in timeline.stretches for run in runs(timeline, timeline.places(stretch.passes))]
    in_pass = [_runs_in(every, timeline.places(range(i, i + 1))) for i in range(len(timeline.starts))]

    def play(passes: range, stretch: Stretch) -> Iterable[Gesture]:
        strokes = (stroke for place in passes for stroke in _strokes(sheet, timeline, place, in_pass[place]))
        return _closed(sheet, timeline, stretch, strokes) if passes.stop == stretch.passes.stop else strokes

    def alike(place: int) -> Hashable:
        """Say of its runs where they begin in a pass, or how far their cycle is, and where they end: so it is bowed."""
        places = timeline.places(range(place, place + 1))
        return tuple(
            (
                run.grid,
                max(run.places.start - places.start, -1 - (places.start - run.places.start - 1) % run.cycle),
                min(run.places.stop - places.start, len(places) + run.cycle),
            )
            for run in in_pass[place]
        )

    longest = max(run.grid.length for run in every)
    together = 1 + int(-(-longest // sheet.melody.loop))  # passes that a stroke over the closing beat may begin in
    return Part(
        "backup", PROGRAMS["backup"], Gestures.of_phrases(pass_by_pass(timeline, play, alike=alike, closing=together))
    )


def _runs_in(every: Sequence[Run], places: range) -> list[Run]:
    """Runs with bars at some of these places."""
    return [run for run in every if run.places.start < places.stop and run.places.stop > places.start]


def _strokes(sheet: Sheet, timeline: Timeline, place: int, inside: Sequence[Run]) -> Iterator[Gesture]:
    """Bow what begins in the bars of one pass."""
    bars = timeline.bars_of(range(place, place + 1))
    for run in inside:
        for stroke in run.strokes(since=bars[0].start - run.start):
            if run.start + stroke.start >= bars[-1].end:
                break
            gesture = _gesture(sheet, timeline, stroke, run.start, run.end)
            if gesture is not None:
                yield gesture


def _closed(sheet: Sheet, timeline: Timeline, stretch: Stretch, gestures: Iterable[Gesture]) -> Iterator[Gesture]:
    """End on one bow that is held; a stroke that is held to the end anyway stays as it is."""
    closing = timeline.swung(stretch.closing)
    last: list[Gesture] = []  # from the first one that reaches over the closing beat
    bow, loudest = "u", -inf
    for gesture in gestures:
        loudest = max(loudest, *(note.level for note in gesture.notes))
        if last or gesture.end > closing:
            last.append(gesture)
        else:
            yield gesture
            bow = gesture.bow or bow
    if loudest == -inf or (
        last and last[-1].start < closing and last[-1].manner is Manner.BOW and last[-1].end > closing
    ):
        yield from last
        return
    earlier = [_until(gesture, closing) for gesture in last if gesture.start < closing]
    before = next((gesture.bow for gesture in reversed(earlier) if gesture.bow), bow)
    length = stretch.end - stretch.closing
    whole = Pulse(stretch.closing, length, min(CLOSING_DB, loudest), "both")  # softly after soft
    notes = _sounded(sheet, timeline, whole, stretch.closing, stretch.end, chop=False)
    yield from [*earlier, Gesture(Manner.BOW, tuple(notes), "d" if before == "u" else "u")] if notes else last


def _until(gesture: Gesture, end: Fraction) -> Gesture:
    """Cut what of a stroke lies past a position."""
    if gesture.end <= end:
        return gesture
    notes = [note for note in gesture.notes if note.start < end]
    return replace(gesture, notes=tuple(replace(n, length=min(n.length, end - n.start)) for n in notes))


def _gesture(sheet: Sheet, timeline: Timeline, stroke: Stroke, zero: Fraction, end: Fraction) -> Gesture | None:
    notes: list[Sounded] = []
    for pulse in stroke.pulses:
        start, stop = zero + pulse.start, min(zero + pulse.end, end)
        if start < stop:
            notes += _sounded(sheet, timeline, pulse, start, stop, chop=stroke.bow == "x")
    if not notes:
        return None
    notes.sort(key=lambda note: (note.start, note.midi))
    if stroke.bow == "x":
        return Gesture(Manner.CHOP, tuple(notes))
    return Gesture(Manner.BOW, tuple(notes), stroke.bow)


def _sounded(
    sheet: Sheet, timeline: Timeline, pulse: Pulse, start: Fraction, stop: Fraction, *, chop: bool
) -> list[Sounded]:
    """Sound a pulse: on each string one note for as long as its pitch stays."""
    notes: list[Sounded] = []
    open_notes: dict[int, int] = {}  # string -> its last note in the list
    for heard in timeline.between(start, stop):
        shape = sheet.shapes[heard.index] if heard.index >= 0 else None
        begin, finish = timeline.swung(heard.start), timeline.swung(heard.end)
        for string, midi in _strings(shape, pulse.strings):
            place = open_notes.get(string)
            last = notes[place] if place is not None else None
            if place is not None and last is not None and last.midi == midi and last.end == begin:
                notes[place] = Sounded(last.start, finish - last.start, midi, pulse.level, string)
            else:
                open_notes[string] = len(notes)
                notes.append(Sounded(begin, finish - begin, midi, pulse.level, string))
    if chop:  # the bow is dropped once, whatever the chord does later
        first = min((note.start for note in notes), default=start)
        notes = [Sounded(n.start, min(n.length, CHOP), n.midi, n.level, n.string) for n in notes if n.start == first]
    return notes


def _strings(shape: HandShape | None, which: Strings) -> list[tuple[int, int]]:
    """Strings that a pulse takes, with their notes."""
    if shape is None:
        return []
    both = list(zip(shape.strings, shape.midi, strict=True))
    return both[:1] if which == "lower" else both[-1:] if which == "upper" else both
