"""Chords for a bare tune, as a backup player would take them, with how sure they are and what else would do.

The chooser is a conditional random field trained on tunes with written chords (see :mod:`underbow.tune.harmony.model`). It
looks at the notes of each half bar and around it, weighted by length and beat, at passing notes and leaps, at where the
half bar lies in its bar, its phrase and its section, and at how chords follow each other in bars and over bar lines. What
is told of a bar is exact: all chords that could come before and after it are taken into account.

It works on the tune as it is written: what is repeated has the same chords each time, which are the ones that can
be written on the page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from itertools import combinations
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from underbow.errors import InputError, near_miss
from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.pitch import PitchClass
from underbow.theory.progression import ChordSpan, Progression
from underbow.tune.bars import printed_numbers
from underbow.tune.harmony.changes import changes_of
from underbow.tune.harmony.emission import emission
from underbow.tune.harmony.model import CHORDS, Solved, model_of, solve
from underbow.tune.harmony.seen import see
from underbow.tune.harmony.units import Array, Seen, Unit
from underbow.tune.keydoubt import in_key
from underbow.tune.tune import Measure, Tune

Style = Literal["usual", "few", "open"]
RUNNERS_UP = 3
DOUBTFUL = 0.6  # bars less sure than this get a question mark
_FEW = 3
_DOMINANT = 14
_CANDIDATES = 6  # chords from which the few are chosen
_PATTERNS = 8  # of a bar, from which the runners-up are chosen


@dataclass(frozen=True, slots=True)
class Choice:
    """Chords for a bar, and the share of the bar that can be expected to be right with them, in [0, 1]."""

    chords: tuple[Chord, ...]
    sureness: float


@dataclass(frozen=True, slots=True)
class SuggestedBar:
    """What is suggested for a bar as written.

    Parameters
    ----------
    number : int
        As printed, from 1.
    section : str
    measure : int
        Index of the written measure in ``tune.measures``.
    spans : tuple of ChordSpan
        Its chords in time, quarters from the measure's beginning.
    sureness : float
        The share of the bar that can be expected to be right, in [0, 1]: the mean probability of its chords over its length.
    runners_up : tuple of Choice
        What else would do, the best first; none is better than what was chosen.
    """

    number: int
    section: str
    measure: int
    spans: tuple[ChordSpan, ...]
    sureness: float
    runners_up: tuple[Choice, ...]

    @property
    def doubtful(self) -> bool:
        """Whether it is to be checked by ear."""
        return self.sureness < DOUBTFUL

    @property
    def chords(self) -> tuple[Chord, ...]:
        """Its chords in order."""
        return tuple(span.chord for span in self.spans if span.chord is not None)


@dataclass(frozen=True, slots=True)
class Harmony:
    """Chords suggested for a tune.

    Parameters
    ----------
    tune : Tune
        The tune with the chords written in: at every change, and where a section or an ending begins.
    bars : tuple of SuggestedBar
        Every bar as written.
    """

    tune: Tune
    bars: tuple[SuggestedBar, ...]

    @property
    def progression(self) -> Progression:
        """The changes by section, or bar by bar as played where a section does not have the same bars each time."""
        return changes_of(self.tune)

    @property
    def sureness(self) -> float:
        """Mean sureness of the bars."""
        return sum(bar.sureness for bar in self.bars) / len(self.bars)


def harmonise(tune: Tune, *, style: Style = "usual") -> Harmony:
    r"""Suggest chords for a tune; chords that it has are left out of account.

    Where the notes contradict the written key, they are heard in the one that fits (see :mod:`underbow.tune.keydoubt`).

    Parameters
    ----------
    tune : Tune
    style : {"usual", "few", "open"}
        What players of the collection would take; no more than three chords, the likeliest three for this tune; or fifths
        without a third, for modal tunes.

    Raises
    ------
    InputError
        If the tune has no notes, or the style isn't known.

    >>> from underbow.tune.abc.reader import read_abc
    >>> bare, = read_abc("X:1\nT:Scale\nM:2/4\nL:1/8\nK:G\nGB dB|ce dc|Bd GB|AF G2|]")
    >>> found = harmonise(bare)
    >>> str(found.progression).split()[1], 0 < found.bars[0].sureness <= 1
    ('G', True)
    """
    if style not in get_args(Style):
        raise InputError(f"no such style: {style!r}{near_miss(style, get_args(Style))}; write usual, few or open")
    if not any(measure.notes for measure in tune.measures):
        raise InputError("the tune has no notes, so there is nothing to find chords for")
    heard = in_key(tune)
    seen = see(heard)
    fits, steps = weighed(seen, heard.key.mode)
    keys = [heard.measures[unit.measure].key for unit in seen.units]
    if style == "few":
        fits = _only_few(fits, steps, seen)
    solved = solve(fits, steps)
    chosen = chosen_chords(solved, thirds=style != "open").tolist()
    names = _named(chosen, seen, keys, style)
    bars = tuple(_bars(tune, seen, solved, chosen=chosen, names=names, keys=keys, style=style))
    return Harmony(_written_in(tune, seen.units, names), bars)


def weighed(seen: Seen, mode: str) -> tuple[Array, Array]:
    """Score the chords of each unit, shape (n, 24), and the moves into it, shape (n, 24, 24), for :func:`~.model.solve`.

    The model's weights and what the network hears are two judges whose faults differ: both together are right more often.
    """
    model, heard = model_of(mode), emission()
    fits = heard.share * model.fits(seen) + heard.scores(seen, mode)
    return fits, model.steps(seen) ** heard.steps


def chosen_chords(solved: Solved, *, thirds: bool = True) -> NDArray[np.intp]:
    """Give the chord of each unit: 2 * semitones above the tonic, + 1 for minor.

    The likeliest root, then its likelier third: this gets more of the tune right than the likeliest path through all of it.
    """
    pairs = solved.probabilities.reshape(-1, CHORDS // 2, 2)
    roots = pairs.sum(axis=2).argmax(axis=1)
    minor = pairs[np.arange(len(roots)), roots].argmax(axis=1) if thirds else 0
    return np.asarray(roots * 2 + minor)


def _others(
    solved: Solved, shares: Array, heads: list[int], sizes: NDArray[np.intp], *, thirds: bool
) -> list[list[tuple[tuple[int, ...], float]]]:
    """For every bar the likeliest patterns of chords, one chord for each unit, and how sure each is, the surest first."""
    out: list[list[tuple[tuple[int, ...], float]]] = [[] for _ in heads]
    for size in {int(s) for s in sizes}:
        these = np.flatnonzero(sizes == size)
        first = np.asarray(heads)[these]
        joint = _joint(solved, first, size)
        if not thirds:
            joint = _rooted(joint, size)
        flat = joint.reshape(len(these), -1)
        best = np.argpartition(flat, -_PATTERNS, axis=1)[:, -_PATTERNS:]
        likely = np.take_along_axis(flat, best, 1)
        order = np.argsort(-likely, axis=1, kind="stable")
        best, likely = np.take_along_axis(best, order, 1), np.take_along_axis(likely, order, 1)
        chords = np.unravel_index(best, (CHORDS,) * size)
        sure = np.minimum(sum(shares[(first + k)[:, None], chords[k]] for k in range(size)), 1.0)
        order = np.argsort(-sure, axis=1, kind="stable")
        for i, row, chord, share, p in zip(
            these.tolist(), order.tolist(), np.stack(chords, -1).tolist(), sure.tolist(), likely.tolist(), strict=True
        ):
            out[i] = [(tuple(chord[k]), share[k]) for k in row if p[k] > 0]
    return out


def _joint(solved: Solved, heads: NDArray[np.intp], size: int) -> Array:
    """Probability of every pattern of chords of bars of so many units: shape (bars, 24, ... 24)."""
    out = solved.forward[heads]
    for k in range(1, size):
        out = out[..., None] * solved.steps[heads + k].reshape(len(heads), *(1,) * (k - 1), CHORDS, CHORDS)
    return np.asarray(out * solved.backward[heads + size - 1].reshape(len(heads), *(1,) * (size - 1), CHORDS))


def _rooted(joint: Array, size: int) -> Array:
    """Add minor chords to the major ones on the same root."""
    for axis in range(1, size + 1):
        joint = np.moveaxis(joint, axis, -1)
        both = np.zeros_like(joint)
        both[..., 0::2] = joint[..., 0::2] + joint[..., 1::2]
        joint = np.moveaxis(both, -1, axis)
    return joint


def _root(key: Key, chord: int) -> PitchClass:
    pitch = key.spell(60 + (key.tonic.number + chord // 2) % 12)
    return PitchClass(pitch.letter, pitch.alter)


@cache
def _chords(key: Key, style: Style, *, seventh: bool = False) -> tuple[Chord, ...]:
    """Spell the chords of a key, major ones with or without their sevenths."""
    return tuple(
        Chord(_root(key, chord), "5" if style == "open" else "m" if chord % 2 else "7" if seventh else "")
        for chord in range(CHORDS)
    )


def _only_few(fits: Array, steps: Array, seen: Seen) -> Array:
    """Keep the three chords with which the tune is likeliest, out of those that have most of it when all are free."""
    size = np.array([unit.end - unit.start for unit in seen.units])
    share = size @ solve(fits, steps).probabilities
    order = [int(chord) for chord in np.argsort(-share, kind="stable") if share[chord] > 0][:_CANDIDATES]
    best, total = fits, -np.inf
    for few in combinations(order, min(_FEW, len(order))):
        some = fits.copy()
        some[:, [chord for chord in range(CHORDS) if chord not in few]] = -np.inf
        if np.isfinite(some.max(axis=1)).all() and (found := solve(some, steps).total) > total:
            best, total = some, found
    return best


def _named(chosen: list[int], seen: Seen, keys: list[Key], style: Style) -> list[Chord]:
    """Spell the chosen chords, dominant sevenths where they lead on."""
    leading = _leading(chosen, seen) if style == "usual" else set()
    return [_chords(keys[n], style, seventh=n in leading)[chord] for n, chord in enumerate(chosen)]


def _leading(chosen: list[int], seen: Seen) -> set[int]:
    """Find the units whose major chord leads to the chord a fifth below as a seventh.

    In the last bar before the change, from where the melody has the seventh; without it, a dominant that closes a section.
    """
    out: set[int] = set()
    for n in range(1, len(chosen)):
        before, here = chosen[n - 1], chosen[n]
        if before == here or before % 2 or (before // 2 - here // 2) % 12 != 7 or seen.units[n].cut:
            continue
        first = n - 1
        while first and chosen[first - 1] == before and seen.units[first - 1].bar == seen.units[n - 1].bar:
            first -= 1
        has_it = [k for k in range(first, n) if seen.rings[k, 0, (before // 2 + 10) % 12] > 0]
        if has_it or (before == _DOMINANT and seen.units[n].left == 0):
            out.update(range(has_it[0] if has_it else first, n))
    return out


def _bars(
    tune: Tune, seen: Seen, solved: Solved, *, chosen: list[int], names: list[Chord], keys: list[Key], style: Style
) -> Iterator[SuggestedBar]:
    """Tell bar by bar what was chosen, how sure it is, and what else would do."""
    units = seen.units
    heads = [n for n, unit in enumerate(units) if n == 0 or unit.bar != units[n - 1].bar]
    sizes = np.diff([*heads, len(units)])
    right = solved.probabilities
    if style == "open":
        right = np.repeat(right[:, 0::2] + right[:, 1::2], 2, axis=1)
    long = np.array([unit.end - unit.start for unit in units])
    shares = right * (long / np.repeat(np.add.reduceat(long, heads), sizes))[:, None]  # of the bar
    surenesses = np.add.reduceat(shares[np.arange(len(units)), chosen], heads).tolist()
    printed = printed_numbers(tune)
    for place, size, sureness, patterns in zip(
        heads, sizes.tolist(), surenesses, _others(solved, shares, heads, sizes, thirds=style != "open"), strict=True
    ):
        inside = slice(place, place + size)
        spelled = _chords(keys[place], style)
        taken = {_without_repeats(chosen[inside])}
        others: list[Choice] = []
        for pattern, share in patterns:
            if len(others) == RUNNERS_UP:
                break
            numbers = _without_repeats(pattern)
            if numbers not in taken:
                others.append(Choice(tuple(spelled[number] for number in numbers), share))
                taken.add(numbers)
        measure = tune.measures[units[place].measure]
        yield SuggestedBar(
            number=max(printed[units[place].measure], 1),
            section=measure.section,
            measure=units[place].measure,
            spans=_spans(units[inside], names[inside]),
            sureness=min(sureness, 1.0),
            runners_up=tuple(others),
        )


def _without_repeats(chords: Sequence[int]) -> tuple[int, ...]:
    return tuple(chord for i, chord in enumerate(chords) if i == 0 or chord != chords[i - 1])


def _spans(units: tuple[Unit, ...], names: list[Chord]) -> tuple[ChordSpan, ...]:
    out: list[ChordSpan] = []
    for unit, name in zip(units, names, strict=True):
        start, end = _quarters(unit.start), _quarters(unit.end)
        if out and out[-1].chord == name:
            out[-1] = ChordSpan(out[-1].start, end - out[-1].start, name)
        else:
            out.append(ChordSpan(start, end - start, name))
    return tuple(out)


@lru_cache(maxsize=4096)
def _quarters(place: float) -> Fraction:
    return Fraction(place).limit_denominator(960)


def _written_in(tune: Tune, units: tuple[Unit, ...], names: list[Chord]) -> Tune:
    """Put the chords into the measures: where one changes, and where a section or an ending begins."""
    spans: dict[int, list[tuple[Fraction, Chord]]] = {}
    now: Chord | None = None
    for unit, name in zip(units, names, strict=True):
        if name == now and not unit.begins and not unit.cut:
            continue
        spans.setdefault(unit.measure, []).append((_quarters(unit.start), name))
        now = name
    return replace(
        tune, measures=tuple(_with_chords(measure, spans.get(i, [])) for i, measure in enumerate(tune.measures))
    )


def _with_chords(measure: Measure, begun: list[tuple[Fraction, Chord]]) -> Measure:
    """Write into a measure the chords that begin in it, each to the next one or to its end, in place of those it has."""
    if not begun and not measure.chords:
        return measure
    ends = [*(start for start, _ in begun[1:]), measure.length]
    chords = (ChordSpan(start, end - start, chord) for (start, chord), end in zip(begun, ends, strict=False))
    return replace(measure, chords=tuple(chords))
