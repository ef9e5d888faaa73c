"""A recording of somebody playing a tune, laid on its bars: when each was played, how sure that is, and what is in doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from underbow.ear.melody.doubts import bar_doubts, flaws, refused
from underbow.ear.melody.heard import Alignment, BarHeard
from underbow.ear.melody.onsets import Placed, Sight, place_notes
from underbow.ear.melody.route import HOP, Leg, find_route
from underbow.ear.melody.salience import salience, tuned_at
from underbow.ear.pitch import Spectrum, hertz
from underbow.ear.recording import Recording
from underbow.ear.spectra import RATE, Floats
from underbow.errors import InputError
from underbow.sound.samples import cut
from underbow.tune.tune import Bar, Melody

_WINDOW = 2048
_PLAIN = 0.3  # clearness that a note must reach to hold a bar line or a beat
FITS = 0.5  # what a note must reach to be taken for played where it was placed
_OFF = 0.25  # of a beat by which a beat may lie off where the bar has it evenly, and still be believed

Fixed = Mapping[tuple[int, int], float]


def align(recording: Recording, melody: Melody, per_minute: float, fixed: Fixed | None = None) -> Alignment:
    """Lay a recording on a melody.

    Parameters
    ----------
    recording : Recording
        Of the tune once or several times through, with or without its repeats; before and after it there may be anything.
    melody : Melody
        The tune as written, its repeats written out.
    per_minute : float
        Quarters a minute that are about expected; half and double as many are found as well.
    fixed : mapping of (int, int) to float, optional
        Bar lines that are known: printed bar and how-manieth time in the recording, and second.

    Returns
    -------
    Alignment

    Raises
    ------
    InputError
        Where the recording is no good (silent, clipped, spoken), or of another tune.

    Notes
    -----
    First the way through the tune is found (:mod:`~underbow.ear.melody.route`), then the beginning of each note near it
    (:mod:`~underbow.ear.melody.onsets`). A bar line lies where its first note begins; where none does, between its neighbours.
    """
    sound = recording.sound
    first, _ = tuned_at(sound)
    clear, level = salience(sound, HOP, _WINDOW, first)
    refused(recording, clear, level)
    route = find_route(clear, level, melody, per_minute, _places(melody, fixed or {}))
    refused(recording, clear, level, route=route, melody=melody, per_minute=per_minute)
    sight = Sight.of(sound, first)
    legs = [(leg, _bars_in(leg, melody)) for leg in route.legs]
    held = _held(legs, melody, fixed or {})
    times: dict[int, int] = {}
    bars: list[BarHeard] = []
    notes: list[Placed] = []
    for (leg, inside), known in zip(legs, held, strict=True):
        within = [
            (at, note)
            for at, note in enumerate(melody.notes)
            if inside and melody.bars[inside[0]].start <= note.start < melody.bars[inside[-1]].end
        ]
        starts = {note.start: at for at, note in within}
        placed = place_notes(sight, leg, within, {starts[at]: second for at, second in known.items() if at in starts})
        notes += placed
        bars += _heard(placed, leg, [(at, melody.bars[at]) for at in inside], known, times)
    bars = [
        replace(bar, doubts=doubts) for bar, doubts in zip(bars, bar_doubts(bars, notes, melody, sight), strict=True)
    ]
    return Alignment(
        tuple(bars), tuple(notes), _pitch(sound, notes, first), route.fits, tuple(flaws(sound, clear, level))
    )


def _places(melody: Melody, fixed: Fixed) -> dict[int, tuple[Fraction, ...]]:
    out: dict[int, tuple[Fraction, ...]] = {}
    for (number, _), second in fixed.items():
        out[round(second * RATE / HOP)] = tuple(bar.start for bar in melody.bars if bar.number == number)
    return out


def _bars_in(leg: Leg, melody: Melody) -> list[int]:
    """The bars of a leg; one that was begun late or left early by a little is one."""
    return [
        at
        for at, bar in enumerate(melody.bars)
        if leg.start <= bar.start + min(float(bar.length) / 4, 0.6) and leg.end > bar.start + 0.6 * float(bar.length)
    ]


def _held(legs: Sequence[tuple[Leg, list[int]]], melody: Melody, fixed: Fixed) -> list[dict[Fraction, float]]:
    """For each leg the bar lines that are known, by their quarter.

    Raises
    ------
    InputError
        Where a bar isn't played so often.
    """
    out: list[dict[Fraction, float]] = [{} for _ in legs]
    times: dict[int, int] = {}
    found = set()
    for leg, (_, inside) in enumerate(legs):
        for at in inside:
            bar = melody.bars[at]
            times[bar.number] = times.get(bar.number, 0) + 1
            if (bar.number, times[bar.number]) in fixed:
                out[leg][bar.start] = fixed[bar.number, times[bar.number]]
                found.add((bar.number, times[bar.number]))
    missing = [key for key in fixed if key not in found]
    if missing:
        number, time = missing[0]
        raise InputError(
            f'bar_lines: the recording has bar {number} {times.get(number, 0)} times, not {time}; take "{number}.{time}" out'
        )
    return out


def _heard(
    placed: Sequence[Placed],
    leg: Leg,
    bars: Sequence[tuple[int, Bar]],
    known: Mapping[Fraction, float],
    times: dict[int, int],
) -> list[BarHeard]:
    """Lay the bar lines of a leg by its notes."""
    if not bars:
        return []
    plain = {
        one.note.start: one.seconds
        for one in placed
        if one.note.start in known or (one.clear >= _PLAIN and one.fits >= FITS)
    }
    lines = _rising({at: known[at] for at in known} | plain)
    quarters = np.array([float(at) for at in lines] or [leg.start, leg.end])
    seconds = np.array(list(lines.values()) or [leg.when(leg.start), leg.when(leg.end)])

    def when(at: Fraction) -> float:
        if quarters[0] <= float(at) <= quarters[-1]:
            return float(np.interp(float(at), quarters, seconds))
        edge = 0 if float(at) < quarters[0] else -1
        near = slice(None, 9) if edge == 0 else slice(-9, None)
        pace = float(np.ptp(seconds[near]) / max(np.ptp(quarters[near]), 1e-6)) if len(quarters) > 1 else 0.5
        return float(seconds[edge] + (float(at) - quarters[edge]) * pace)

    out = []
    for index, bar in bars:
        times[bar.number] = times.get(bar.number, 0) + 1
        begin, end = when(bar.start), when(bar.end)
        points = [(Fraction(0), begin)]
        for beat in bar.meter.beats[1:]:
            at = bar.start + beat - (bar.meter.bar - bar.length if bar.number == 0 else 0)
            if not bar.start < at < bar.end or at not in lines:
                continue
            even = begin + (end - begin) * float((at - bar.start) / bar.length)
            room = _OFF * (end - begin) * float(bar.meter.beat / bar.length)
            if abs(lines[at] - even) < room:
                points.append((at - bar.start, lines[at]))
        points.append((bar.length, end))
        inside = [one for one in placed if bar.start <= one.note.start < bar.end]
        sure = float(
            np.mean([0.3 + 0.7 * one.clear if one.fits >= FITS else 0.3 * one.fits for one in inside] or [0.5])
        )
        out.append(BarHeard(index, bar.number, times[bar.number], tuple(points), round(sure, 3)))
    return out


def _rising(points: Mapping[Fraction, float]) -> dict[Fraction, float]:
    """Leave out what would go back in time."""
    out: dict[Fraction, float] = {}
    last = -np.inf
    for at in sorted(points):
        if points[at] > last + 0.02:
            out[at] = last = points[at]
    return out


def _pitch(sound: Floats, notes: Sequence[Placed], first: float) -> float:
    """The player's A by the long notes, whose pitches are known now."""
    offs: list[float] = []
    for one, after in pairwise(notes):
        begin, end = one.seconds + 0.05, min(after.seconds - 0.02, one.seconds + 0.8)
        if end - begin > 0.12 and one.fits > 0.8:
            pitch = hertz(one.note.midi, first)
            cents = Spectrum(cut(sound, round(begin * RATE), round(end * RATE))).cents(pitch, [pitch])
            if cents is not None:
                offs.append(cents)
    return float(first * 2 ** (np.median(offs) / 1200)) if len(offs) >= 4 else first
