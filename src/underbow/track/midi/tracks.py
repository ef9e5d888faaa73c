"""The tracks of a MIDI file that hold notes: written by pretty_midi a few bars at a time, and joined.

pretty_midi makes three objects of every note. So that three hours of them never lie in memory, a part is cut where nothing
sounds on, best where a pass begins, and each cut is written by itself; one that comes again is the same bytes again. What mixes
differ in is a few volume events between the notes: a :class:`Track` keeps the notes as bytes and puts any mix's volumes in.
"""

from __future__ import annotations

import io
from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from types import ModuleType

from underbow.track.gestures import Gestures
from underbow.track.midi.conductor import HEAD, TICKS, chunk, chunks, tick_of, variable
from underbow.track.midi.velocity import velocity
from underbow.track.performance import Gesture, Part

__all__ = ["Track"]

_SECONDS_A_TICK = 0.5 / TICKS  # pretty_midi is told 120 quarters a minute, so that its seconds are our ticks
_END = bytes.fromhex("01 FF 2F 00")  # what pretty_midi ends a track with
_NOTES, _KEPT = 1000, 16  # notes in a cut, at least, where no pass begins; cuts that are remembered
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
        known: dict[bytes, bytes] = {}
        last = 0
        for notes in _cuts(part.gestures, joints):
            key = array(
                "q", [value for note in notes for value in (note[0] - last, note[1] - last, *note[2:])]
            ).tobytes()
            body = known.get(key)
            if body is None:
                body = self._written(_apart(notes), last)[len(self._begin) : -len(_END)]
                if len(known) >= _KEPT:
                    known.clear()
                known[key] = body
            _, data = _delta(body, 0)
            if self._status:
                body = body[:data] + body[data + 1 :]  # its status goes on from the cut before
            self._status = self._status or body[data:][:1]
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
                    out.extend(variable(at[2] - now) + self._status)
                out.extend(self._notes[at[3] if parted else at[0] : joint[0]])
                now, parted = joint[1], False
            at = joint

        for tick, value in volumes:
            notes_until(self._joints[tick])
            out += variable(tick - now) + bytes((_CONTROL | self._channel, _VOLUME, value))
            now, parted = tick, True
        notes_until((len(self._notes), 0, 0, 0))
        return chunk(out + _END)

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
        return chunks(written.getvalue())[-1][HEAD:]


def _cuts(gestures: Sequence[Gesture], joints: Sequence[int]) -> Iterator[list[_Note]]:
    """Give a part's notes in order of gestures, in lists of some length; none sounds on into the next list."""
    played = Gestures.of(gestures)
    at_zero = [_ticks(kind, Fraction(0)) for kind in played.kinds]
    coming = list(joints)[::-1]
    held: list[_Note] = []
    end = 0
    for placed in played.placed():
        ticks = placed.tick * TICKS
        if ticks % played.grain:
            notes = _ticks(played.kinds[placed.kind], Fraction(placed.tick, played.grain))
        else:
            by = ticks // played.grain
            notes = [(start + by, stop + by, pitch, loudness) for start, stop, pitch, loudness in at_zero[placed.kind]]
        begin = notes[0][0]
        if held and begin >= end and (len(held) >= _NOTES or (coming and begin >= coming[-1])):
            yield held
            held = []
        while coming and begin >= coming[-1]:
            coming.pop()
        held += notes
        end = max(end, *(stop for _, stop, _, _ in notes))
    if held:
        yield held


def _ticks(kind: Gesture, start: Fraction) -> list[_Note]:
    """Give a gesture's notes: none is shorter than a tick."""
    out = []
    for note in kind.notes:
        begin = max(tick_of(start + note.start), 0)
        out.append((begin, max(tick_of(start + note.end), begin + 1), note.midi, velocity(note.level)))
    return out


def _apart(notes: Iterable[_Note]) -> list[_Note]:
    """Put notes in order, so that equal pitches never overlap."""
    by_pitch: dict[int, dict[int, tuple[int, int]]] = defaultdict(dict)
    for start, end, pitch, loudness in notes:
        before = by_pitch[pitch].get(start, (0, 0))
        by_pitch[pitch][start] = (max(end, before[0]), max(loudness, before[1]))
    out = []
    for pitch, found in by_pitch.items():
        starts = sorted(found)
        for start, following in zip(starts, [*starts[1:], None], strict=True):
            end, loudness = found[start]
            out.append((start, end if following is None else min(end, following), pitch, loudness))
    return sorted(out)


def _delta(data: bytes | bytearray, at: int) -> tuple[int, int]:
    """Read the number of ticks before an event (a variable length quantity): it, and the place after it."""
    value = 0
    while data[at] >= _STATUS:
        value = value << 7 | data[at] & 0x7F
        at += 1
    return value << 7 | data[at], at + 1
