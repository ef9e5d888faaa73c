"""A performance as a Standard MIDI File (MIDI 1.0, RP-001): format 1, 480 ticks a quarter.

Notes, programs and volumes go through pretty_midi. The first track is written here, since pretty_midi rounds tempos down and
has no markers: exact tempos, time and key signatures, a marker for each pass and section, chord names as text. The notes
lie on the grid as they are meant, swing included; the human feel is left to the audio, so that notation programs read it well.

A tempo event holds whole microseconds a quarter, so a pass's tempo is right within half a microsecond. A glide is written in
pieces of up to a quarter note, each as long as the tempo map says; inside one a note is off by at most :data:`DRIFT_SECONDS`.
"""

from __future__ import annotations

import io
import math
import sys
from collections import defaultdict
from collections.abc import Iterator
from contextlib import redirect_stdout
from fractions import Fraction
from itertools import pairwise
from types import ModuleType
from typing import Any

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import PitchClass
from underbow.track.mixes import Mix
from underbow.track.performance import Part, Performance, PlayedBar
from underbow.track.ramp import Segment

TICKS = 480  # a quarter
DRIFT_SECONDS = 0.0005
_SECONDS_A_TICK = 0.5 / TICKS  # pretty_midi is told 120 quarters a minute, so that its seconds are our ticks
VOLUME = 7  # the controller


def to_midi(performance: Performance, mix: Mix | None = None) -> bytes:
    """Write a performance, or one mix of it.

    Parameters
    ----------
    performance : Performance
    mix : Mix or None
        Its levels become each part's volume (controller 7) at every pass where they change; a part that is off has volume 0.

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
    header, _, *tracks = _chunks(written.getvalue())
    return b"".join([header, _conductor(mido, performance), *tracks])


def _chunks(data: bytes) -> list[bytes]:
    """Part a file into its header and tracks."""
    out, at = [], 0
    while at < len(data):
        end = at + 8 + int.from_bytes(data[at + 4 : at + 8], "big")
        out.append(data[at:end])
        at = end
    return out


def velocity(level: float) -> int:
    """Give the velocity, 1 to 127, that SoundFont 2.04's default curve turns into a level in dB: 40 log10(127 / velocity) down.

    >>> [velocity(level) for level in (0.0, -2.0, -12.0, -100.0)]
    [127, 113, 64, 1]
    """
    return min(max(math.floor(127.0 * math.pow(10.0, level / 40.0) + 0.5), 1), 127)


def tempo_events(segments: tuple[Segment, ...]) -> Iterator[tuple[int, int]]:
    """Give the tempo events of a map: tick, and whole microseconds a quarter."""
    over = Fraction(0)  # seconds that what is written lies behind the map, within a glide
    for segment in segments:
        if segment.steady:
            yield _tick(segment.start), round(60_000_000 / segment.begin)
            continue
        for start, end in pairwise(_pieces(segment)):
            seconds = segment.glided(float(end)) - segment.glided(float(start))
            micros = round((Fraction(seconds) + over) * 1_000_000 / (end - start))
            over += Fraction(seconds) - Fraction(micros, 1_000_000) * (end - start)
            yield _tick(segment.start + start), micros


def _pieces(segment: Segment) -> list[Fraction]:
    """Cut a glide: a straight piece of length h is off by at most h^2 / 8 times the greatest bend of the time curve."""
    bend = 60 * float(abs(segment.end - segment.begin) / segment.length) / float(min(segment.begin, segment.end)) ** 2
    piece = Fraction(1)
    while float(piece) ** 2 / 8 * bend > DRIFT_SECONDS / 2:
        piece /= 2
    count = math.ceil(segment.length / piece)
    return [piece * i for i in range(count)] + [segment.length]


def _tick(quarters: Fraction) -> int:
    numerator, denominator = quarters.numerator, quarters.denominator  # rounded half up, in whole numbers for speed
    return (2 * TICKS * numerator + denominator) // (2 * denominator)


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
        for one in performance.passes:
            level = mix.level(part.name, one.number)
            volume = 0 if level is None else velocity(level - loudest)
            if volume != last:
                tick = _tick(one.start) if one.number > 1 else 0
                instrument.control_changes.append(pretty_midi.ControlChange(VOLUME, volume, tick * _SECONDS_A_TICK))
            last = volume
    return instrument


def _notes(part: Part) -> list[tuple[int, int, int, int]]:
    """Start, end (ticks), pitch and velocity of a part's notes; equal pitches never overlap."""
    by_pitch: dict[int, dict[int, tuple[int, int]]] = defaultdict(dict)
    for gesture in part.gestures:
        for note in gesture.notes:
            start = max(_tick(note.start), 0)
            end = max(_tick(note.end), start + 1)
            before = by_pitch[note.midi].get(start, (0, 0))
            by_pitch[note.midi][start] = (max(end, before[0]), max(velocity(note.level), before[1]))
    out = []
    for pitch, notes in by_pitch.items():
        starts = sorted(notes)
        for start, following in zip(starts, [*starts[1:], None], strict=True):
            end, loudness = notes[start]
            out.append((start, end if following is None else min(end, following), pitch, loudness))
    return sorted(out)


def _conductor(mido: ModuleType, performance: Performance) -> bytes:
    """Make the first track's chunk: everything that says where one is."""
    events: list[tuple[int, int, Any]] = []  # tick, order among its fellows, message

    def add(tick: int, order: int, kind: str, **values: Any) -> None:
        events.append((tick, order, mido.MetaMessage(kind, **values)))

    add(0, 0, "track_name", name=_plain(performance.title))
    for tick, meter in _meters(performance):
        add(
            tick, 1, "time_signature",
            numerator=sum(meter.groups),
            denominator=meter.unit,
            clocks_per_click=max(1, min(int(meter.beat * 24), 255)),
            notated_32nd_notes_per_beat=8,
        )  # fmt: skip
    add(0, 2, "key_signature", key=_key_name(performance.key))
    for tick, micros in tempo_events(performance.tempo.segments):
        add(tick, 3, "set_tempo", tempo=micros)
    for tick, text in _markers(performance):
        add(tick, 4, "marker", text=text)
    for index, span in enumerate(performance.chords):
        if index == 0 and span.chord is None:
            continue  # before the first chord there is nothing to say
        add(_tick(span.start), 6, "text", text="N.C." if span.chord is None else str(span.chord))
    track = mido.MidiTrack()
    at = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - at))
        at = tick
    track.append(mido.MetaMessage("end_of_track", time=max(_tick(performance.length) - at, 0)))
    written = io.BytesIO()
    mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8", tracks=[track]).save(file=written)
    return _chunks(written.getvalue())[1]


def _markers(performance: Performance) -> Iterator[tuple[int, str]]:
    """Say where tuning notes, count-in, passes and sections begin."""
    for name, text in (("tuning", "tuning notes"), ("click", "count-in")):
        start = next(
            (part.gestures[0].start for part in performance.parts if part.name == name and part.gestures), None
        )
        if start is not None and start < performance.passes[0].start:
            yield _tick(start), text
    for one in performance.passes:
        yield _tick(one.start), f"pass {one.number}, {one.tempo}"
    before = ("", 0)
    for bar in performance.bars:
        if bar.number > 0 and (bar.section, bar.pass_number) != before:
            before = (bar.section, bar.pass_number)
            if bar.section:
                yield _tick(bar.start), _plain(f"section {bar.section}")


def _meters(performance: Performance) -> list[tuple[int, Meter]]:
    """Where the time signature changes: an irregular bar has one of its own where a signature can say it."""
    out = [(0, performance.meter)]
    for bars in _counted(performance.bars):
        length = sum((bar.length for bar in bars), Fraction(0))
        written = bars[0].meter or performance.meter
        meter = written if length == written.bar else _meter_of(length)
        if meter is not None and bars[0].number > 0 and meter != out[-1][1]:
            out.append((_tick(bars[0].start), meter))
    return out


def _counted(bars: tuple[PlayedBar, ...]) -> list[list[PlayedBar]]:
    """Put a pickup to the bar before it, which it completes."""
    out: list[list[PlayedBar]] = []
    for bar in bars:
        if bar.number == 0 and out:
            out[-1].append(bar)
        else:
            out.append([bar])
    return out


def _meter_of(length: Fraction) -> Meter | None:
    for unit in (4, 8, 16, 32):
        count = length * unit / 4
        if count.denominator == 1 and 1 <= count <= 64:
            return Meter((int(count),), unit)
    return None


def _key_name(key: Key) -> str:
    """Name a signature as MIDI can: no modes, so that all but the minor are told by the major key of the same signature.

    >>> _key_name(Key.parse("Amix")), _key_name(Key.parse("Edor")), _key_name(Key.parse("F#m"))
    ('D', 'D', 'F#m')
    """
    if key.mode == "minor":
        return f"{PitchClass.at_fifths(key.signature + 3)}m"
    return str(PitchClass.at_fifths(key.signature))


def _plain(text: str) -> str:
    """Leave control characters out of a text event."""
    return "".join(sign for sign in text if sign.isprintable())
