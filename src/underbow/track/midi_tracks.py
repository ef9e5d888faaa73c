"""The tracks of a MIDI file that hold notes: written by pretty_midi a few bars at a time, and joined.

pretty_midi makes three objects of every note. So that three hours of them never lie in memory, a part is cut where nothing
sounds on, and each cut is written by itself. What mixes differ in is a few volume events between the notes: a
:class:`Track` keeps the notes as bytes and puts any mix's volumes in.
"""

from __future__ import annotations

import io
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from types import ModuleType

from underbow.track.midi_conductor import TICKS, chunks, tick_of
from underbow.track.performance import Gesture, Part

__all__ = ["Track", "velocity"]

_SECONDS_A_TICK = 0.5 / TICKS  # pretty_midi is told 120 quarters a minute, so that its seconds are our ticks
_HEAD, _END = 8, bytes.fromhex("01 FF 2F 00")  # a chunk's kind and size; what pretty_midi ends a track with
_NOTES = 1000  # in a cut, at least
_STATUS = 0x80  # a byte from here up says what kind of event it is; without one it is of the kind before
_CONTROL, _VOLUME = 0xB0, 7

_Note = tuple[int, int, int, int]  # start and end in ticks, pitch, velocity
_Joint = tuple[int, int, int, int]  # see Track._find


class Track:
    """One part's track.

    Parameters
    ----------
    pretty_midi : module
    part : Part
    slot : int
        Which of the performance's parts it is; pretty_midi gives it a channel accordingly.
    joints : sequence of int
        In order, the ticks where a volume may have to be put in.
    """

    def __init__(self, pretty_midi: ModuleType, part: Part, slot: int, joints: Sequence[int]) -> None:
        self._pretty_midi, self._part, self._slot = pretty_midi, part, slot
        self._begin = self._written((), 0)[: -len(_END)]
        self._channel = self._begin[-2] & 0x0F  # the last event there is the program change
        self._status = b""
        self._notes = bytearray()
        last = 0
        for notes in _cuts(part.gestures):
            body = self._written(notes, last)[len(self._begin) : -len(_END)]
            if self._status:
                _, data = _delta(body, 0)
                body = body[:data] + body[data + 1 :]  # its status goes on from the cut before
            self._status = self._status or body[_delta(body, 0)[1] :][:1]
            self._notes += body
            last = max(end for _, end, _, _ in notes)
        self._joints = self._find(joints)

    def chunk(self, volumes: Iterable[tuple[int, int]]) -> bytes:
        """Give the track's chunk with volumes put in: tick (one of the joints, in order) and value."""
        out = bytearray(self._begin)
        now, at, parted = 0, (0, 0, 0, 0), False

        def notes_until(joint: _Joint) -> None:
            nonlocal now, at, parted
            if joint[0] > at[0]:
                if parted:  # another event came between: the next note says its time and kind anew
                    out.extend(_variable(at[2] - now) + self._status)
                out.extend(self._notes[at[3] if parted else at[0] : joint[0]])
                now, parted = joint[1], False
            at = joint

        for tick, value in volumes:
            notes_until(self._joints[tick])
            out += _variable(tick - now) + bytes((_CONTROL | self._channel, _VOLUME, value))
            now, parted = tick, True
        notes_until((len(self._notes), 0, 0, 0))
        out += _END
        return b"MTrk" + len(out).to_bytes(4, "big") + bytes(out)

    def _find(self, joints: Sequence[int]) -> dict[int, _Joint]:
        """Find where the notes are parted at each tick: the place and tick of the first event at it or later, and its tick.

        A joint is: that event's place, the tick of the event before it, its own tick, the place of its data.
        """
        found: dict[int, _Joint] = {}
        waiting = list(joints)[::-1]
        at = tick = 0
        while at < len(self._notes) and waiting:
            delta, data = _delta(self._notes, at)
            if self._notes[data] >= _STATUS:
                data += 1
            while waiting and waiting[-1] <= tick + delta:
                found[waiting.pop()] = (at, tick, tick + delta, data)
            tick += delta
            at = data + 2
        return found | {joint: (len(self._notes), tick, 0, 0) for joint in waiting}

    def _written(self, notes: Iterable[_Note], zero: int) -> bytes:
        """Let pretty_midi write a track of these notes, counted from tick ``zero``; give it without its chunk's head."""
        pretty = self._pretty_midi.PrettyMIDI(resolution=TICKS, initial_tempo=120.0, charset="utf-8")
        program, drums = max(self._part.program, 0), self._part.program < 0
        instrument = self._pretty_midi.Instrument(program, is_drum=drums, name=self._part.name.capitalize())
        for start, end, pitch, loudness in notes:
            begin, stop = (start - zero) * _SECONDS_A_TICK, (end - zero) * _SECONDS_A_TICK
            instrument.notes.append(self._pretty_midi.Note(loudness, pitch, begin, stop))
        pretty.instruments += [self._pretty_midi.Instrument(0) for _ in range(self._slot)] + [instrument]
        written = io.BytesIO()
        pretty.write(written)
        return chunks(written.getvalue())[-1][_HEAD:]


def velocity(level: float) -> int:
    """Give the velocity, 1 to 127, that SoundFont 2.04's default curve turns into a level in dB: 40 log10(127 / velocity) down.

    >>> [velocity(level) for level in (0.0, -2.0, -12.0, -100.0)]
    [127, 113, 64, 1]
    """
    return min(max(math.floor(127.0 * math.pow(10.0, level / 40.0) + 0.5), 1), 127)


def _cuts(gestures: Iterable[Gesture]) -> Iterator[list[_Note]]:
    """Give a part's notes in order, in lists of some length; none sounds on into the next list."""
    held: list[Gesture] = []
    count, end = 0, Fraction(0)
    for gesture in gestures:
        if count >= _NOTES and gesture.start >= end:
            yield _notes(held)
            held, count = [], 0
        held.append(gesture)
        count += len(gesture.notes)
        end = max(end, gesture.end, gesture.notes[-1].start + Fraction(1, TICKS))  # no note is shorter than a tick
    if held:
        yield _notes(held)


def _notes(gestures: Iterable[Gesture]) -> list[_Note]:
    """Give the notes of gestures in order; equal pitches never overlap."""
    by_pitch: dict[int, dict[int, tuple[int, int]]] = defaultdict(dict)
    for gesture in gestures:
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


def _delta(data: bytes | bytearray, at: int) -> tuple[int, int]:
    """Read the number of ticks before an event (a variable length quantity): it, and the place after it."""
    value = 0
    while data[at] >= _STATUS:
        value = value << 7 | data[at] & 0x7F
        at += 1
    return value << 7 | data[at], at + 1


def _variable(value: int) -> bytes:
    """Write a variable length quantity.

    >>> _variable(0x3FFF).hex(" "), _variable(0x4000).hex(" ")
    ('ff 7f', '81 80 00')
    """
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))
