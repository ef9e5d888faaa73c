"""From a track sheet to a performance: every part's gestures in order, over one tempo map."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from underbow.errors import Fault, InputError
from underbow.theory.meter import Tempo
from underbow.track.gestures import Gestures
from underbow.track.parts.backup import backup_part
from underbow.track.parts.click import click_part
from underbow.track.parts.extra import drone_part, tuning_part
from underbow.track.parts.feel import humanise
from underbow.track.parts.melody import melody_part
from underbow.track.parts.rhythm import rhythm_part
from underbow.track.performance import Part, Pass, Performance
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Timeline, lay_out

MOST_GESTURES = 500_000  # in a track, all parts together
PLAYERS: dict[str, Callable[[Sheet, Timeline], Part]] = {
    "melody": melody_part,
    "backup": backup_part,
    "rhythm": rhythm_part,
    "click": click_part,
}
STRICT = {"click", "tuning", "drone"}  # parts without human feel


def perform(sheet: Sheet, *, until: Callable[[Timeline], Fraction] | None = None) -> Performance:
    r"""Play a sheet.

    Parameters
    ----------
    sheet : Sheet
    until : callable, optional
        Says where in the track (quarters) nobody needs to play on: what begins before is played as in the whole track.

    Returns
    -------
    Performance
        With the parts melody, backup, rhythm and click, and drone and tuning where the sheet asks for them. The same sheet gives
        the same performance.

    Raises
    ------
    InputError
        Where it would be more than :data:`MOST_GESTURES` gestures.

    Examples
    --------
    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]'
    >>> played = perform(build_sheet({"abc": abc, "pattern": "saw", "tempo": {"start": 60, "goal": 80, "passes": 3}}))
    >>> [(part.name, len(part.gestures)) for part in played.parts]
    [('melody', 15), ('backup', 41), ('rhythm', 21), ('click', 32)]
    >>> [f"{played.tempo.seconds(one.start):.1f}" for one in played.passes]
    ['8.0', '16.0', '22.9']
    """
    timeline = lay_out(sheet)
    if until is not None:
        timeline = replace(timeline, until=until(timeline))
    _within_limit(sheet, timeline)
    players = [
        *PLAYERS.values(),
        *([drone_part] if sheet.drone else []),
        *([tuning_part] if sheet.tuning_notes else []),
    ]
    parts = [_played(play, sheet, timeline) for play in players]
    return Performance(
        title=sheet.title,
        key=sheet.tune.key,
        meter=sheet.tune.meter,
        parts=tuple(parts),
        passes=_passes(sheet, timeline),
        timeline=timeline,
        tuning=sheet.tuning,
        concert_pitch=sheet.concert_pitch,
        room=sheet.room,
        seed=sheet.seed,
    )


def _played(play: Callable[[Sheet, Timeline], Part], sheet: Sheet, timeline: Timeline) -> Part:
    """Let one player play, and keep what he played in little room before the next one begins."""
    part = play(sheet, timeline)
    gestures = Gestures.of(part.gestures)
    if part.name not in STRICT:
        gestures = humanise(gestures, f"{sheet.seed} {part.name}", sheet.feel_ms, sheet.feel_db)
    return Part(part.name, part.program, gestures)


def _within_limit(sheet: Sheet, timeline: Timeline) -> None:
    """Refuse what would be too long before it is played: a few gestures a bar besides the melody's own."""
    passes = sheet.ramp.playings
    grid_cells = max(pattern.grid.cells for _, pattern in sheet.patterns)
    count = len(sheet.melody.notes) * passes + len(timeline.whole_bars) * (grid_cells + 24)
    if count > MOST_GESTURES:
        raise InputError(
            Fault(
                f"{passes} passes of {len(timeline.whole_bars) // passes} bars are about {count} strokes and notes; "
                f"the maximum is {MOST_GESTURES}: write fewer passes or bars",
                file=sheet.file,
            )
        )


def _passes(sheet: Sheet, timeline: Timeline) -> tuple[Pass, ...]:
    segments = {segment.start: segment for segment in timeline.tempo.segments}
    out = []
    for i, (start, length) in enumerate(zip(timeline.starts, timeline.lengths, strict=True)):
        number, again = divmod(i, sheet.ramp.each)
        rates = segments[start].begin, segments[start].end
        begin, end = (Tempo(rate / sheet.ramp.beat, sheet.ramp.beat) for rate in rates)
        out.append(Pass(number + 1, again + 1, i + 1, start, start + timeline.pickup, length, begin, end))
    return tuple(out)
