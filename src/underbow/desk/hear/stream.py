"""Sound from any bar of any pass, made while it is heard.

Only one pass at a time is played, of it only the first bars at once and the rest while they are heard; only what begins after the
place asked for is sounded, and each block is given away as soon as it is made. So the first sound comes at once however long the
track is, and whatever has just been changed.

The parts stay apart and dry, so that the page can let the players stand nearer or farther while they play, all in one room (see
:mod:`underbow.desk.hear.room`). Its messages are

- ``J`` and JSON: first ``{"rate", "parts", "gain", "room"}``, then for each stretch ``{"pass", "tempo", "at", "bars", "notes"}``,
  with all places in frames from the stream's beginning; where it is counted in, ``"count": true`` and the bar to come;
  ``{"gain"}`` alone where it is known better by now;
- ``S`` and sound: 16-bit little-endian samples, the parts interleaved; all of it is to be played at ``gain``.

Each is preceded by its length in bytes, four bytes, little-endian, the letter counted.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from time import perf_counter
from typing import Any

import numpy as np

from underbow.desk.hear.passes import Passes, Played, Turn, after
from underbow.desk.hear.players import Floats, Players, Stretch
from underbow.desk.hear.prompt import Hurried
from underbow.errors import InputError
from underbow.track.recorded import Recorded
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Bar

__all__ = ["Asked", "listen", "message"]

LEAD = 0.02  # seconds before the bar line: a hand may be early
_FIRST, _BLOCK = 0.12, 0.5  # seconds of sound in a message
_SOON = 2  # bars that are played before the whole pass is


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

    @classmethod
    def read(cls, wanted: Mapping[str, Any], upto: int | None) -> Asked:
        """Read what the page asks for: ``{"bar", "time", "pass", "around", "counted"}``.

        >>> Asked.read({"bar": 5, "around": [5, 8]}, None).around
        (5, 8)
        """
        around = wanted.get("around")
        pair = (
            (int(around[0]), int(around[1]))
            if isinstance(around, list) and len(around) == 2 and all(map(_is_whole, around))
            else None
        )
        return cls(
            bar=_whole(wanted.get("bar"), 0),
            time=_whole(wanted.get("time"), 1),
            number=max(_whole(wanted.get("pass"), 1), 1),
            around=pair,
            upto=upto,
            counted=wanted.get("counted") is True,
        )


def message(kind: str, body: bytes) -> bytes:
    r"""Put one message of the stream together.

    >>> message("J", b"{}")
    b'\x03\x00\x00\x00J{}'
    """
    return struct.pack("<I", len(body) + 1) + kind.encode() + body


def listen(  # noqa: PLR0917
    sheet: Sheet,
    voice: Hurried,
    asked: Asked,
    gain: Callable[[], float] = lambda: 1.0,
    passes: Passes | None = None,
    recorded: Recorded | None = None,
) -> Iterator[bytes]:
    """Give the messages of a stream, as they are made.

    Parameters
    ----------
    sheet : Sheet
    voice : Hurried
    asked : Asked
    gain : callable
        Gives the gain as it is known by now, linear, for all parts alike: said to the page, which applies it.
    passes : Passes, optional
        Where whole passes are remembered.
    recorded : Recorded, optional
        What plays the melody instead of the voice.

    Raises
    ------
    InputError
        Where nothing of what is asked for can be heard.
    """
    rate, begun = voice.rate, perf_counter()
    passes = passes or Passes(rate)
    bars, ramp = sheet.melody.bars, sheet.ramp
    first, last = _range(bars, asked)
    turn = Turn(asked.number, 1, asked.parts, sheet.count_in if asked.counted else 0, recorded)
    frame, size, lead, told = 0, round(_FIRST * rate), True, gain()
    players: Players | None = None
    while True:
        played = passes.begun(sheet, turn, bars[min(first + _SOON, last)].end + bars[last].meter.bar)
        if players is None:
            names = [part.name for part in played.performance.parts]
            yield message("J", _json({"rate": rate, "parts": names, "gain": round(told, 5), "room": sheet.room}))
            players = Players(len(names), voice)
        for stretch, of in _stretches(sheet, passes, turn, played, (first, last), lead=lead):
            if of is not None:
                yield message("J", _json(_marks(sheet, played, of, frame) | {"pass": turn.number}))
            players.enter(stretch, frame, fade=lead and of is not None)
            asked_for, end = False, frame + stretch.end - stretch.begin
            while frame < end:
                size = min(size, end - frame)
                yield message("S", _samples(players.block(size)))
                frame, size = frame + size, round(_BLOCK * rate)
                if not asked_for:  # once the first sound is on its way
                    voice.ask(stretch.actions())
                    asked_for = True
                voice.allow((frame / rate - (perf_counter() - begun)) / 2)  # half of what has not been heard yet
                if gain() != told:
                    told = gain()
                    yield message("J", _json({"gain": round(told, 5)}))
        turn, lead = replace(turn, count=0), False
        if asked.around is not None:
            first = _range(bars, replace(asked, bar=asked.around[0]))[0]
            continue
        following = after(ramp, turn)
        if following is None or asked.upto is not None or asked.bars is not None:
            break
        lead = ramp.between > 0 and following[0] > turn.number
        turn = replace(turn, number=following[0], time=following[1], count=ramp.between if lead else 0)
        first = 0
    yield message("S", _samples(players.block(round(1.2 * rate))))


@dataclass(frozen=True, slots=True)
class _Of:
    """What is said of a stretch: the bars it plays and its frames in the pass; whether it counts in the one to come."""

    bars: Sequence[Bar]
    begin: int
    end: int
    count: bool = False


def _stretches(
    sheet: Sheet, passes: Passes, turn: Turn, played: Played, span: tuple[int, int], *, lead: bool
) -> Iterator[tuple[Stretch, _Of | None]]:
    """Part what is heard of a pass, from one bar to another: its count-in, its first bars, and the rest, which is played by then.

    What is to be said of a stretch is said once: None for the rest.
    """
    bars, (first, last) = sheet.melody.bars, span
    early = round(LEAD * played.rate) if lead else 0
    begin = played.frame(bars[first].start) - early
    one = played.performance.passes[0]
    end = played.at(one.end) if last == len(bars) - 1 else played.frame(bars[last].end)
    if turn.count:
        # Where it doesn't begin at the pass's first bar, the pickup's place is clicked as well.
        start = one.start if bars[first].start == 0 else one.downbeat
        clicks = [
            plan if part.name == "click" else None
            for part, plan in zip(played.performance.parts, played.plans, strict=True)
        ]
        stop = played.at(start) - round(LEAD * played.rate)
        yield Stretch(tuple(clicks), 0, stop), _Of(bars[first : first + 1], begin - stop, begin, count=True)
    halt = played.frame(bars[first + _SOON].start) if last > first + _SOON else end
    yield Stretch(played.plans, begin, halt, played.melody), _Of(bars[first : last + 1], begin, end)
    if halt < end:
        whole = passes.whole(sheet, turn)
        yield Stretch(whole.plans, halt, end, None if whole is played else whole.melody), None


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


def _marks(sheet: Sheet, played: Played, of: _Of, first: int) -> dict[str, Any]:
    """Say where in the stream the bars and the written notes of a stretch sound, of which a count-in has none."""

    def place(quarter: Fraction) -> int:
        return played.frame(quarter) - of.begin + first

    low, high = of.bars[0].start, of.bars[-1].end
    notes = (
        (note.start + later, measure, number) for note in sheet.melody.notes for later, measure, number in note.written
    )
    tempo = played.performance.passes[0].tempo
    return {
        "tempo": round(float(tempo.count), 1),
        "beat": tempo.beat_name,
        "at": first,
        "end": first + of.end - of.begin,
        "bars": [[place(bar.start), bar.number, bar.time, bar.measures[0][0]] for bar in of.bars],
        "notes": []
        if of.count
        else [[place(start), measure, number] for start, measure, number in notes if low <= start < high],
    } | ({"count": True} if of.count else {})


def _samples(block: Floats) -> bytes:
    return bytes((np.clip(block.T, -1, 1) * 32767).astype("<i2").tobytes())


def _json(data: object) -> bytes:
    return json.dumps(data, separators=(",", ":")).encode()


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _whole(value: object, otherwise: int) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else otherwise
