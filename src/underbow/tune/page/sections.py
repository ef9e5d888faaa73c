"""Which section each measure belongs to, by part labels, repeat signs and double bars."""

from __future__ import annotations

from underbow.tune.page.draft import Draft


def name_sections(measures: list[Draft]) -> None:
    """Give every measure its section's letter.

    Where the tune marks its parts (P:), these are the names; a word gets a letter. Else a section begins at a ``|:``, after
    the end of a repeat with its endings, and after a double bar; what is shorter than a bar is the next one's pickup, and a
    section that has the same notes as an earlier one has the same letter.
    """
    if any(measure.part for measure in measures):
        letters_of = _letters_of_parts([measure.part for measure in measures if measure.part])
        name = next(iter(letters_of.values()))
        for measure in measures:
            name = letters_of.get(measure.part, name)
            measure.section = name
        return
    sections: list[list[Draft]] = []
    fresh = True
    for i, measure in enumerate(measures):
        if i:
            before = measures[i - 1]
            closed = bool(before.repeat_end or before.final)
            over = bool(before.ending) and not measure.ending
            fresh = ((closed or over) and not measure.ending_start) or bool(measure.repeat_start)
        if fresh and not (sections and _pickup(sections[-1])):
            sections.append([])
        sections[-1].append(measure)
    if len(sections) > 1 and _pickup(sections[-1]):
        last = sections.pop()
        sections[-1] += last
    letters: dict[tuple[object, ...], str] = {}
    for section in sections:
        content = tuple(
            (event.length, tuple(pitch.midi for pitch, _ in event.pitches))
            for draft in section
            for event in draft.events
        )
        letter = letters.setdefault(content, section_letter(len(letters)))
        for draft in section:
            draft.section = letter


def _letters_of_parts(labels: list[str]) -> dict[str, str]:
    """A letter for every part label: its own where it is one, else the next that no other part has."""
    taken = {label for label in labels if len(label) == 1}
    free = (letter for letter in map(section_letter, range(len(labels) + len(taken))) if letter not in taken)
    return {label: label if len(label) == 1 else next(free) for label in dict.fromkeys(labels)}


def _pickup(section: list[Draft]) -> bool:
    room = section[0].meter.bar
    for draft in section:
        for event in draft.events:
            room -= event.length
            if room <= 0:
                return False
    return True


def section_letter(index: int) -> str:
    """A, B, ... Z, A1, B1, ..."""
    return chr(ord("A") + index % 26) + (str(index // 26) if index >= 26 else "")
