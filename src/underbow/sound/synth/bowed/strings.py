"""Bowed strings, many side by side.

A string is two delay lines, one on each side of the bow: what the bow sends to the bridge comes back inverted after the time
that takes there and back, a little weaker and duller, and so from the finger. Where both meet, the bow drags: friction decides,
sample by sample, whether the string sticks to the hair or slips under it. Nothing reaches the bow sooner than by the shorter
way, so all samples of such a stretch are worked out in one go, for all strings at once: no loop runs over samples.

Strings of one stroke share a bridge, which gives way to their sum. The string also twists under the bow; such waves
run about five times as fast, come back from both ends and die soon. They go through one delay line, as if the bow stood
halfway: a stand-in that keeps what matters, a surface that gives way at once, but not for ever.

Friction: the hair grips up to ``GRIP`` times the bow's force, and slipping drags the less the faster it is, along a
hyperbola. Where that curve and the string's own resistance meet in three points, the string goes on as it was. While it slips,
the drag is rough.

Sources: delay lines, reflections, friction curve and its hysteresis: McIntyre, Schumacher and Woodhouse, On the oscillations of
musical instruments, JASA 74 (1983); torsion's part: Woodhouse and Loach, Acustica 85 (1999); roughness while slipping: Chafe
(1990); impedances about those in Pickering, The Bowed String (1991). From memory, but for the equations in
euphonics.org, 9.2 to 9.5 (J. Woodhouse). Numbers that no source gives were set so that the motion is the one that Helmholtz
saw, within the times that players allow it (see benchmarks/sound).

Conventions: SI units; velocities in m/s, forces in N; arrays have shape (frames or control points, strings) and are float32.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.bowed.exact import noise
from underbow.sound.voice.voices import Floats, Samples

STEP = 96  # frames from one control point to the next
BETA = 0.112  # where the bow stands, as a share of the open string from the bridge
GRIP, DRAG, GIVES = 1.1, 0.25, 0.15  # friction of sticking, of fast slipping; m/s in which it falls half the way
TORSION, UNTWIST, TWIST_SPEED = (
    0.5,
    0.6,
    5.2,
)  # impedance across over twisting; what comes back of a twist; its speed over theirs
BRIDGE = 60.0  # kg/s
ROUGH = 1.0  # how rough the drag is
REACH, _SPREAD, _LOOP = 6, 3, 1 << 17  # taps at the finger; frames between those at the bridge; frames of noise
_F = np.float32
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Wire:
    """A string.

    Parameters
    ----------
    impedance : float
        kg/s.
    loss : float
        What a wave loses at the bridge, whatever its frequency.
    dull : float
        Share of a wave that the bridge spreads to each side, three frames off.
    finger, nut : float
        Share that a finger, or the nut, spreads to each side, one frame off.
    unsure : float
        How much of the drag's roughness the grip has.
    """

    impedance: float
    loss: float
    dull: float
    finger: float
    nut: float
    unsure: float


WIRES = (
    Wire(0.33, 0.012, 0.24, 0.18, 0.10, 0.15),
    Wire(0.24, 0.012, 0.20, 0.16, 0.10, 0.20),
    Wire(0.20, 0.012, 0.11, 0.12, 0.06, 0.25),
    Wire(0.17, 0.010, 0.05, 0.08, 0.03, 0.30),
)


class Strings:
    """Strings in motion.

    Parameters
    ----------
    wires : sequence of Wire
        One for each string.
    hertz : shape (strings,)
        Frequencies of the open strings.
    strokes : shape (strings,)
        Number of each string's stroke, from 0 up without gaps.
    seeds : shape (strings,)
        Where each string's noise begins.
    weights : shape (strings,)
        How much of each string's motion at the bridge is heard, as N for each m/s.
    longest, shortest : float
        Frames that a wave takes to the finger and back, over all strings and times.
    rate : int
        Frames a second.
    """

    def __init__(
        self,
        wires: Sequence[Wire],
        hertz: Floats,
        strokes: Places,
        seeds: Places,
        weights: Floats,
        *,
        longest: float,
        shortest: float,
        rate: int,
    ) -> None:
        impedance = np.array([wire.impedance for wire in wires])
        self._impedance = impedance.astype(_F)
        self._give = (0.5 / impedance).astype(_F)
        self._stiff = (2 * impedance / (1 + TORSION)).astype(_F)
        self._soft = (0.5 * (1 + TORSION) / impedance).astype(_F)
        self._middle = np.array([1 - wire.loss - 2 * wire.dull for wire in wires], _F)
        self._sides = np.array([wire.dull for wire in wires], _F)
        self._unsure = np.array([wire.unsure for wire in wires], _F)
        self.bridge = bridge_frames(hertz, rate)
        self._twist = (rate / hertz / (2 * TWIST_SPEED)).astype(np.int64)
        self._strokes, self._seeds, self._weights = strokes, seeds, weights.astype(_F)
        reach = int(min(self.bridge.min() - _SPREAD, self._twist.min(), shortest - 2))
        self._block = next(
            STEP // parts for parts in range(1, STEP + 1) if STEP % parts == 0 and STEP // parts <= reach
        )
        self._keep = int(longest) + REACH + 4
        self._lines = [np.zeros((self._keep + 8 * STEP, len(wires)), _F) for _ in range(3)]
        self._at, self._frame = self._keep, 0
        self._sticks = np.ones(len(wires), np.int16)
        self._ramp = (np.arange(STEP) / STEP).astype(_F)[:, None]
        self._noise = noise(_LOOP, 5).astype(_F) * _F(ROUGH)
        self._turn = (-2 * UNTWIST * 0.5 * TORSION / impedance).astype(_F)
        self._lay_out()

    def _lay_out(self) -> None:
        """Work out where in the delay lines each string's waves are found."""
        count, block = len(self._impedance), self._block
        column = np.arange(count)
        self._firsts = np.flatnonzero(np.diff(self._strokes, prepend=-1))
        self._from_bridge = (np.arange(-_SPREAD, block + _SPREAD)[:, None] - self.bridge) * count + column
        self._from_finger = np.arange(1 - REACH, block)[:, None] * count + column
        self._states = np.empty((block + 1, count), np.int16)
        self._times = np.arange(2, 2 * block + 2, 2, dtype=np.int16)[:, None]
        self._untwisted = (np.arange(block)[:, None] - self._twist) * count + column

    def keep(self, count: int) -> None:
        """Go on with the first so many strings only."""
        if count == len(self._impedance):
            return
        for name in (
            "_impedance",
            "_give",
            "_turn",
            "_weights",
            "_stiff",
            "_soft",
            "_middle",
            "_sides",
            "_unsure",
            "bridge",
            "_twist",
            "_strokes",
        ):
            setattr(self, name, getattr(self, name)[:count])
        self._seeds, self._sticks = self._seeds[:count], self._sticks[:count]
        self._lines = [np.ascontiguousarray(line[:, :count]) for line in self._lines]
        self._lay_out()

    def run(
        self, speed: Samples, force: Samples, delay: Places, taps: Samples, seen: list[Samples] | None = None
    ) -> Samples:
        """Move on by one control step.

        Parameters
        ----------
        speed, force : shape (2, strings)
            Of the bow, at the step's beginning and end.
        delay : shape (strings,)
        taps : shape (REACH, strings)
            The finger's reflection: taps, and the frames before the first.
        seen : list, optional
            Takes the string's velocity under the bow, shape (frames, strings) for each stretch.

        Returns
        -------
        shape (STEP, strokes)
            Each stroke's force on the bridge, its strings weighted.
        """
        if self._at + STEP > len(self._lines[0]):
            for line in self._lines:
                line[: self._keep] = line[self._at - self._keep : self._at]
            self._at = self._keep
        count, block = len(self._impedance), self._block
        to_bridge, to_finger, twisting = (line.reshape(-1) for line in self._lines)
        from_finger = self._from_finger - delay * count
        bow = speed[0] + (speed[1] - speed[0]) * self._ramp
        press = (force[0] + (force[1] - force[0]) * self._ramp) * self._soft
        grip, holds = self._gripped(press)
        out = np.empty((STEP, len(self._firsts)), _F)
        for begin in range(0, STEP, block):
            here = slice(begin, begin + block)
            now, place = slice(self._at, self._at + block), self._at * count
            wave = to_bridge.take(self._from_bridge + place)
            back = wave[_SPREAD:-_SPREAD] * self._middle
            wave = wave[: -2 * _SPREAD] + wave[2 * _SPREAD :]
            wave *= self._sides
            back += wave
            np.add.reduceat(back * self._weights, self._firsts, axis=1, out=out[here])
            push = np.add.reduceat(back * self._impedance, self._firsts, axis=1)
            np.subtract((push * _F(2 / BRIDGE)).take(self._strokes, axis=1), back, out=back)
            wave = to_finger.take(from_finger + place)
            stopped = wave[REACH - 1 :] * taps[0]
            for tap in range(1, REACH):
                stopped += wave[REACH - 1 - tap : REACH - 1 - tap + block] * taps[tap]
            twist = twisting.take(self._untwisted + place)
            string = back + stopped
            need = bow[here] - string
            need -= twist
            drag = self._dragged(need, grip[here], holds[here])
            twist *= _F(-UNTWIST)
            np.add(twist, drag * self._turn, out=self._lines[2][now])
            drag *= self._give
            np.add(stopped, drag, out=self._lines[0][now])
            np.add(back, drag, out=self._lines[1][now])
            if seen is not None:
                seen.append(string + drag)
            self._at += block
        self._frame += STEP
        return out

    def _gripped(self, press: Samples) -> tuple[Samples, Samples]:
        """Give by how much the bow drags, a unit of friction, while the string slips, and how much it holds while it sticks."""
        places = (self._seeds + (self._frame + np.arange(STEP)[:, None])) & (_LOOP - 1)
        rough = self._noise.take(places)
        holds = rough * self._unsure
        holds += _F(1)
        holds *= press
        holds *= _F(GRIP)
        rough += _F(1)
        np.maximum(rough, _F(0.05), out=rough)
        rough *= press
        return rough, holds

    def _dragged(self, need: Samples, grip: Samples, holds: Samples) -> Samples:
        """Give the bow's drag on each string: what it takes to stick, or what slipping leaves.

        ``need`` is by how much the surface would differ from the bow's speed without a drag; ``grip`` and ``holds`` are in the
        same measure. Slipping by x, the drag is ``grip * (DRAG + (GRIP - DRAG) * GIVES / (GIVES + x))`` and makes ``need``
        smaller by as much, down to x: a quadratic equation, of which the larger solution is the one that lasts.
        """
        size = np.abs(need)
        slip = size - grip * _F(DRAG)
        root = slip + _F(GIVES)
        root *= root
        root -= grip * _F(4 * GIVES * (GRIP - DRAG))
        slip -= _F(GIVES)
        must = size > holds
        cannot = root < 0
        np.maximum(root, _F(0), out=root)
        np.sqrt(root, out=root)
        slip += root
        slip *= _F(0.5)
        cannot |= slip <= 0
        # Where both would do, the string goes on as it was: the last sure state, counted in twos, the lowest bit saying which.
        states = self._states
        states[0] = self._sticks
        np.multiply(must | cannot, self._times, out=states[1:])
        states[1:] += cannot > must
        np.maximum.accumulate(states, axis=0, out=states)
        states &= 1
        self._sticks = states[-1].copy()
        slip *= states[1:] == 0
        size -= slip
        np.copysign(size, need, out=size)
        size *= self._stiff
        return size


def bridge_frames(hertz: Floats, rate: int) -> Places:
    """Give the frames that a wave takes from the bow to the bridge and back.

    >>> bridge_frames(np.array([196.0, 659.3]), 88_200).tolist()
    [50, 15]
    """
    return np.asarray(np.maximum(np.rint(BETA * rate / hertz), _SPREAD + 2).astype(np.int64))


def stopped_by(frames: Floats, spread: Floats, kept: Floats) -> tuple[Places, Samples]:
    """Give the reflection at the finger.

    Parameters
    ----------
    frames : shape (points, strings)
        That a wave takes to the finger and back, not whole.
    spread, kept : shape (points, strings)
        Share that goes to each side, one frame off, and what comes back of it all.

    Returns
    -------
    delay : shape (points, strings)
    taps : shape (points, REACH, strings)
        A third-order Lagrange interpolation, spread.
    """
    whole = np.floor(frames)
    part = 1.0 + (frames - whole)
    between = (
        -(part - 1) * (part - 2) * (part - 3) / 6,
        part * (part - 2) * (part - 3) / 2,
        -part * (part - 1) * (part - 3) / 2,
        part * (part - 1) * (part - 2) / 6,
    )
    taps = np.zeros((len(frames), REACH, frames.shape[1]))
    for first, weight in enumerate((spread * kept, (1 - 2 * spread) * kept, spread * kept)):
        for tap, share in enumerate(between, first):
            taps[:, tap] -= weight * share
    return whole.astype(np.int64) - 2, taps.astype(_F)
