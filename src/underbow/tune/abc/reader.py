"""The reader of ABC tunes, to the standard 2.1 (December 2011), strict and loose.

It reads single tunes and the first voice of others. What bears on sound is read; what it can't make sense of is told, with
its place, and what was assumed instead; nothing is guessed silently. Chords of notes give their top note to the melody. The
parts of the work lie in ``text`` (lines), ``lexer`` (signs), ``fields``, ``notes``, ``builder``
(measures), ``page.repeats`` (the order played) and ``finish`` (sections, bars that don't fit).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

from underbow.errors import Fault, InputError
from underbow.theory.meter import note_value
from underbow.tune.abc.builder import MOST_WRITTEN, TooLongError, TuneBuilder
from underbow.tune.abc.fields import plain_text
from underbow.tune.abc.finish import finish
from underbow.tune.abc.header import FREE_METER
from underbow.tune.abc.headings import first_field, number_of
from underbow.tune.abc.notes import Accidentals
from underbow.tune.abc.text import TuneText, tunes_of
from underbow.tune.abc.words import header_text, joined_text
from underbow.tune.bars import find_uneven, printed_numbers
from underbow.tune.keydoubt import doubted
from underbow.tune.page.repeats import MOST_PLAYED, TooManyMeasuresError, order_of
from underbow.tune.page.told import LineIndex, Told
from underbow.tune.tune import Tune

MOST_SOUNDED = 100_000  # notes of a tune with its repeats written out


def read_abc(
    text: str, *, file: str = "", accidentals: Accidentals = "pitch", jumps: bool = True, strict: bool = False
) -> tuple[Tune, ...]:
    r"""Read every tune of an ABC text.

    Parameters
    ----------
    text : str
    file : str
        Its name, for what is told.
    accidentals : {"pitch", "octave", "not"}
        How far an accidental reaches: to the end of the bar in all octaves (the standard's default, section 11.3), in its own
        octave (as in print), or its note alone. A ``%%propagate-accidentals`` line in the text comes first.
    jumps : bool
        Whether D.C. and D.S. are obeyed, as marks (section 4.14) or as quoted words. Fine is the word, the mark, or a
        fermata over a bar line, as old collections have it.
    strict : bool
        Whether what would be assumed is an error instead.

    Returns
    -------
    tuple of Tune
        One for each ``X:``; a text without any is one tune. A tune beyond the limits (``MOST_WRITTEN`` notes written,
        ``MOST_PLAYED`` measures or ``MOST_SOUNDED`` notes played) has no measures and says so in ``told``.

    Raises
    ------
    InputError
        If ``strict``, with everything that was told.

    >>> from underbow.tune.written_out import write_out
    >>> tune, = read_abc("X:1\nT:Two bars\nM:2/4\nL:1/8\nK:D\n|:dA FA|1 d2 d2:|2 d4|]")
    >>> tune.order, [note.midi for note in write_out(tune).notes]
    ((0, 1, 0, 2), [74, 69, 66, 69, 74, 74, 74, 69, 66, 69, 74])
    """
    lines = LineIndex(text)
    tunes = tuple(_read(tune, Told(lines, file), accidentals, jumps=jumps) for tune in tunes_of(text))
    if strict and (remarks := [fault for tune in tunes for fault in tune.told]):
        raise InputError(*remarks)
    return tunes


def read_one(text: str, index: int, *, file: str = "") -> Tune:
    r"""Read one tune of an ABC text, counted from 0 as :func:`~underbow.tune.abc.headings.headings` has them.

    >>> read_one("X:3\nT:One\nK:D\nd4|\n\nX:4\nT:Two\nK:G\ng4|", 1).title
    'Two'
    """
    tune = next(islice(tunes_of(text), index, None))
    return _read(tune, Told(LineIndex(text), file), "pitch", jumps=True)


def _read(text: TuneText, told: Told, accidentals: Accidentals, *, jumps: bool) -> Tune:
    builder = TuneBuilder(told, accidentals)
    number = first_field(text, "X")
    told.where = f"tune {plain_text(number)[:40]}" if number else plain_text(first_field(text, "T"))[:40]
    order: list[int] = []
    try:
        builder.read(text)
        finish(builder)
        order = order_of(builder.measures, builder.parts, told.assume, jumps=jumps)
        if sum(len(builder.measures[i].events) for i in order) > MOST_SOUNDED:
            return _refused(
                builder, f"more than {MOST_SOUNDED} notes when its repeats are written out; write fewer repeats"
            )
        tune = _tune(builder, order)
        _tell_bars(tune, builder)
        _tell_key(tune, builder)
    except TooLongError:
        return _refused(builder, f"more than {MOST_WRITTEN} notes in one tune; divide it into several")
    except TooManyMeasuresError:
        return _refused(builder, f"more than {MOST_PLAYED} bars when its repeats are written out; write fewer repeats")
    return replace(tune, told=tuple(told.assumed), passed_over=tuple(told.passed_over))


def _tell_bars(tune: Tune, builder: TuneBuilder) -> None:
    """Tell the bars that are short or long, each with its number."""
    odd = [] if tune.free or not tune.order else find_uneven(tune)
    numbers = printed_numbers(tune) if odd else ()
    for bar in odd:
        meter = tune.measures[bar.index].meter
        number = numbers[bar.index]
        if bar.done in ("over", "out"):
            done = "is played over its end" if bar.done == "over" else "is left out there"
            what = f"bar {number} is full although a pickup comes back after it; the pickup {done}"
        else:
            size = "short" if bar.length < meter.bar else "long"
            what = f"bar {number} is too {size}: it holds {note_value(bar.length)}, the meter is {meter}"
            what += "; a rest fills it" if bar.done else ""
        builder.told.assume(what, builder.measures[bar.index].place)


def _tell_key(tune: Tune, builder: TuneBuilder) -> None:
    """Tell of a K: line that the notes contradict; they are read as it says all the same."""
    doubt = doubted(tune) if builder.key_line >= 0 else None
    if doubt is None:
        return
    if doubt.misread:
        what = f"the notes make no sense in K:{tune.key}; K:{doubt.key} was probably meant"
    else:
        what = f"the notes are in {doubt.key}, not in {tune.key}; write K:{doubt.key}"
    builder.told.assume(f"{what}, and chords are looked for in that key", builder.key_line)


def _refused(builder: TuneBuilder, why: str) -> Tune:
    builder.measures.clear()
    builder.told.assumed = [Fault(why, builder.told.file, where=builder.told.where)]
    return _tune(builder, [])


def _tune(builder: TuneBuilder, order: list[int]) -> Tune:
    lines = builder.told.lines
    measures = tuple(draft.frozen(lines.at(draft.place)) for draft in builder.measures)
    texts = builder.texts
    number = header_text(texts, "X")
    return Tune(
        title=header_text(texts, "T"),
        key=measures[0].key if measures else builder.key,
        meter=measures[0].meter if measures else builder.meter or FREE_METER,
        measures=measures,
        order=tuple(order),
        tempo=builder.tempo,
        rhythm=header_text(texts, "R").lower(),
        composer=joined_text(texts.get("C", ())),
        source=header_text(texts, "S"),
        number=number_of(number),
        free=builder.is_free,
        told=tuple(builder.told.assumed),
        passed_over=tuple(builder.told.passed_over),
        meter_assumed=builder.is_free and not builder.has_meter and bool(measures),
    )
