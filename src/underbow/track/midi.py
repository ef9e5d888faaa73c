"""A performance as a Standard MIDI File (MIDI 1.0, RP-001): format 1, 480 ticks a quarter.

Notes, programs and volumes go through pretty_midi. The first track is written without it, since pretty_midi cuts tempos and
has no markers: exact tempos, time and key signatures, a marker for each pass and section, chord names as text. The notes
lie on the grid as they are meant, swing included; the human feel is left to the audio, so that notation programs read it well.
"""

from __future__ import annotations

import io
import math
import sys
from collections import defaultdict
from contextlib import redirect_stdout
from types import ModuleType
from typing import Any

from underbow.track.midi_conductor import TICKS, chunks, conductor, tick_of
from underbow.track.mixes import Mix
from underbow.track.performance import Part, Performance

_SECONDS_A_TICK = 0.5 / TICKS  # pretty_midi is told 120 quarters a minute, so that its seconds are our ticks
VOLUME = 7  # the controller


def to_midi(performance: Performance, mix: Mix | None = None) -> bytes:
    """Write a performance, or one mix of it.

    Parameters
    ----------
    performance : Performance
    mix : Mix or None
        Its levels become each part's volume (controller 7) at every pass where they change, for the melody with the pickup, for
        what accompanies at the first whole bar; a part that is off has volume 0.

    Returns
    -------
    bytes
        The file; the same performance and mix give the same bytes.
    """
    import mido  # noqa: PLC0415  needed for MIDI only

    pretty_midi = _pretty_midi()
    pretty = pretty_midi.PrettyMIDI(resolution=TICKS, initial_tempo=120.0, charset="utf-8")
    for part in performance.parts:
        pretty.instruments.append(_instrument(pretty_midi, part, performance, mix))
    written = io.BytesIO()
    pretty.write(written)
    header, _, *tracks = chunks(written.getvalue())
    return b"".join([header, conductor(mido, performance), *tracks])


def velocity(level: float) -> int:
    """Give the velocity, 1 to 127, that SoundFont 2.04's default curve turns into a level in dB: 40 log10(127 / velocity) down.

    >>> [velocity(level) for level in (0.0, -2.0, -12.0, -100.0)]
    [127, 113, 64, 1]
    """
    return min(max(math.floor(127.0 * math.pow(10.0, level / 40.0) + 0.5), 1), 127)


def _pretty_midi() -> ModuleType:
    """Import pretty_midi quietly, and also where a broken FluidSynth library would stop it."""
    with redirect_stdout(io.StringIO()):
        try:
            import pretty_midi  # noqa: PLC0415  slow to import, and it looks for FluidSynth
        except OSError:  # a library for another processor, say: pretty_midi only expects it to be missing
            kept = sys.modules.get("fluidsynth")
            sys.modules["fluidsynth"] = None  # type: ignore[assignment]
            try:
                import pretty_midi  # noqa: PLC0415
            finally:
                del sys.modules["fluidsynth"]
                if kept is not None:
                    sys.modules["fluidsynth"] = kept
    return pretty_midi  # type: ignore[no-any-return]


def _instrument(pretty_midi: ModuleType, part: Part, performance: Performance, mix: Mix | None) -> Any:
    drums = part.program < 0
    instrument = pretty_midi.Instrument(max(part.program, 0), is_drum=drums, name=part.name.capitalize())
    for start, end, pitch, loudness in _notes(part):
        instrument.notes.append(
            pretty_midi.Note(loudness, pitch, start * _SECONDS_A_TICK, end * _SECONDS_A_TICK)
        )  # fmt: skip
    if mix is not None:
        last = -1
        loudest = max([0.0, *(level for _, levels in mix.levels for level in levels if level is not None)])
        whole_bars = {bar.pass_number: bar.start for bar in reversed(performance.bars) if bar.number > 0}
        for one in performance.passes:
            begins = one.start if part.name == "melody" else whole_bars.get(one.number, one.start)
            level = mix.level(part.name, one.number)
            volume = 0 if level is None else velocity(level - loudest)
            if volume != last:
                tick = tick_of(begins) if one.number > 1 else 0
                instrument.control_changes.append(pretty_midi.ControlChange(VOLUME, volume, tick * _SECONDS_A_TICK))
            last = volume
    return instrument


def _notes(part: Part) -> list[tuple[int, int, int, int]]:
    """Start, end (ticks), pitch and velocity of a part's notes; equal pitches never overlap."""
    by_pitch: dict[int, dict[int, tuple[int, int]]] = defaultdict(dict)
    for gesture in part.gestures:
        for note in gesture.notes:
            start = max(tick_of(note.start), 0)
            end = max(tick_of(note.end), start + 1)
            before = by_pitch[note.midi].get(start, (0, 0))
            by_pitch[note.midi][start] = (max(end, before[0]), max(velocity(note.level), before[1]))
    out = []
    for pitch, notes in by_pitch.items():
        starts = sorted(notes)
        for start, following in zip(starts, [*starts[1:], None], strict=True):
            end, loudness = notes[start]
            out.append((start, end if following is None else min(end, following), pitch, loudness))
    return sorted(out)
