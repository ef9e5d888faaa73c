"""The last look at a tune's measures before they are frozen: sections by letter, bars that don't fit their meter."""

from __future__ import annotations

from fractions import Fraction

from underbow.tune.abc_builder import TuneBuilder
from underbow.tune.abc_draft import Draft


def finish(builder: TuneBuilder) -> None:
    """Name the sections."""
    name_sections(builder.measures)


def name_sections(measures: list[Draft]) -> None:
    """Give every measure its section's letter.

    Where the tune marks its parts (P:), these are the names. Else a section begins at a ``|:``, after the end of a repeat with
    its endings, and after a double bar; what is shorter than a bar is the next one's pickup, and a section that has the same
    notes as an earlier one has the same letter.
    """
    if any(measure.part for measure in measures):
        name = next((measure.part for measure in measures if measure.part), "")
        for measure in measures:
            name = measure.part or name
            measure.section = name
        return
    sections: list[list[Draft]] = []
    fresh = True
    for i, measure in enumerate(measures):
        if i:
            before = measures[i - 1]
            closed = bool(before.repeat_end or before.final)
            fresh = (closed and not measure.ending_start) or bool(measure.repeat_start)
        if fresh and not (sections and _pickup(sections[-1])):
            sections.append([])
        sections[-1].append(measure)
    if len(sections) > 1 and _pickup(sections[-1]):
        sections[-2] += sections.pop()
    letters: dict[tuple[object, ...], str] = {}
    for section in sections:
        content = tuple(
            (event.length, tuple(pitch for pitch, _ in event.pitches)) for draft in section for event in draft.events
        )
        letter = letters.setdefault(content, _letter(len(letters)))
        for draft in section:
            draft.section = letter


def _pickup(section: list[Draft]) -> bool:
    return sum((draft.length for draft in section), Fraction(0)) < section[0].meter.bar


def _letter(index: int) -> str:
    """A, B, ... Z, A1, B1, ..."""
    return chr(ord("A") + index % 26) + (str(index // 26) if index >= 26 else "")
