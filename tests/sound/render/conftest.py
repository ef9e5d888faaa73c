"""Small performances made by hand, for tests of sound that shall not hang on how sheets are played."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from underbow.fiddle.tuning import Tuning
from underbow.sound.soundfont.banks import Bank, find_banks
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.track.performance import Gesture, Manner, Part, Pass, Performance, Sounded
from underbow.track.ramp import Ramp, tempo_map
from underbow.track.recurring import Recurring
from underbow.track.timeline import PlayedBar, Stretch, Timeline

BAR = Fraction(4)


def _stroke(start: object, length: object, *midis: int, level: float = 0.0, bow: str = "d") -> Gesture:
    at, long = Fraction(str(start)), Fraction(str(length))
    return Gesture(Manner.BOW, tuple(Sounded(at, long, midi, level, i) for i, midi in enumerate(midis)), bow)


def _click(start: object, level: float = 0.0) -> Gesture:
    return Gesture(Manner.CLICK, (Sounded(Fraction(str(start)), Fraction(1, 4), 76, level),))


@pytest.fixture(scope="session")
def stroke() -> Callable[..., Gesture]:
    """Give a bow stroke: start, length (quarters), MIDI numbers; level in dB, bow."""
    return _stroke


@pytest.fixture(scope="session")
def click() -> Callable[..., Gesture]:
    """Give a click: start, level."""
    return _click


@pytest.fixture(scope="session")
def make() -> Callable[..., Performance]:
    """Make a performance: parts by name, over passes of so many bars of 4/4 after a bar of count-in."""

    def make(
        parts: dict[str, tuple[int, Sequence[Gesture]]],
        *,
        ramp: Ramp,
        bars: int = 1,
        title: str = "A test piece",
        concert_pitch: float = 440.0,
    ) -> Performance:
        length = BAR * bars
        starts = [BAR + length * i for i in range(ramp.passes)]

        def kept(items: list[Any]) -> Recurring[Any]:
            return Recurring(items, (), 0, lambda item, passes: item)

        return Performance(
            title=title,
            key=Key.parse("G"),
            meter=Meter.parse("4/4"),
            parts=tuple(Part(name, program, tuple(gestures)) for name, (program, gestures) in parts.items()),
            passes=tuple(
                Pass(i + 1, 1, i + 1, start, start, length, *span)
                for i, (start, span) in enumerate(zip(starts, ramp.spans, strict=True))
            ),
            timeline=Timeline(
                tuned=Fraction(0),
                count_in=BAR,
                starts=tuple(starts),
                lengths=(length,) * ramp.passes,
                tempo=tempo_map(ramp, BAR, (length,) * ramp.passes),
                stretches=(Stretch(range(ramp.passes), starts[0], starts[-1] + length, starts[-1]),),
                whole_bars=kept([]),
                heard=kept([]),
                bars=kept(
                    [
                        PlayedBar(i + 1, bar + 1, 1, start + BAR * bar, BAR, "A", ("G",))
                        for i, start in enumerate(starts)
                        for bar in range(bars)
                    ]
                ),
                chords=kept([]),
            ),
            tuning=Tuning.parse("GDAE"),
            concert_pitch=concert_pitch,
        )

    return make


@pytest.fixture(scope="session")
def quartet(make: Callable[..., Performance]) -> Performance:
    """Three passes of two bars, 100 to 132: four parts."""
    ramp = Ramp("steps", 100, 132, 3)
    melody, backup, rhythm = [], [], []
    tune = [67, 71, 74, 79, 78, 74, 72, 69]
    for beat in range(4, 28):
        at = Fraction(beat)
        melody += [
            _stroke(at + Fraction(half, 2), "1/2", tune[(2 * beat + half) % 8], level=-2.0 * half, bow="du"[half])
            for half in range(2)
        ]
        backup.append(_stroke(at, "1/2", 55, 62, level=-6.0, bow="d"))
        backup.append(_stroke(at + Fraction(1, 2), "1/2", 55, 62, level=-2.0, bow="u"))
        rhythm.append(Gesture(Manner.PLUCK, (Sounded(at, Fraction(1), 43 + 7 * (beat % 2), -4.0),)))
    clicks = [_click(beat, 0.0 if beat % 4 == 0 else -4.0) for beat in range(28)]
    parts = {"melody": (40, melody), "backup": (40, backup), "rhythm": (25, rhythm), "click": (-1, clicks)}
    return make(parts, ramp=ramp, bars=2)


@pytest.fixture(scope="session")
def small_bank() -> Path:
    """The small bank that pretty_midi brings along: the same wherever the tests run."""
    return next(bank.path for bank in find_banks() if bank.path.name == "TimGM6mb.sf2")


@pytest.fixture(scope="session")
def banks(fluidsynth_library: str) -> tuple[Bank, ...]:
    """All banks of this machine, where FluidSynth is."""
    return find_banks()
