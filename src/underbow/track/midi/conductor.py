"""The first track of a MIDI file: everything that says where one is.

A tempo event holds whole microseconds a quarter, so a pass's tempo is right within half a microsecond. A glide is written in
pieces of up to a quarter note, each as long as the tempo map says; inside one a note is off by at most :data:`DRIFT_SECONDS`.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Iterator
from fractions import Fraction
from heapq import merge
from itertools import pairwise
from operator import itemgetter
from typing import Any, TypeAlias

from underbow.text import one_line
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import PitchClass
from underbow.track.performance import Performance
from underbow.track.ramp import Segment
from underbow.track.timeline import PlayedBar

TICKS = 480  # a quarter
DRIFT_SECONDS = 0.0005
END = bytes.fromhex("00 FF 2F 00")  # how a track ends that has nothing more to wait for
_TEXTS = {"name", "text"}  # what of an event's values is text

_Event: TypeAlias = tuple[int, int, str, dict[str, Any]]


def tick_of(quarters: Fraction) -> int:
    """Give the tick nearest to a position in quarters.

    >>> tick_of(Fraction(7, 2)), tick_of(Fraction(1, 960)), tick_of(Fraction(1, 961))
    (1680, 1, 0)
    """
    numerator, denominator = quarters.numerator, quarters.denominator  # rounded half up, in whole numbers for speed
    return (2 * TICKS * numerator + denominator) // (2 * denominator)


def chunk(events: bytes | bytearray) -> bytes:
    """Make a track's chunk of its events.

    >>> chunk(END).hex(" ")
    '4d 54 72 6b 00 00 00 04 00 ff 2f 00'
    """
    return b"MTrk" + len(events).to_bytes(4, "big") + bytes(events)


def variable(value: int) -> bytes:
    """Write a variable length quantity.

    >>> variable(0x3FFF).hex(" "), variable(0x4000).hex(" ")
    ('ff 7f', '81 80 00')
    """
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def header(tracks: int) -> bytes:
    """Give the header chunk of a file of format 1.

    >>> header(5).hex(" ")
    '4d 54 68 64 00 00 00 06 00 01 00 05 01 e0'
    """
    return b"MThd" + struct.pack(">IHHH", 6, 1, tracks, TICKS)


def meta(kind: str, **values: Any) -> bytes:
    """Write a meta event as mido does, its text in UTF-8.

    >>> meta("track_name", name="Bäcken").hex(" ")
    'ff 03 07 42 c3 a4 63 6b 65 6e'
    """
    import mido  # noqa: PLC0415  needed for MIDI only

    # mido writes Latin-1, byte for character
    plain = {name: value.encode().decode("latin-1") if name in _TEXTS else value for name, value in values.items()}
    return bytes(mido.MetaMessage(kind, **plain).bytes())


def conductor(performance: Performance) -> bytes:
    """Make the first track's chunk: everything that says where one is."""
    out, now = bytearray(), 0
    for tick, _, kind, values in merge(*_events(performance), key=itemgetter(0, 1)):
        out += variable(tick - now) + meta(kind, **values)
        now = tick
    return chunk(out + variable(max(tick_of(performance.length) - now, 0)) + END[1:])


def _events(performance: Performance) -> Iterator[Iterable[_Event]]:
    """Give each kind of event in order: tick, rank among its fellows, mido's name for it, its values."""
    yield [(0, 0, "track_name", {"name": one_line(performance.title)})]
    yield ((tick, 1, "time_signature", _signature(meter)) for tick, meter in _meters(performance))
    yield [(0, 2, "key_signature", {"key": _key_name(performance.key)})]
    yield ((tick, 3, "set_tempo", {"tempo": micros}) for tick, micros in tempo_events(performance.tempo.segments))
    yield ((tick, 4, "marker", {"text": text}) for tick, text in _passes(performance))
    yield ((tick, 5, "marker", {"text": text}) for tick, text in _sections(performance))
    yield ((tick, 6, "text", {"text": text}) for tick, text in _chords(performance))


def _signature(meter: Meter) -> dict[str, int]:
    return {
        "numerator": sum(meter.groups),
        "denominator": meter.unit,
        "clocks_per_click": max(1, min(int(meter.beat * 24), 255)),
        "notated_32nd_notes_per_beat": 8,
    }


def _chords(performance: Performance) -> Iterator[tuple[int, str]]:
    for index, span in enumerate(performance.chords):
        if index or span.chord is not None:  # before the first chord there is nothing to say
            yield tick_of(span.start), "N.C." if span.chord is None else str(span.chord)


def _passes(performance: Performance) -> Iterator[tuple[int, str]]:
    """Say where tuning notes, count-in and passes begin."""
    for start, text in performance.opening():
        yield tick_of(start), text
    for pass_ in performance.passes:
        yield tick_of(pass_.start), pass_.title


def _sections(performance: Performance) -> Iterator[tuple[int, str]]:
    before = ("", 0)
    for bar in performance.bars:
        if bar.number > 0 and (bar.section, bar.playing) != before:
            before = (bar.section, bar.playing)
            if bar.section:
                yield tick_of(bar.start), one_line(f"section {bar.section}")


def _meters(performance: Performance) -> Iterator[tuple[int, Meter]]:
    """Where the time signature changes: an irregular bar has one of its own where a signature can say it."""
    last = performance.meter
    yield 0, last
    for bars in _counted(performance.bars):
        length = sum((bar.length for bar in bars), Fraction(0))
        written = bars[0].meter or performance.meter
        meter = written if length == written.bar else _meter_of(length)
        if meter is not None and bars[0].number > 0 and meter != last:
            last = meter
            yield tick_of(bars[0].start), meter


def _counted(bars: Iterable[PlayedBar]) -> Iterator[list[PlayedBar]]:
    """Put a pickup to the bar before it, which it completes."""
    group: list[PlayedBar] = []
    for bar in bars:
        if group and bar.number > 0:
            yield group
            group = []
        group.append(bar)
    if group:
        yield group


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


def tempo_events(segments: tuple[Segment, ...]) -> Iterator[tuple[int, int]]:
    """Give the tempo events of a map: tick, and whole microseconds a quarter.

    >>> one = Fraction(1)
    >>> steps = (Segment(0 * one, 4 * one, 90 * one, 90 * one), Segment(4 * one, 4 * one, 120 * one, 120 * one))
    >>> list(tempo_events(steps))
    [(0, 666667), (1920, 500000)]
    """
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
