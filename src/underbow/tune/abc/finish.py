"""The last look at a tune's measures before they are frozen: what was forgotten, ties and slurs that lead nowhere, sections.

What is put right here is what its writer plainly meant, and all of it is told.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.meter import Meter, note_value
from underbow.tune.abc.builder import TuneBuilder
from underbow.tune.abc.header import FREE_METER
from underbow.tune.page.draft import Draft, Event
from underbow.tune.page.sections import name_sections, section_letter
from underbow.tune.page.told import Told

_MOST = Fraction(3, 5)  # the share of bars that makes a habit


def finish(builder: TuneBuilder) -> None:
    """Put right what was forgotten, and name the sections."""
    if builder.idle:
        letters = ", ".join(builder.idle)
        said = f"the letters {letters} stand" if len(builder.idle) > 1 else f"the letter {letters} stands"
        builder.told.pass_over(f"{said} for no notes; left out", min(builder.idle.values()))
    builder.is_free = builder.meter is None and all(draft.meter is FREE_METER for draft in builder.measures)
    if not builder.measures:
        return
    if not builder.written_unit:
        _find_unit(builder)
    if not builder.is_free or _find_meter(builder):
        builder.measures = _with_bar_lines(builder.measures, builder.told)
    _shorten_endings(builder.measures)
    _settle_ties(builder.measures, builder.told)
    _settle_slurs(builder.measures, builder.told)
    _letters_for_sections(builder.measures, builder.told)
    name_sections(builder.measures)


def _usual(measures: list[Draft]) -> tuple[Fraction, bool]:
    """The length that most measures have, and whether it is a habit."""
    counted = Counter(draft.length for draft in measures if draft.events)
    length, times = counted.most_common(1)[0] if counted else (Fraction(0), 0)
    return length, times >= 3 and times >= _MOST * sum(counted.values())


def _find_unit(builder: TuneBuilder) -> None:
    """Where no L: is written and the bars come out at half or twice the meter, it was meant otherwise than by default."""
    length, habit = _usual(builder.measures)
    bar = builder.measures[0].meter.bar
    if builder.is_free or not habit or bar not in (length * 2, length / 2):
        return
    factor = bar / length
    unit = builder.first_unit * factor
    builder.told.assume(
        f"no L: line; the bars fit M:{builder.measures[0].meter} with L:{note_value(unit)}, which was taken"
    )
    for draft in builder.measures:
        for event in draft.events:
            event.length *= factor


def _find_meter(builder: TuneBuilder) -> bool:
    """Count a tune without a meter by the length that most of its measures have; say whether its M: was just forgotten."""
    length, habit = _usual(builder.measures)
    threes = builder.texts.get("R", [""])[0].lower()
    meter = FREE_METER
    if habit:
        compound = length == 3 and ("jig" in threes or _grouped_in_threes(builder.measures))
        meters = {Fraction(2): "2/4", Fraction(3): "6/8" if compound else "3/4", Fraction(4): "4/4", Fraction(9, 2): "9/8",
                  Fraction(6): "12/8", Fraction(3, 2): "3/8", Fraction(5): "5/4", Fraction(7, 2): "7/8"}  # fmt: skip
        if length in meters:
            meter = Meter.parse(meters[length])
    if not builder.has_meter:
        lengths = [draft.length for draft in builder.measures if draft.events]
        odd = sum(length != meter.bar for length in lengths)
        fits = ", which most bars fit" if habit else f"; bars of another length: {odd} of {len(lengths)}" if odd else ""
        builder.told.assume(f"no M: line; counted as {meter}{fits}")
    for draft in builder.measures:
        if draft.meter is FREE_METER:
            draft.meter = meter
    return habit and not builder.has_meter


def _grouped_in_threes(measures: list[Draft]) -> bool:
    """Whether bars of six eighths tend to have a note begin on the fourth rather than on the third and the fifth."""
    threes = twos = 0
    for draft in measures:
        now = Fraction(0)
        starts = set()
        for event in draft.events:
            starts.add(now)
            now += event.length
        threes += Fraction(3, 2) in starts and not {Fraction(1), Fraction(2)} <= starts
        twos += {Fraction(1), Fraction(2)} <= starts and Fraction(3, 2) not in starts
    return threes > twos


def _with_bar_lines(measures: list[Draft], told: Told) -> list[Draft]:
    """Put in bar lines that were forgotten: where a measure is twice, three times ... its meter and can be cut there."""
    out: list[Draft] = []
    cut: list[Draft] = []
    alone = len(measures) == 1
    for draft in measures:
        bar, length = draft.meter.bar, draft.length
        pieces = _cut(draft, bar) if length > bar and (alone or length % bar == 0) else [draft]
        if len(pieces) > 1:
            cut.append(draft)
        out += pieces
    for draft in cut[:3]:
        times = draft.length / draft.meter.bar
        told.assume(f"a bar of {float(times):g} times its meter; the missing bar lines were added", draft.place)
    if len(cut) > 3:
        told.assume(f"{len(cut) - 3} more bars of several times their meter were divided the same way")
    return out


def _cut(draft: Draft, bar: Fraction) -> list[Draft]:
    """Cut a measure into bars where its notes allow it; all or nothing."""
    groups: list[list[Event]] = [[]]
    room = bar
    for event in draft.events:
        if room == 0:
            groups.append([])
            room = bar
        if event.length > room:
            return [draft]
        groups[-1].append(event)
        room -= event.length
    out: list[Draft] = []
    first = 0
    for n, events in enumerate(groups):
        last = n == len(groups) - 1
        chords = [(i - first, c) for i, c in draft.chords if first <= i < first + len(events) or (last and i >= first)]
        jumps = {name: i - first for name, i in draft.jumps.items() if first <= i < first + len(events) or last}
        piece = Draft(draft.key, draft.meter, events[0].source[0], events, chords, ending=draft.ending, jumps=jumps)
        if n == 0:
            piece.place, piece.tempo, piece.part = draft.place, draft.tempo, draft.part
            piece.repeat_start, piece.ending_start = draft.repeat_start, draft.ending_start
        if last:
            piece.repeat_end, piece.final, piece.new_line = draft.repeat_end, draft.final, draft.new_line
        out.append(piece)
        first += len(events)
    return out


def _shorten_endings(measures: list[Draft]) -> None:
    """Let a last ending that no double bar closes be as long as the first one, where a whole new section follows it.

    By the letter (section 4.10) it would last to the next double bar or repeat sign; ``|1 A:|2 B|`` and then eight bars is meant
    otherwise.
    """
    first = 0
    starts = [n for n, draft in enumerate(measures) if draft.ending_start]
    for n in starts:
        stop = n + 1
        while stop < len(measures) and measures[stop].ending and not measures[stop].ending_start:
            stop += 1
        follows = n > 0 and bool(measures[n - 1].ending)
        if follows and first and stop - n >= first + 4 and (stop == len(measures) or not measures[stop].ending_start):
            for draft in measures[n + first : stop]:
                draft.ending = ()
        if not follows:
            first = stop - n


def _settle_ties(measures: list[Draft], told: Told) -> None:
    """A tie to another pitch was meant as a slur; one to a rest leads nowhere."""
    before: Event | None = None
    for n, draft in enumerate(measures):
        for i, event in enumerate(draft.events):
            if before is not None and before.tied and before.pitches and not (i == 0 and _edge(measures, n)):
                same = {pitch.midi for pitch, _ in before.pitches} & {pitch.midi for pitch, _ in event.pitches}
                if not same:
                    before.tied = False
                    if event.pitches:
                        before.slur_starts += 1
                        event.slur_ends += 1
                        told.assume("a tie between different notes; read as a slur", before.source[0])
                    else:
                        told.assume("a tie into a rest; left out", before.source[0])
            before = event


def _edge(measures: list[Draft], n: int) -> bool:
    if n == 0:
        return True
    before, here = measures[n - 1], measures[n]
    return bool(before.repeat_end or before.final or here.repeat_start or here.ending_start or here.part)


def _settle_slurs(measures: list[Draft], told: Told) -> None:
    """Leave out slurs that have no end or no beginning."""
    _take_slurs_off_rests(measures)
    opened: list[Event] = []
    for draft in measures:
        for event in draft.events:
            opened += [event] * event.slur_starts
            for _ in range(event.slur_ends):
                if opened:
                    opened.pop()
                else:
                    event.slur_ends -= 1
                    told.assume("a slur ends where none began; left out", event.source[0])
    for event in opened:
        event.slur_starts -= 1
        told.assume("a slur that does not end; left out", event.source[0])


def _take_slurs_off_rests(measures: list[Draft]) -> None:
    """Let a slur that begins or ends on a rest, which can't carry it, begin on the note after it, end on the one before."""
    before: Event | None = None
    begun = 0
    for event in (event for draft in measures for event in draft.events):
        if event.pitches:
            event.slur_starts += begun
            before, begun = event, 0
        elif event.slur_starts or event.slur_ends:
            of_rests = min(begun, event.slur_ends)
            if before is not None:
                before.slur_ends += event.slur_ends - of_rests
            begun += event.slur_starts - of_rests
            event.slur_starts = event.slur_ends = 0


def _letters_for_sections(measures: list[Draft], told: Told) -> None:
    """Take "A", "B", "C" at the beginnings of sections for names, not for chords: each once, in order, and no other symbol."""
    found = [(n, place, chord) for n, draft in enumerate(measures) for place, chord in draft.chords]
    if len(found) < 2 or any(chord is None for *_, chord in found):
        return
    names = [str(chord) for *_, chord in found]
    if names != [section_letter(i) for i in range(len(names))] or names[-1] > "G":
        return
    if all(place == 0 and (n == 0 or _edge(measures, n)) for n, place, _ in found):
        told.assume(
            f'"{names[0]}" to "{names[-1]}" stand once each at the beginning of a section; read as its name, not a chord'
        )
        for n, _, chord in found:
            measures[n].chords.clear()
            measures[n].part = str(chord if isinstance(chord, Chord) else "")
