"""How long the fiddle's strokes take to speak: ``python benchmarks/sound/attacks.py``.

A bowed string may creak, or slip too often, before it settles into Helmholtz's motion, one slip in a period. String players
accept that for about 50 ms where slips come late (a creaking start) and for about 90 ms where there are too many (a loose
one): Guettler and Askenfelt, Acceptance limits for the duration of pre-Helmholtz transients in bowed string attacks, JASA
101(5), 1997, pp. 2903-2913, as its abstract is cited: of 20 players who heard the open G; 10 and 18 of its periods.

Measured here on the strings themselves: from the first slip to the first of five periods in which the force on the bridge
repeats itself (correlation over 0.8, within 3 % of a period), and not twice or three times in a period. Beside it the rise
of the sound: from -20 dB to -3 dB of the stroke's middle, 5 ms windows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.bowed.fiddle import Fiddle
from underbow.sound.synth.bowed.hand import BACKING, SOLO, Hand, Style
from underbow.sound.synth.builtin import STANDARD, BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

RATE, INNER = 44_100, 88_200
LENGTH, REGULAR, NEAR, ALIKE = 0.4, 5, 0.03, 0.8
ACCENTS, STEPS = (1, 3, 5, 7, 9), (0, 2, 4, 5, 7)


def stroke(string: int, midi: int, accent: int, bow: str, *, solo: bool) -> Action:
    """A single note, with another one following at once."""
    note = ActionNote(0, round(LENGTH * RATE), midi, 0.0, string)
    return Action(Manner.BOW, (note,), bow=bow, accent=accent, joined=True, solo=solo, program=40 if solo else 110)


def starts(style: Style, number: int, strokes: Sequence[Action]) -> list[float]:
    """Move the strings of strokes of one note each; give the seconds that each takes to its regular motion."""
    hand, fiddle = Hand(style, STANDARD, 440.0, rate=RATE, inner=INNER), Fiddle(style, STANDARD, number, RATE)
    plans = dict(
        sorted(((at, hand.plan(action, at)) for at, action in enumerate(strokes)), key=lambda one: -one[1].points)
    )
    pushes = dict(zip(plans, fiddle._moved(list(plans.values())), strict=True))
    periods = (float(plans[at].courses[0].frames[plans[at].points // 2]) for at in range(len(strokes)))
    return [_start(pushes[at][: int(0.3 * INNER)], period) for at, period in enumerate(periods)]


def _start(push: NDArray[np.float32], period: float) -> float:
    """Seconds until the force on the bridge repeats itself period by period, and not in halves or thirds of one."""
    steep = np.abs(push[8:] - push[:-8])  # where it slips back
    push = push[int(np.argmax(steep > 0.3 * np.percentile(steep, 99))) :]
    size, near = round(period), round(NEAR * period)
    whole, half, third = (
        np.array(
            [_alike(push, at, at + round(share * period), size, near) for at in range(0, len(push) - 3 * size, size)]
        )
        for share in (1.0, 0.5, 1 / 3)
    )
    regular = (whole > ALIKE) & (half < ALIKE) & (third < ALIKE)
    lasting = np.convolve(regular, np.ones(REGULAR), "valid") == REGULAR
    return float(np.argmax(lasting) if lasting.any() else len(lasting)) * period / INNER


def _alike(push: NDArray[np.float32], at: int, other: int, size: int, near: int) -> float:
    """Correlate a period with a later stretch, where it fits best."""
    here, there = push[at : at + size], push[max(other - near, 0) : other + near + size]
    there = np.lib.stride_tricks.sliding_window_view(there, size)
    here, there = here - here.mean(), there - there.mean(axis=1, keepdims=True)
    return float((there @ here / np.sqrt((there**2).sum(axis=1) * (here @ here) + 1e-12)).max())


def rise(sound: NDArray[np.float32]) -> float:
    """Seconds in which a stroke's sound rises."""
    size = RATE // 200
    power = np.convolve(sound.astype(float) ** 2, np.full(size, 1 / size), "valid")
    level = 10 * np.log10(power / np.median(power[RATE // 8 : RATE // 4]) + 1e-12)
    return float(np.argmax(level > -3) - np.argmax(level > -20)) / RATE


def main() -> None:
    """Print a table."""
    voice = BuiltinVoice(RATE, computed=True)
    print("part, accent, bow: ms to regular motion, median, longest, share in 50 and in 90 ms; rise of the sound, ms")
    for name, style, number in (("melody", SOLO, 3), ("backup", BACKING, 11)):
        every = {
            (accent, bow): [
                stroke(string, STANDARD[string] + step, accent, bow, solo=number == 3)
                for string in range(4)
                for step in STEPS
            ]
            for accent in ACCENTS
            for bow in "du"
        }
        found = iter(starts(style, number, [action for actions in every.values() for action in actions]))
        sounds = dict(voice.side_by_side([action for actions in every.values() for action in actions]))
        for (accent, bow), actions in every.items():
            these = [next(found) for _ in actions]
            times = [1000 * start for start in these]
            rises = [1000 * rise(sounds[action]) for action in actions]
            within = [sum(time <= limit for time in times) / len(times) for limit in (50, 90)]
            print(
                f"{name} {accent} {bow}: {np.median(times):.0f}, {max(times):.0f}, {within[0]:.0%}, {within[1]:.0%}; "
                f"{np.median(rises):.0f}"
            )


if __name__ == "__main__":
    main()
