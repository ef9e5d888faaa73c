"""Melodies from Standard MIDI Files (RP-001): one part, its top line, put on the grid of the notation.

A file has no bars but those that its time signatures give, no spelling, and often the timing of a hand. So the part is
chosen by name or as the highest one, every beat is given the coarsest even division that its notes fit, the
key is found from the notes where the file does not say it, and a pickup from where the silence ends or the weight falls. What
was assumed is told, and so is how far notes were moved.
"""

from __future__ import annotations

import io
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import PurePath

import mido

from underbow.errors import Fault, InputError
from underbow.text import one_line
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.tune.keyfind import find_key
from underbow.tune.midi.quantise import Played, pickup_phase, quantised, skyline
from underbow.tune.tune import Measure, Note, Tune

MOST_NOTES = 100_000
MOST_BARS = 10_000
MOST_QUARTERS = 40_000  # from the file's beginning to its last note's end
MOST_BYTES = 4_000_000
DRUMS = 9  # channel 10
_MELODY_NAMES = ("melody", "tune", "fiddle", "violin", "lead", "flute", "whistle")
_COMMON = Meter((4,), 4)


@dataclass(frozen=True, slots=True)
class _Part:
    """What one track plays on one channel; times in ticks."""

    name: str
    notes: tuple[tuple[int, int, int, int], ...]  # start, end, MIDI number, velocity

    @property
    def height(self) -> float:
        """Mean pitch."""
        return sum(note[2] for note in self.notes) / len(self.notes)


@dataclass(frozen=True, slots=True)
class _Score:
    """What the file says besides its notes."""

    ticks: int
    title: str
    parts: tuple[_Part, ...]
    meters: tuple[tuple[int, Meter], ...]
    key: Key | None
    microseconds: int | None


def read_midi(data: bytes, *, file: str = "", track: str | None = None, strict: bool = False) -> Tune:
    """Read the melody of a Standard MIDI File.

    Parameters
    ----------
    data : bytes
    file : str
        Its name, for what is told and for the title where the file has none.
    track : str or None
        Name of the track, or a part of it; by default a track named melody, fiddle or the like, else the highest one.
    strict : bool
        Whether what would be assumed is an error.

    Raises
    ------
    InputError
        Where it is no such file, has no notes, or no such track.

    >>> midi = mido.MidiFile(ticks_per_beat=96)
    >>> midi.add_track("Air").extend(
    ...     [mido.Message("note_on", note=69), mido.Message("note_off", note=69, time=192), mido.MetaMessage("end_of_track")])
    >>> data = io.BytesIO()
    >>> midi.save(file=data)
    >>> tune = read_midi(data.getvalue())
    >>> tune.title, [(str(note.pitch), str(note.length)) for note in tune.measures[0].notes]
    ('Air', [('A4', '2')])
    """
    score = _score(data, file)
    part, remarks = _chosen(score.parts, track, file)
    where = part.name or "melody"
    shortest = min((meter.bar for _, meter in score.meters), default=_COMMON.bar)
    if max(end for _, end, _, _ in part.notes) > min(Fraction(MOST_QUARTERS), MOST_BARS * shortest) * score.ticks:
        limits = f"{MOST_QUARTERS} quarter notes or {MOST_BARS} bars"
        raise InputError(Fault(f"longer than {limits}; take one tune of it", file))
    melody = skyline(
        [Played(Fraction(a, score.ticks), Fraction(b, score.ticks), midi, vel) for a, b, midi, vel in part.notes]
    )
    notes, worst, mean = quantised(melody)
    moved = f"notes were moved to the grid by {float(mean):.3f} of a quarter on average, {float(worst):.3f} at most"
    passed_over = [Fault(moved, file, where=where)]
    if worst > Fraction(1, 12):
        remarks.append(Fault(f"{moved}; check the rhythm", file, where=where))
    # A meter changes on a sixteenth: elsewhere it would cut notes into lengths that nobody writes.
    meters = [(Fraction(round(Fraction(4 * tick, score.ticks)), 4), meter) for tick, meter in score.meters]
    meters = meters or [(Fraction(0), _COMMON)]
    if not score.meters:
        remarks.append(Fault("no time signature; counted as 4/4", file))
    notes, starts, said = _bar_starts(notes, meters)
    remarks += [Fault(what, file, where=where) for what in said]
    key = score.key
    if key is None:
        bar = starts[0][1].bar
        pickup = starts[min(1, len(starts) - 1)][0] % bar
        key = find_key([(note.start - pickup, note.end - note.start, note.midi) for note in notes], bar)
        remarks.append(Fault(f"no key signature; the notes fit {key}", file))
    measures = _measures(notes, starts, key)
    if strict and remarks:
        raise InputError(*remarks)
    meter = measures[0].meter
    return Tune(
        title=score.title or PurePath(file).stem,
        key=key,
        meter=meter,
        measures=measures,
        order=tuple(range(len(measures))),
        tempo=_tempo(score.microseconds, meter),
        told=tuple(remarks),
        passed_over=tuple(passed_over),
    )


def _score(data: bytes, file: str) -> _Score:
    if len(data) > MOST_BYTES:
        raise InputError(Fault(f"larger than {MOST_BYTES // 1_000_000} MB; take one tune of it", file))
    try:
        midi = mido.MidiFile(file=io.BytesIO(data), clip=True)
    except (OSError, EOFError, ValueError, IndexError, KeyError, TypeError, mido.KeySignatureError) as fault:
        why = "it ends too early" if isinstance(fault, EOFError) else str(fault) or type(fault).__name__
        raise InputError(Fault(f"not a Standard MIDI File that can be read: {why}", file)) from None
    if midi.ticks_per_beat <= 0 or midi.ticks_per_beat >= 0x8000:
        raise InputError(Fault("counts time in film frames, not in beats; save it with ticks per quarter note", file))
    parts: list[_Part] = []
    meters: dict[int, Meter] = {}
    keys: list[Key] = []
    tempos: list[int] = []
    title = ""
    for n, track in enumerate(midi.tracks):
        if n == 0:
            title = _name(track)
        parts += _parts(track)
        tick = 0
        for message in track:
            tick += message.time
            if (
                message.type == "time_signature"
                and message.denominator in (1, 2, 4, 8, 16, 32, 64)
                and message.numerator
            ):
                meters.setdefault(tick, Meter((min(message.numerator, 64),), message.denominator))
            elif message.type == "key_signature":
                keys.append(Key.parse(message.key))
            elif message.type == "set_tempo":
                tempos.append(message.tempo)
    if sum(len(part.notes) for part in parts) > MOST_NOTES:
        raise InputError(Fault(f"more than {MOST_NOTES} notes; take one tune of it", file))
    return _Score(
        midi.ticks_per_beat,
        title,
        tuple(parts),
        tuple(sorted(meters.items())),
        keys[0] if keys else None,
        tempos[0] if tempos else None,
    )


def _parts(track: mido.MidiTrack) -> list[_Part]:
    """Divide a track by channel; drums and notes without length are left out."""
    sounding: dict[tuple[int, int], deque[tuple[int, int]]] = {}
    notes: dict[int, list[tuple[int, int, int, int]]] = {}
    tick = 0
    for message in track:
        tick += message.time
        if message.type not in ("note_on", "note_off") or message.channel == DRUMS:
            continue
        key = (message.channel, message.note)
        if message.type == "note_on" and message.velocity:
            sounding.setdefault(key, deque()).append((tick, message.velocity))
        elif sounding.get(key):
            start, velocity = sounding[key].popleft()
            if tick > start:
                notes.setdefault(message.channel, []).append((start, tick, message.note, velocity))
    return [_Part(_name(track), tuple(sorted(notes[channel]))) for channel in sorted(notes)]


def _name(track: mido.MidiTrack) -> str:
    """Give a track's name: in UTF-8 where it is that, else in Latin-1, as mido reads it."""
    name: str = track.name
    with suppress(UnicodeError):
        name = name.encode("latin-1").decode()
    return one_line(name)


def _chosen(parts: tuple[_Part, ...], track: str | None, file: str) -> tuple[_Part, list[Fault]]:
    if not parts:
        raise InputError(Fault("no notes in it", file))
    names = ", ".join(dict.fromkeys(part.name or "(no name)" for part in parts))
    if track is not None:
        found = [part for part in parts if track.casefold() in part.name.casefold()]
        if not found:
            raise InputError(Fault(f"no track is called {track!r}; there are {names}", file))
        return max(found, key=lambda part: part.height), []
    if len(parts) == 1:
        return parts[0], []
    named = [part for part in parts if any(name in part.name.casefold() for name in _MELODY_NAMES)]
    least = max(len(part.notes) for part in parts) / 5
    part = max(named or [part for part in parts if len(part.notes) >= least], key=lambda part: part.height)
    why = "by its name" if named else "as the highest one"
    return part, [Fault(f"of the tracks {names}, {part.name or '(no name)'} was chosen {why}", file)]


def _bar_starts(
    notes: list[Played], meters: list[tuple[Fraction, Meter]]
) -> tuple[list[Played], list[tuple[Fraction, Meter]], list[str]]:
    """Lay bars under the notes: where each starts, with its meter; the silence before the tune is taken off."""
    said: list[str] = []
    first, meter = notes[0].start, meters[0][1]
    phase = Fraction(0)
    if len(meters) == 1:
        phase = pickup_phase(notes, meter)
        if phase and first < phase:
            said.append(f"the bars were laid so that {phase} quarters before the first strong beat are a pickup")
    end = max(note.end for note in notes)
    starts: list[tuple[Fraction, Meter]] = []
    begin = phase - meter.bar if phase else Fraction(0)
    upcoming = [change for change in meters[1:] if change[0] > begin]
    while begin < end:
        while upcoming and upcoming[0][0] <= begin:
            meter = upcoming.pop(0)[1]
        starts.append((begin, meter))
        after = begin + meter.bar
        begin = min(after, upcoming[0][0]) if upcoming and upcoming[0][0] > begin else after
    while len(starts) > 1 and starts[1][0] <= first:
        starts.pop(0)
    offset = starts[0][0]
    if len(starts) > 1 and first - offset >= (starts[1][0] - offset) / 2:
        offset = first  # a pickup
        starts[0] = (first, starts[0][1])
    elif phase and starts[0][0] < 0:
        offset = first
        starts[0] = (first, starts[0][1])
    moved = [replace(note, start=note.start - offset, end=note.end - offset) for note in notes]
    return moved, [(start - offset, its) for start, its in starts], said


def _measures(notes: list[Played], starts: list[tuple[Fraction, Meter]], key: Key) -> tuple[Measure, ...]:
    """Cut the line at the bars; what reaches over is tied."""
    held: list[list[Note]] = [[] for _ in starts]
    bounds = [*(start for start, _ in starts[1:]), starts[-1][0] + starts[-1][1].bar]
    bar = 0
    for note in notes:
        now = note.start
        while bar + 1 < len(starts) and starts[bar + 1][0] <= now:
            bar += 1
        here = bar
        while now < note.end and here < len(starts):
            until = min(note.end, bounds[here])
            tied = until < note.end and here + 1 < len(starts)
            pitch = key.spell(note.midi)
            under = tuple(key.spell(midi) for midi in note.under)
            held[here].append(Note(now - starts[here][0], until - now, pitch, under, tied=tied))
            now = until
            here += 1
    end = max(note.end for note in notes)
    lengths = [bounds[i] - starts[i][0] for i in range(len(starts))]
    pickup = lengths[0] if len(lengths) > 1 and lengths[0] < starts[0][1].bar else Fraction(0)
    if pickup and end <= bounds[-1] - pickup:
        lengths[-1] -= pickup
    return tuple(
        Measure(lengths[i], tuple(held[i]), (), key, starts[i][1], section="A", new_line=i % 4 == 3)
        for i in range(len(starts))
    )


def _tempo(microseconds: int | None, meter: Meter) -> Tempo | None:
    """The file counts quarter notes; a player counts the meter's beats."""
    if not microseconds:
        return None
    count = Fraction(60_000_000, microseconds) / meter.beat
    return Tempo(count.limit_denominator(100), meter.beat)
