"""Sound from any bar of any pass, made while it is heard.

Only one pass at a time is laid out, only what begins after the place asked for is sounded, and each block is given away as
soon as it is made. So the first sound comes at once however long the track is, and whatever has just been changed.

The parts stay apart, so that the page can let the players stand nearer or farther while they play: its messages are

- ``J`` and JSON: first ``{"rate", "parts", "gain"}``, then for each stretch ``{"pass", "tempo", "at", "bars", "notes"}``,
  with all places in frames from the stream's beginning; where it is counted in, ``"count": true`` and the bar to come;
- ``S`` and sound: 16-bit little-endian samples, the parts interleaved; all of it is to be played at ``gain``.

Each is preceded by its length in bytes, four bytes, little-endian, the letter counted.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import isfinite
from time import perf_counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from underbow.desk.hear.prompt import Hurried
from underbow.desk.hear.tape import Tape
from underbow.errors import InputError
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.recorded import RecordedMelody
from underbow.sound.stems import Plan, plan
from underbow.sound.voice.voices import Samples, Voice, frame_of
from underbow.track.performance import Performance
from underbow.track.ramp import Ramp
from underbow.track.recorded import Recorded
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Bar

__all__ = ["Asked", "estimate", "listen", "message"]

LEAD = 0.02  # seconds before the bar line: a hand may be early
_FIRST, _BLOCK = 0.12, 0.5  # seconds of sound in a message
_FADE = 0.02  # seconds in which what sounds already comes in
_MEASURED = 8.0  # seconds from which the gain is estimated
_MOST_GAIN = 8.0
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Asked:
    """What shall be heard.

    Parameters
    ----------
    bar, time : int
        Where it begins: the printed bar, and the how-manieth time it comes in the pass. Where there is none, at the beginning.
    number : int
        Of the pass, from 1.
    around : (int, int) or None
        First and last printed bar that go round and round; else it goes on from pass to pass to the end.
    upto : int or None
        The first printed bar that can't be heard.
    parts : tuple of str
        All of them where it is empty.
    bars : int or None
        How many bars; None for no end but the track's.
    counted : bool
        Whether the sheet's count-in is clicked first.
    """

    bar: int = 0
    time: int = 1
    number: int = 1
    around: tuple[int, int] | None = None
    upto: int | None = None
    parts: tuple[str, ...] = ()
    bars: int | None = None
    counted: bool = False


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What is played without going back: from one frame of a pass to another. A part without a plan is silent.

    A melody that is recorded comes with the place of its part.
    """

    plans: tuple[Plan | None, ...]
    begin: int
    end: int
    melody: tuple[int, RecordedMelody] | None = None


def message(kind: str, body: bytes) -> bytes:
    r"""Put one message of the stream together.

    >>> message("J", b"{}")
    b'\x03\x00\x00\x00J{}'
    """
    return struct.pack("<I", len(body) + 1) + kind.encode() + body


def listen(
    sheet: Sheet, voice: Hurried, asked: Asked, gain: float = 1.0, recorded: Recorded | None = None
) -> Iterator[bytes]:
    """Give the messages of a stream, as they are made.

    Parameters
    ----------
    sheet : Sheet
    voice : Hurried
    asked : Asked
    gain : float
        Linear, for all parts alike: said to the page, which applies it.
    recorded : Recorded, optional
        What plays the melody instead of the voice.

    Raises
    ------
    InputError
        Where nothing of what is asked for can be heard.
    """
    rate, begun = voice.rate, perf_counter()
    bars = sheet.melody.bars
    first, last = _range(bars, asked)
    number, turn, frame, small = asked.number, 1, 0, True
    count, lead = sheet.count_in if asked.counted else 0, True
    performance = _pass(sheet, number, turn, asked.parts, count, recorded)
    yield message(
        "J", _json({"rate": rate, "parts": [part.name for part in performance.parts], "gain": round(gain, 5)})
    )
    players = _Players(len(performance.parts), voice)
    while True:
        stretch = _stretch(performance, bars, first, last, rate, lead=lead)
        coming = (_count_in(performance, bars[first], stretch, rate), stretch) if count else (stretch,)
        for part in coming:
            end, of = frame + part.end - part.begin, bars[first : last + 1]
            if part is stretch:
                marks = _marks(performance, sheet, of, stretch, frame, rate)
            else:  # the bar to come, and nothing to follow yet
                marks = _marks(performance, sheet, of[:1], stretch, end, rate)
                marks |= {"at": frame, "end": end, "notes": [], "count": True}
            yield message("J", _json(marks | {"pass": number}))
            players.enter(part, frame, fade=lead)
            while frame < end:
                size = min(round((_FIRST if small else _BLOCK) * rate), end - frame)
                yield message("S", _samples(players.block(size)))
                frame, small = frame + size, False
                voice.allow((frame / rate - (perf_counter() - begun)) / 2)  # half of what has not been heard yet
        count, lead = 0, False
        if asked.around is not None:
            first = _range(bars, replace(asked, bar=asked.around[0]))[0]
            continue
        following = _after(sheet.ramp, number, turn)
        if following is None or asked.upto is not None or asked.bars is not None:
            break
        if sheet.ramp.between and following[0] > number:
            count, lead = sheet.ramp.between, True
        (number, turn), first = following, 0
        performance = _pass(sheet, number, turn, asked.parts, count, recorded)
    yield message("S", _samples(players.block(round(1.2 * rate))))


def _after(ramp: Ramp, number: int, turn: int) -> tuple[int, int] | None:
    """Which tempo comes after one, and the how-manieth time at it; None after the last."""
    if turn < ramp.each:
        return number, turn + 1
    return (number + 1, 1) if number < ramp.passes else None


def _range(bars: Sequence[Bar], asked: Asked) -> tuple[int, int]:
    """Give the places of the first and the last bar heard."""
    first = next((i for i, bar in enumerate(bars) if bar.number == asked.bar and bar.time == asked.time), None)
    if first is None:
        first = next((i for i, bar in enumerate(bars) if bar.number >= asked.bar), 0)
    if asked.around is not None:
        low, high = min(asked.around), max(asked.around)
        last = first
        while last + 1 < len(bars) and low <= bars[last + 1].number <= high:
            last += 1
    else:
        last = len(bars) - 1 if asked.bars is None else min(first + asked.bars, len(bars)) - 1
    if asked.upto is not None:
        stop = next((i for i in range(first, last + 1) if bars[i].number >= asked.upto), last + 1)
        if stop == first:
            raise InputError(f"bar {asked.upto} can't be heard before it is put right; begin before it")
        last = min(last, stop - 1)
    return first, last


def _pass(  # noqa: PLR0917
    sheet: Sheet, number: int, turn: int, parts: Sequence[str], count: int = 0, recorded: Recorded | None = None
) -> Performance:
    """Play one pass, counted in by so many bars, and the next one so that they join; one that nothing joins comes to its end."""
    ramp = sheet.ramp
    if not 1 <= number <= ramp.passes:
        raise InputError(f"there is no tempo {number}; there are {ramp.passes}")
    following = _after(ramp, number, turn)
    if ramp.between and following is not None and following[0] > number:
        following = None  # clicks come between
    begin, end = ramp.spans[number - 1]
    after = end if following is None else ramp.spans[following[0] - 1][1]
    slow, fast = round(begin.count), round(after.count)
    kind = "steady" if slow == fast else "glide" if ramp.kind == "glide" else "steps"
    two = Ramp(kind, slow, fast, 1 if following is None else 2, ramp.beat)
    played = perform(replace(sheet, ramp=two, count_in=count, tuning_notes=False))
    if parts:
        played = replace(played, parts=tuple(part for part in played.parts if part.name in parts))
    return replace(played, recorded=recorded) if any(part.name == "melody" for part in played.parts) else played


def _stretch(
    performance: Performance, bars: Sequence[Bar], first: int, last: int, rate: int, *, lead: bool
) -> _Stretch:
    zero, seconds = performance.passes[0].start, performance.tempo.seconds

    def frame(quarter: Fraction) -> int:
        return frame_of(seconds(zero + quarter), rate)

    begin = frame(bars[first].start) - (round(LEAD * rate) if lead else 0)
    whole_pass = last == len(bars) - 1
    end = (
        frame_of(seconds(performance.passes[0].end), rate)
        if whole_pass
        else frame(bars[last].start + bars[last].length)
    )
    row = -1
    if performance.recorded is not None:
        row = next(row for row, part in enumerate(performance.parts) if part.name == "melody")
    plans = (None if at == row else plan(part, performance.tempo, rate) for at, part in enumerate(performance.parts))
    melody = None if row < 0 else (row, RecordedMelody(performance, rate))
    return _Stretch(tuple(plans), begin, end, melody)


def _count_in(performance: Performance, bar: Bar, stretch: _Stretch, rate: int) -> _Stretch:
    """The clicks before a bar: those before the pass; where it is not its first bar, the pickup's place is clicked as well."""
    start = performance.passes[0].start if bar.start == 0 else performance.passes[0].downbeat
    end = frame_of(performance.tempo.seconds(start), rate) - round(LEAD * rate)
    clicks = (
        plan if part.name == "click" else None for part, plan in zip(performance.parts, stretch.plans, strict=True)
    )
    return _Stretch(tuple(clicks), 0, end)


def _marks(  # noqa: PLR0917
    performance: Performance, sheet: Sheet, bars: Sequence[Bar], stretch: _Stretch, first: int, rate: int
) -> dict[str, Any]:
    """Say where in the stream the bars and the written notes of a stretch sound."""
    zero, seconds = performance.passes[0].start, performance.tempo.seconds

    def place(quarter: Fraction) -> int:
        return frame_of(seconds(zero + quarter), rate) - stretch.begin + first

    low, high = bars[0].start, bars[-1].end
    notes = [
        (note.start + later, measure, number) for note in sheet.melody.notes for later, measure, number in note.written
    ]
    tempo = performance.passes[0].tempo
    return {
        "tempo": round(float(tempo.count), 1),
        "beat": tempo.beat_name,
        "at": first,
        "end": first + stretch.end - stretch.begin,
        "bars": [[place(bar.start), bar.number, bar.time, bar.measures[0][0]] for bar in bars],
        "notes": [[place(start), measure, number] for start, measure, number in notes if low <= start < high],
    }


class _Players:
    """The parts on their way: what is still to come of the stretch, and what rings."""

    def __init__(self, count: int, voice: Voice) -> None:
        self._voice, self._at = voice, 0
        self._tape: Tape | None = None
        self._tape_row = 0
        self._coming: list[list[tuple[int, np.float32, Samples | None, Plan, int]]] = [[] for _ in range(count)]
        self._rings: list[list[tuple[int, np.float32, Samples]]] = [[] for _ in range(count)]

    def enter(self, stretch: _Stretch, frame: int, *, fade: bool) -> None:
        """Let the players begin a stretch at a frame of the stream; what sounds already there comes in softly."""
        if stretch.melody is not None:
            self._tape_row, melody = stretch.melody
            self._tape = self._tape or Tape(melody)
            self._tape.enter(melody, stretch.begin, frame)
        for row, part in enumerate(stretch.plans):
            coming: list[tuple[int, np.float32, Samples | None, Plan, int]] = []
            self._coming[row] = coming
            if part is None:
                continue
            for index, start in enumerate(part.frames.tolist()):
                if start >= stretch.end:
                    break
                place = start - stretch.begin + frame
                if start >= stretch.begin:
                    coming.append((place, part.gains[index], None, part, index))
                elif fade and start + part.actions[part.which[index]].frames > stretch.begin + 0.1 * self._voice.rate:
                    coming.append(
                        (frame, part.gains[index], self._rest(part, index, stretch.begin - start), part, index)
                    )

    def _rest(self, part: Plan, index: int, gone: int) -> Samples:
        """What is left of a sound that began before, faded in."""
        rest = self._sound(part, index)[gone:].copy()
        fade = min(round(_FADE * self._voice.rate), len(rest))
        rest[:fade] *= np.linspace(0, 1, fade, dtype=np.float32)
        return rest

    def _sound(self, part: Plan, index: int) -> Samples:
        samples = self._voice.sounds(part.actions[part.which[index]])
        return samples if samples.ndim == 1 else samples.mean(axis=1)

    def block(self, count: int) -> Floats:
        """Give the next frames, shape (parts, count)."""
        out = np.zeros((len(self._coming), count), np.float32)
        end = self._at + count
        for row, coming in enumerate(self._coming):
            begun = 0
            while begun < len(coming) and coming[begun][0] < end:
                place, gain, samples, part, index = coming[begun]
                self._rings[row].append((place, gain, self._sound(part, index) if samples is None else samples))
                begun += 1
            del coming[:begun]
            left = []
            for place, gain, samples in self._rings[row]:
                stop = place + len(samples)
                low, high = max(place, self._at), min(stop, end)
                if low < high:
                    out[row, low - self._at : high - self._at] += samples[low - place : high - place] * gain
                if stop > end:
                    left.append((place, gain, samples))
            self._rings[row] = left
        if self._tape is not None:
            self._tape.add(out[self._tape_row], self._at)
        self._at = end
        return out


def estimate(
    sheet: Sheet, voice: Voice, levels: Mapping[str, float | None], number: int = 1, *, seconds: float = _MEASURED,
    recorded: Recorded | None = None,
) -> float:  # fmt: skip
    """Estimate the linear gain that brings a pass, its parts at some levels (dB; None: silent), to the sheet's loudness.

    Measured over the first seconds; the parts lie in the middle, which is as loud (see :mod:`underbow.sound.mix`).
    """
    performance = _pass(sheet, number, 1, (), recorded=recorded)
    bars = sheet.melody.bars
    first = 1 if sheet.melody.pickup else 0
    stretch = _stretch(performance, bars, first, len(bars) - 1, voice.rate, lead=False)
    players = _Players(len(performance.parts), voice)
    players.enter(stretch, 0, fade=False)
    frames = min(round(seconds * voice.rate), max(stretch.end - stretch.begin, voice.rate // 2))
    block = players.block(frames)
    factors = [_factor(levels.get(part.name)) for part in performance.parts]
    mixed: Floats = np.asarray(np.array(factors, np.float32) @ block, np.float32)
    meter = LoudnessMeter(voice.rate, 1)
    meter.add(mixed[:, None])
    loudness = meter.integrated()
    gain = 10 ** ((sheet.loudness - loudness) / 20) if isfinite(loudness) else 1.0
    return float(min(gain, _MOST_GAIN))


def _factor(level: float | None) -> float:
    return 0.0 if level is None else float(10 ** (level / 20))


def _samples(block: Floats) -> bytes:
    return bytes((np.clip(block.T, -1, 1) * 32767).astype("<i2").tobytes())


def _json(data: object) -> bytes:
    return json.dumps(data, separators=(",", ":")).encode()
