"""The first track of a MIDI file: everything that says where one is.

A tempo event holds whole microseconds a quarter, so a pass's tempo is right within half a microsecond. A glide is written in
pieces of up to a quarter note, each as long as the tempo map says; inside one a note is off by at most :data:`DRIFT_SECONDS`.
"""

from __future__ import annotations

import io
import math
import struct
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from types import ModuleType
from typing import Any

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import PitchClass
from underbow.track.performance import Performance, PlayedBar
from underbow.track.ramp import Segment

TICKS = 480  # a quarter
DRIFT_SECONDS = 0.0005


def tick_of(quarters: Fraction) -> int:
    """Give the tick nearest to a position in quarters."""
    numerator, denominator = quarters.numerator, quarters.denominator  # rounded half up, in whole numbers for speed
    return (2 * TICKS * numerator + denominator) // (2 * denominator)


def chunks(data: bytes) -> list[bytes]:
    """Part a file into its header and tracks."""
    out, at = [], 0
    while at < len(data):
        end = at + 8 + int.from_bytes(data[at + 4 : at + 8], "big")
        out.append(data[at:end])
        at = end
    return out


def header(tracks: int) -> bytes:
    """Give the header chunk of a file of format 1.

    >>> header(5).hex(" ")
    '4d 54 68 64 00 00 00 06 00 01 00 05 01 e0'
    """
    return b"MThd" + struct.pack(">IHHH", 6, 1, tracks, TICKS)


def conductor(mido: ModuleType, performance: Performance) -> bytes:
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
        add(tick_of(span.start), 6, "text", text="N.C." if span.chord is None else str(span.chord))
    track = mido.MidiTrack()
    at = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - at))
        at = tick
    track.append(mido.MetaMessage("end_of_track", time=max(tick_of(performance.length) - at, 0)))
    written = io.BytesIO()
    mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8", tracks=[track]).save(file=written)
    return chunks(written.getvalue())[1]


def _markers(performance: Performance) -> Iterator[tuple[int, str]]:
    """Say where tuning notes, count-in, passes and sections begin."""
    for name, text in (("tuning", "tuning notes"), ("click", "count-in")):
        start = next(
            (part.gestures[0].start for part in performance.parts if part.name == name and part.gestures), None
        )
        if start is not None and start < performance.passes[0].start:
            yield tick_of(start), text
    for one in performance.passes:
        yield tick_of(one.start), f"pass {one.number}, {one.tempo}"
    before = ("", 0)
    for bar in performance.bars:
        if bar.number > 0 and (bar.section, bar.pass_number) != before:
            before = (bar.section, bar.pass_number)
            if bar.section:
                yield tick_of(bar.start), _plain(f"section {bar.section}")


def _meters(performance: Performance) -> list[tuple[int, Meter]]:
    """Where the time signature changes: an irregular bar has one of its own where a signature can say it."""
    out = [(0, performance.meter)]
    for bars in _counted(performance.bars):
        length = sum((bar.length for bar in bars), Fraction(0))
        written = bars[0].meter or performance.meter
        meter = written if length == written.bar else _meter_of(length)
        if meter is not None and bars[0].number > 0 and meter != out[-1][1]:
            out.append((tick_of(bars[0].start), meter))
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


def tempo_events(segments: tuple[Segment, ...]) -> Iterator[tuple[int, int]]:
    """Give the tempo events of a map: tick, and whole microseconds a quarter."""
    over = Fraction(0)  # seconds that what is written lies behind the map, within a glide
    for segment in segments:
        if segment.steady:
            yield tick_of(segment.start), round(60_000_000 / segment.begin)
            continue
        for start, end in pairwise(_pieces(segment)):
            seconds = segment.glided(float(end)) - segment.glided(float(start))
            micros = round((Fraction(seconds) + over) * 1_000_000 / (end - start))
            over += Fraction(seconds) - Fraction(micros, 1_000_000) * (end - start)
            yield tick_of(segment.start + start), micros


def _pieces(segment: Segment) -> list[Fraction]:
    """Cut a glide: a straight piece of length h is off by at most h^2 / 8 times the greatest bend of the time curve."""
    bend = 60 * float(abs(segment.end - segment.begin) / segment.length) / float(min(segment.begin, segment.end)) ** 2
    piece = Fraction(1)
    while float(piece) ** 2 / 8 * bend > DRIFT_SECONDS / 2:
        piece /= 2
    count = math.ceil(segment.length / piece)
    return [piece * i for i in range(count)] + [segment.length]
