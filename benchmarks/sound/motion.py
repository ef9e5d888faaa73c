"""Draw how the fiddle's strings move: ``python benchmarks/sound/motion.py OUT.png``.

Left, the string's velocity under the bow on each open string: Helmholtz's motion sticks at the bow's speed for most of a
period and slips back once. Right, Schelleng's diagram: the largest and the smallest bow force that allow it, by where the bow
stands, for the D string at 0.3 m/s, and where our bow is for keys up to an octave above the open string, softest to hardest
accent.

Source: Schelleng, The bowed string and the player, JASA 53 (1973), as given in euphonics.org, 9.3.1; the resistance that
the smallest force depends on is the one that our string's losses at bridge and nut come to.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.bowed import strings
from underbow.sound.synth.bowed.hand import SOLO, Hand
from underbow.sound.synth.bowed.strings import BETA, BRIDGE, DRAG, GRIP, STEP, WIRES, Strings, stopped_by
from underbow.sound.synth.builtin import STANDARD
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

RATE, INNER = 44_100, 88_200
NAMES, COLOURS = "GDAE", ("#7a3b1d", "#b0662a", "#3b6e8f", "#334")


def stroke(string: int, midi: int, accent: int) -> Action:
    """Half a second of one note."""
    return Action(Manner.BOW, (ActionNote(0, RATE // 2, midi, 0.0, string),), bow="d", accent=accent)


def moved(hand: Hand, string: int) -> tuple[NDArray[np.float32], float]:
    """Give the velocity under the bow over three periods of an open string, and the bow's speed."""
    plan = hand.plan(stroke(string, STANDARD[string], 6), 1)
    (course,) = plan.courses
    natural = np.array([440 * 2 ** ((STANDARD[string] - 69) / 12)])
    frames = course.frames[:, None] - strings.bridge_frames(natural, INNER)
    delay, taps = stopped_by(frames, np.full(frames.shape, WIRES[string].nut), course.kept[:, None])
    one, ones = np.zeros(1, np.int64), np.ones(1)
    string_ = Strings(
        [WIRES[string]], natural, one, one, ones, longest=frames.max(), shortest=float(delay.min()) + 2, rate=INNER
    )
    speed, force = (values[:, None].astype(np.float32) for values in (plan.speed, course.force))
    seen: list[NDArray[np.float32]] = []
    last = int(0.4 * INNER) // STEP
    for point in range(last):
        string_.run(speed[point : point + 2], force[point : point + 2], delay[point], taps[point], seen)
    return np.concatenate(seen)[-round(3 * float(course.frames[last])) :, 0], float(plan.speed[last])


def main() -> None:
    """Draw."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("out", type=Path)
    hand = Hand(SOLO, STANDARD, 440.0, rate=RATE, inner=INNER)
    figure, (left, right) = plt.subplots(1, 2, figsize=(12, 4.5), layout="constrained")
    for string in range(4):
        velocity, bow = moved(hand, string)
        left.plot(np.linspace(0, 3, len(velocity)), velocity - 2.5 * string, color=COLOURS[string], linewidth=0.8)
        left.axhline(bow - 2.5 * string, color="#ccc", linewidth=0.6, zorder=0)
        left.text(3.02, bow - 2.5 * string, NAMES[string])
    left.set(xlabel="periods", ylabel="m/s, each string 2.5 lower", title="velocity under the bow (grey: the bow's)")
    beta, speed, wire = np.linspace(0.04, 0.3, 200), 0.3, WIRES[1]
    resistance = 2 * wire.impedance / (wire.loss + 2 * wire.impedance / BRIDGE + 0.004)
    most = 2 * wire.impedance * speed / (beta * (GRIP - DRAG))
    least = wire.impedance**2 * speed / (2 * resistance * beta**2 * (GRIP - DRAG))
    right.loglog(beta, most, color="#933", label="largest")
    right.loglog(beta, least, color="#369", label="smallest")
    for step in (0, 2, 4, 5, 7, 9, 12):
        places, forces = BETA * 2 ** (step / 12), []
        for accent in (1, 5, 9):
            plan = hand.plan(stroke(1, STANDARD[1] + step, accent), 1)
            middle = plan.early + int(0.25 * INNER) // STEP
            forces.append(float(plan.courses[0].force[middle] / plan.speed[middle]) * speed)
        right.plot([places] * 3, forces, "o", color="#333", markersize=3)
    right.set(xlabel="bow's distance from the bridge, share of the string", ylabel="bow force, N, at 0.3 m/s")
    right.set_title("Schelleng's diagram, D string; dots: our bow")
    right.legend(frameon=False)
    figure.savefig(asked.parse_args().out, dpi=90)


if __name__ == "__main__":
    main()
