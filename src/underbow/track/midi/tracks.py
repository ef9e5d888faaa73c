"""The tracks of a MIDI file that hold notes: from a part's gestures to pretty_midi's notes, and from these to bytes.

pretty_midi is the score's model: an instrument for each part, with its notes. Three hours of them would take much room, so an
instrument's notes are kept as numbers and are made as they are walked (:class:`Notes`). They are written once; what mixes differ
in is a few volume events, which a :class:`Track` puts where passes begin.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from heapq import heappop, heappush
from types import ModuleType
from typing import Any, NamedTuple

from underbow.track.gestures import Gestures
from underbow.track.lazy import LazySequence
from underbow.track.midi.conductor import END, TICKS, chunk, meta, tick_of, variable
from underbow.track.midi.velocity import velocity
from underbow.track.performance import Gesture, Part

__all__ = ["Notes", "Track", "instrument_of"]

_SECONDS_A_TICK = 0.5 / TICKS  # pretty_midi counts seconds, at 120 quarters a minute unless told otherwise
_DRUMS = 9  # General MIDI's channel 10
_NOTE_ON, _CONTROL, _PROGRAM, _VOLUME = 0x90, 0xB0, 0xC0, 7

_Note = tuple[int, int, int, int]  # start and end in ticks, pitch, velocity
_Event = tuple[int, bool, int, int]  # tick, whether it comes after what ends there, pitch, velocity (0 ends the note)


class Notes(LazySequence[Any]):
    """The notes of a part in order of start, equal pitches never overlapping, each a ``pretty_midi.Note`` when asked for."""

    __slots__ = ("_ends", "_make", "_pitches", "_starts", "_velocities")

    def __init__(self, pretty_midi: ModuleType, gestures: Sequence[Gesture]) -> None:
        self._make = pretty_midi.Note
        self._starts, self._ends = array("Q"), array("Q")
        self._pitches, self._velocities = array("B"), array("B")
        latest: dict[int, int] = {}
        for start, end, pitch, loudness in _in_order(gestures):
            before = latest.get(pitch)
            if before is not None and self._starts[before] == start:  # two strings in unison sound once
                self._ends[before] = max(end, self._ends[before])
                self._velocities[before] = max(loudness, self._velocities[before])
                continue
            if before is not None:  # a note is over when its pitch comes again
                self._ends[before] = min(start, self._ends[before])
            latest[pitch] = len(self._starts)
            self._starts.append(start)
            self._ends.append(end)
            self._pitches.append(pitch)
            self._velocities.append(loudness)

    def _item(self, place: int) -> Any:
        begin, stop = self._starts[place] * _SECONDS_A_TICK, self._ends[place] * _SECONDS_A_TICK
        return self._make(self._velocities[place], self._pitches[place], begin, stop)

    def __len__(self) -> int:
        return len(self._starts)


def instrument_of(pretty_midi: ModuleType, part: Part) -> Any:
    """Give a part as a ``pretty_midi.Instrument``."""
    instrument = pretty_midi.Instrument(max(part.program, 0), is_drum=part.program < 0, name=part.name.capitalize())
    instrument.notes = Notes(pretty_midi, part.gestures)
    return instrument


class _Piece(NamedTuple):
    """Notes between two joints: tick and data of the first event, what follows it as bytes, the tick of the last one."""

    first: int
    data: bytes
    rest: bytes
    last: int


class Track:
    """One instrument's track.

    Parameters
    ----------
    instrument : pretty_midi.Instrument
    slot : int
        Which of the score's instruments it is; its channel follows from that.
    joints : sequence of int
        In order, from 0 on, the ticks where a volume may have to be put in.
    """

    def __init__(self, instrument: Any, slot: int, joints: Sequence[int]) -> None:
        self._channel = _DRUMS if instrument.is_drum else [n for n in range(16) if n != _DRUMS][slot % 15]
        self._head = variable(0) + meta("track_name", name=instrument.name)
        self._head += variable(0) + bytes((_PROGRAM | self._channel, instrument.program))
        self._joints = joints
        self._pieces: list[_Piece | None] = [None] * len(joints)
        events = _events(instrument.notes, frozenset(joints))
        event = next(events, None)
        for number, end in enumerate([*joints[1:], math.inf]):
            if event is None or event[0] >= end:
                continue
            (first, _, *data), rest = event, bytearray()
            now = first
            for event in events:
                if event[0] >= end:
                    break
                rest += variable(event[0] - now) + bytes(event[2:])
                now = event[0]
            else:
                event = None
            self._pieces[number] = _Piece(first, bytes(data), bytes(rest), now)

    def chunk(self, volumes: Iterable[tuple[int, int]] = ()) -> bytes:
        """Give the track's chunk with volumes put in: tick (one of the joints) and value."""
        out, now, running = bytearray(self._head), 0, False
        wanted = dict(volumes)
        for joint, piece in zip(self._joints, self._pieces, strict=True):
            if joint in wanted:
                out += variable(joint - now) + bytes((_CONTROL | self._channel, _VOLUME, wanted[joint]))
                now, running = joint, False
            if piece is not None:
                status = b"" if running else bytes((_NOTE_ON | self._channel,))  # said once for notes in a row
                out += variable(piece.first - now) + status + piece.data + piece.rest
                now, running = piece.last, True
        return chunk(out + variable(1) + END[1:])


def _events(notes: Iterable[Any], joints: frozenset[int]) -> Iterator[_Event]:
    """Give the beginnings and ends of notes in order: by pitch where they meet, but ends first where a pass begins afresh."""
    coming: list[_Event] = []
    now = reach = held = 0  # this tick; where all notes have ended; where those have that began before this tick
    for note in notes:
        start, end = round(note.start / _SECONDS_A_TICK), round(note.end / _SECONDS_A_TICK)
        if start > now:
            now, held = start, reach
        while coming and coming[0][0] < start:
            yield heappop(coming)
        heappush(coming, (start, start in joints and held <= start, note.pitch, note.velocity))
        heappush(coming, (end, False, note.pitch, 0))
        reach = max(reach, end)
    while coming:
        yield heappop(coming)


def _in_order(gestures: Sequence[Gesture]) -> Iterator[_Note]:
    """Give a part's notes in order of start."""
    played = Gestures.of(gestures)
    at_zero = [_ticks(kind, Fraction(0)) for kind in played.kinds]
    coming: list[_Note] = []
    for placed in played.placed():
        ticks = placed.tick * TICKS
        if ticks % played.grain:
            notes = _ticks(played.kinds[placed.kind], Fraction(placed.tick, played.grain))
        else:
            by = ticks // played.grain
            notes = [(start + by, stop + by, pitch, loudness) for start, stop, pitch, loudness in at_zero[placed.kind]]
        while coming and coming[0][0] < notes[0][0]:
            yield heappop(coming)
        for note in notes:
            heappush(coming, note)
    while coming:
        yield heappop(coming)


def _ticks(kind: Gesture, start: Fraction) -> list[_Note]:
    """Give a gesture's notes: none is shorter than a tick."""
    out = []
    for note in kind.notes:
        begin = max(tick_of(start + note.start), 0)
        out.append((begin, max(tick_of(start + note.end), begin + 1), note.midi, velocity(note.level)))
    return out
