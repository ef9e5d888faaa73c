"""A melody over a round of chords, worth backing up.

What is composed has phrases that come back (A A' B A'), the rhythm and the moves of the dance it is for, chord notes on the
strong beats with passing and neighbour notes between them, endings on the chord and at last on the tonic, and lies where a
fiddle plays it. It is drawn by chance, from figures counted over real tunes, by Python's own Mersenne Twister
(``random.Random.random``, which Python keeps the same from version to version): the same seed gives the same tune.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from random import Random

from underbow.errors import Fault, InputError, near_miss
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import Pitch
from underbow.theory.progression import Changes, ChordSpan, Progression, divided
from underbow.tune.melody.figures import DANCES, dance_of, figures_of
from underbow.tune.melody.line import Range, Slot, line
from underbow.tune.melody.plan import BarPlan, plan
from underbow.tune.melody.rhythm import Rhythm, cells, rhythms
from underbow.tune.tune import Measure, Note, Tune

__all__ = ["DANCES", "HIGHEST", "LOWEST", "MOST_BARS", "compose"]

MOST_BARS = 10_000
LOWEST, HIGHEST = Pitch("G", 0, 3), Pitch("B", 0, 5)  # the fiddle's first position
_LEAST_RANGE = 12  # semitones: less, and a tune can't turn round


def compose(
    progression: Progression,
    meter: Meter,
    key: Key,
    *,
    seed: int,
    dance: str | None = None,
    bars: int | None = None,
    lowest: Pitch = LOWEST,
    highest: Pitch = HIGHEST,
    tuning: Tuning | None = None,
    title: str | None = None,
) -> Tune:
    """Compose a melody over a progression.

    Parameters
    ----------
    progression : Progression
        Its sections are the tune's; a bar without a chord is composed over the tonic's.
    meter : Meter
    key : Key
    seed : int
        Another number, another tune.
    dance : str or None
        One of reel, jig, slip jig, waltz, polka, hornpipe, march, air; by default what the meter is danced to.
    bars : int or None
        Length of the tune; the progression goes round until it is reached. By default its own.
    lowest, highest : Pitch
        An octave apart at least.
    tuning : Tuning or None
        Whose string crossings to spare; standard tuning by default.
    title : str or None

    Returns
    -------
    Tune
        Without pickup and repeats, its chords written in.

    Raises
    ------
    InputError
        Where the range is under an octave, the dance isn't known or isn't danced in the meter, or there are no bars or too many.

    >>> tune = compose(Progression.parse("G | C | D | G"), Meter.parse("4/4"), Key.parse("G"), seed=1)
    >>> tune.rhythm, len(tune.measures), str(tune.measures[-1].notes[-1].pitch)[0]
    ('reel', 4, 'G')
    """
    strings = tuple(string.midi for string in (tuning or Tuning.parse("GDAE")).strings)
    chosen = _checked(progression, meter, dance, bars, (lowest, highest))
    sections = _sections(progression, bars)
    rng = Random(seed)  # noqa: S311  music, not secrets
    plans = plan([len(section.bars) for section in sections], rng)
    figures = figures_of(chosen, compound=meter.compound).of_a_tune(rng)
    chords = [bar for section in sections for bar in section.bars]
    written = [
        _parted(rhythm, divided(bar, meter)[-1][0]) if planned.ending else rhythm
        for rhythm, bar, planned in zip(rhythms(plans, meter, figures, rng), chords, plans, strict=True)
    ]
    slots = _slots(plans, written, chords, (meter, figures.cells), key)
    where = Range.between(lowest.midi, highest.midi, strings)
    pitches = line(slots, key, where, figures, rng)
    measures = _measures(written, pitches, [section for section in sections if section.bars], meter, key)
    return Tune(
        title=title if title is not None else f"{chosen.capitalize()} in {key}, {seed}",
        key=key,
        meter=meter,
        measures=measures,
        order=tuple(range(len(measures))),
        rhythm=chosen,
    )


def _checked(
    progression: Progression, meter: Meter, dance: str | None, bars: int | None, limits: tuple[Pitch, Pitch]
) -> str:
    """Tell all that is wrong in one go; give the dance."""
    lowest, highest = limits
    faults = []
    chosen = dance_of(meter) if dance is None else dance.strip().lower()
    plain = f"{sum(meter.groups)}/{meter.unit}"
    if chosen not in DANCES:
        faults.append(Fault(f"no such dance: {dance!r}{near_miss(chosen, DANCES)}; write one of {', '.join(DANCES)}"))
    elif DANCES[chosen] and plain not in DANCES[chosen]:
        faults.append(Fault(f"a {chosen} is not in {meter}; its meters are {', '.join(DANCES[chosen])}"))
    if not progression.bars:
        faults.append(Fault('there are no chords to compose over; write bars such as "G | G | C | D"'))
    if (bars is not None and not 1 <= bars <= MOST_BARS) or len(progression.bars) > MOST_BARS:
        faults.append(
            Fault(f"a tune can have 1 to {MOST_BARS} bars, not {len(progression.bars) if bars is None else bars}")
        )
    if highest.midi - lowest.midi < _LEAST_RANGE or not 24 <= lowest.midi <= highest.midi <= 108:
        faults.append(
            Fault(f"from {lowest} to {highest} there is no room for a tune; give it an octave, from C1 to C8")
        )
    if faults:
        raise InputError(*faults)
    return chosen


def _sections(progression: Progression, bars: int | None) -> list[Changes]:
    """Take the progression's sections, round and round until there are enough bars."""
    if bars is None:
        return [section for section in progression.sections if section.bars]
    out: list[Changes] = []
    while bars > 0:
        for section in progression.sections:
            part = section.bars[:bars]
            if part:
                out.append(replace(section, bars=part))
            bars -= len(part)
    if len({section.name for section in out}) == 1:
        return [Changes(out[0].name, tuple(bar for section in out for bar in section.bars))]
    return out


def _slots(
    plans: list[BarPlan],
    written: list[Rhythm],
    chords: list[tuple[Chord | None, ...]],
    measured: tuple[Meter, int],
    key: Key,
) -> list[Slot]:
    """Say of every note where it stands, over which chord, and what it takes after; the meter with its least number of cells."""
    meter, least = measured
    home = Chord(key.tonic, "m" if key.is_minor else "")
    beats = {start for start, _ in cells(meter, least)}
    strong = {Fraction(0), *meter.beats} if meter.compound or len(meter.groups) > 1 else {Fraction(0), _middle(meter)}
    out: list[Slot] = []
    firsts: list[int] = []
    for number, (bar, rhythm) in enumerate(zip(plans, written, strict=True)):
        firsts.append(len(out))
        spans = divided(chords[number], meter)
        for i, (start, length) in enumerate(rhythm):
            chord = next((c for begin, _, c in reversed(spans) if begin <= start), None) or home
            last = i == len(rhythm) - 1
            ending = bar.ending if last else ""
            if ending and number == len(plans) - 1:
                ending = "end"
            like = None
            if bar.like is not None and rhythm == written[bar.like] and not ending:
                like = firsts[bar.like] + i
            strength = 3 if start == 0 else 2 if start in strong else int(start in beats)
            out.append(Slot(meter.bar * number + start, length, chord, strength, ending, like, bar.high))
    return out


def _parted(rhythm: Rhythm, place: Fraction) -> Rhythm:
    """Part the note that is held over a place, so that a phrase's last note belongs to its last chord."""
    out: list[tuple[Fraction, Fraction]] = []
    for start, length in rhythm:
        parts = (
            [(start, place - start), (place, start + length - place)]
            if start < place < start + length
            else [(start, length)]
        )
        out += parts
    return tuple(out)


def _middle(meter: Meter) -> Fraction:
    """Give the second strong beat of a simple meter; where its beats are odd in number there is only the first."""
    return meter.bar / 2 if sum(meter.groups) % 2 == 0 else Fraction(0)


def _measures(
    written: list[Rhythm],
    pitches: list[Pitch],
    sections: list[Changes],
    meter: Meter,
    key: Key,
) -> tuple[Measure, ...]:
    chords = [bar for section in sections for bar in section.bars]
    names = [section.name or "A" for section in sections for _ in section.bars]
    out = []
    line_of = iter(pitches)
    for number, rhythm in enumerate(written):
        notes = tuple(Note(start, length, next(line_of)) for start, length in rhythm)
        last = number == len(written) - 1
        ends = last or names[number + 1] != names[number]
        out.append(
            Measure(
                length=meter.bar,
                notes=notes,
                chords=tuple(
                    ChordSpan(Fraction(at), length, chord) for at, length, chord in divided(chords[number], meter)
                ),
                key=key,
                meter=meter,
                section=names[number],
                final="|]" if last else "||" if ends else "",
                new_line=ends or number % 4 == 3,
            )
        )
    return tuple(out)
