"""Every choice for every chord, with its cost and why: as plain data and as lines to read."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from underbow.fiddle.shapes.cost import WEIGHTS, Cost, Weights, cost_of
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.remarks import also_fits
from underbow.fiddle.shapes.search import PLAIN, Technique, shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord


def shapes_json(
    chords: Sequence[Chord],
    tuning: Tuning,
    pair: tuple[int, int],
    pinned: Mapping[str, str] | None = None,
    technique: Technique = PLAIN,
    *,
    seconds: float = 2.0,
    weights: Weights = WEIGHTS,
) -> list[dict[str, Any]]:
    """List every chord's shapes as plain data, the one chosen in this progression first, the others by cost.

    Parameters
    ----------
    chords : sequence of Chord
        In the order played.
    tuning, pair, pinned, technique, weights
        As for :func:`underbow.fiddle.shapes.path.solve`.
    seconds : float
        How long a chord lasts.

    Returns
    -------
    list of dict
        ``{"chord", "choices": [{"label", "strings", "fingers", "position", "notes", "midi", "degrees", "cost", "why",
        "fits"}]}``; strings, fingers and notes from the lower string up, ``fits`` the other major and minor chords that
        have these notes. No choices where nothing can be played.

    >>> first = shapes_json([Chord.parse("C")], Tuning.parse("GDAE"), (0, 1))[0]["choices"][0]
    >>> {key: first[key] for key in ("strings", "fingers", "notes", "midi", "degrees", "fits")}
    {'strings': ['G', 'D'], 'fingers': [3, 1], 'notes': ['C4', 'E4'], 'midi': [60, 64], 'degrees': ['1', '3'], 'fits': ['Am']}
    """
    return [
        {
            "chord": str(chord),
            "choices": [
                {
                    "label": shape.label,
                    "strings": [str(tuning.strings[string].pitch_class) for string in shape.strings],
                    "fingers": list(shape.fingers),
                    "position": shape.position,
                    "notes": [str(note) for note in shape.spelled(chord)],
                    "midi": list(shape.midi),
                    "degrees": list(shape.degrees(chord)),
                    "cost": round(cost.total, 2),
                    "why": [f"{reason}: {points:g}" for reason, points in cost.items],
                    "fits": [str(other) for other in also_fits(shape, chord)],
                }
                for shape, cost in choices
            ],
        }
        for chord, choices in _ranked(chords, tuning, pair, pinned, technique, seconds=seconds, weights=weights)
    ]


def list_text(
    chords: Sequence[Chord],
    tuning: Tuning,
    pair: tuple[int, int],
    pinned: Mapping[str, str] | None = None,
    technique: Technique = PLAIN,
    *,
    seconds: float = 2.0,
    weights: Weights = WEIGHTS,
) -> str:
    """Say the same in lines to read: the chosen shape marked ``>``, what each one costs, and why.

    >>> print(list_text([Chord.parse("Bm")], Tuning.parse("GDAE"), (0, 1))[:121])
    Bm
    > 2-0     B3 D4    1 b3   1.20  finger 2: 1; clear of the open string: 0.2; fits
                                    G too
    """
    lines: list[str] = []
    for chord, choices in _ranked(chords, tuning, pair, pinned, technique, seconds=seconds, weights=weights):
        lines.append(str(chord))
        for i, (shape, cost) in enumerate(choices):
            notes, degrees = " ".join(map(str, shape.spelled(chord))), " ".join(shape.degrees(chord))
            why = [f"{reason}: {points:g}" for reason, points in cost.items]
            why += [f"fits {', '.join(map(str, fitting))} too" for fitting in [also_fits(shape, chord)] if fitting]
            head = f"{'>' if i == 0 else ' '} {shape.label:<7} {notes:<8} {degrees:<5} {cost.total:>5.2f}  "
            lines += textwrap.wrap("; ".join(why), 80, initial_indent=head, subsequent_indent=" " * len(head)) or [head]
    return "\n".join(lines)


def _ranked(
    chords: Sequence[Chord],
    tuning: Tuning,
    pair: tuple[int, int],
    pinned: Mapping[str, str] | None,
    technique: Technique,
    *,
    seconds: float,
    weights: Weights,
) -> Iterator[tuple[Chord, list[tuple[HandShape, Cost]]]]:
    """Each chord with its shapes: the chosen one, then the others on the strings asked for by cost."""
    chosen = solve([Step(chord, seconds) for chord in chords], tuning, pair, pinned, technique, weights=weights).shapes
    others = tuple(dict.fromkeys(chords))
    for chord, first in zip(chords, chosen, strict=True):
        if first is None:
            yield chord, []
            continue
        rest = shapes_for(chord, tuning, pair, technique, others=others, weights=weights)
        shapes = dict.fromkeys((first, *rest))
        yield (
            chord,
            [(shape, cost_of(shape, chord, modal=technique.modal, others=others, weights=weights)) for shape in shapes],
        )
