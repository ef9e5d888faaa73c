"""One shape for a chord: which shape is each chord's usual one, and where a second one is worth its price.

Every chord has one *usual* shape, and each time that it is played in another costs a stated price. Given the usual shapes the
cheapest path is found exactly, by dynamic programming over the steps (Bellman's principle of optimality: the best way to a
shape goes by the best way to one of the shapes before it). The usual shapes are found by branch and bound (Land and Doig,
1960): chords whose usual shape is not decided yet may change shape for nothing, so the cheapest path then is a lower bound.
Where such a path gives some chord two shapes, the search branches on that chord; where it gives none, it is
the answer. Nodes are taken by rising bound, so the first path without an undecided chord in two shapes is the best of all.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import add, itemgetter

Row = tuple[float, ...]
Matrix = tuple[Row, ...]
WORK = 20_000  # steps laid before the search gives up proving; a tune needs a few hundred


@dataclass(frozen=True, slots=True)
class Layers:
    """A progression as the search sees it.

    Parameters
    ----------
    chords : tuple of int
        The chord of each step, numbered from 0.
    own : tuple of tuple of float
        For each chord, what each of its shapes costs each time it is played.
    changes : tuple of tuple of tuple of float
        For each change from a step to the next: a row for each shape after it, a column for each before it.
    seam : the same or None
        The change from the last step to the first, where the progression goes round.
    """

    chords: tuple[int, ...]
    own: tuple[Row, ...]
    changes: tuple[Matrix, ...]
    seam: Matrix | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """The answer: the index of a shape for each step, the cost with the price of second shapes, and whether it is proved best."""

    shapes: tuple[int, ...]
    cost: float
    proved: bool = True


def steadiest(layers: Layers, again: float, work: int = WORK) -> Taken:
    """Find the cheapest path, each chord having one usual shape and paying ``again`` whenever it takes another.

    Parameters
    ----------
    layers : Layers
        At least one step.
    again : float
        The price, >= 0; with 0 it is the cheapest path of all.
    work : int
        Steps that may be laid before the best path found so far is given, not proved to be the best.

    >>> changes = (((0.0, 0.0),), ((0.0,), (0.0,)), ((3.0, 0.0),))
    >>> [steadiest(Layers((0, 1, 0, 1), ((1.0, 1.5), (0.0,)), changes), again).shapes for again in (0.0, 4.0)]
    [(0, 0, 1, 0), (1, 0, 1, 0)]
    """
    choices = _worth_trying(layers)
    found = _search(_only(layers, choices), again, work)
    shapes = tuple(choices[chord][shape] for chord, shape in zip(layers.chords, found.shapes, strict=True))
    return Taken(shapes, found.cost, found.proved)


def usual_shapes(chords: Sequence[int], shapes: Sequence[int]) -> dict[int, int]:
    """The shape that each chord is played in most often; the earlier one where two are even.

    >>> usual_shapes((0, 1, 0, 0), (2, 5, 3, 3))
    {0: 3, 1: 5}
    """
    counts: dict[int, Counter[int]] = {}
    for chord, shape in zip(chords, shapes, strict=True):
        counts.setdefault(chord, Counter())[shape] += 1
    return {chord: count.most_common(1)[0][0] for chord, count in counts.items()}


def _search(layers: Layers, again: float, work: int) -> Taken:
    root = _cheapest(layers, {}, again)
    if not again:
        return root
    order = 0  # a node made earlier comes first among equals
    nodes: list[tuple[float, int, Taken, dict[int, int]]] = [(root.cost, order, root, {})]
    while True:
        _, _, path, usual = heapq.heappop(nodes)
        divided = _most_divided(layers, path, usual)
        if divided is None:
            return path
        work -= len(layers.chords) * len(layers.own[divided])
        if work < 0:
            return _settled(layers, path, usual, again)
        for shape in range(len(layers.own[divided])):
            order += 1
            child = usual | {divided: shape}
            found = _cheapest(layers, child, again)
            heapq.heappush(nodes, (found.cost, order, found, child))


def _most_divided(layers: Layers, path: Taken, usual: dict[int, int]) -> int | None:
    """Of the chords not decided yet the one that is played in other shapes than its usual one most often; None where none is."""
    most = usual_shapes(layers.chords, path.shapes)
    others = Counter(
        chord
        for chord, shape in zip(layers.chords, path.shapes, strict=True)
        if chord not in usual and shape != most[chord]
    )
    return max(others, key=lambda chord: (others[chord], -chord)) if others else None


def _settled(layers: Layers, path: Taken, usual: dict[int, int], again: float) -> Taken:
    """Decide every chord as the path has it most often."""
    found = _cheapest(layers, usual_shapes(layers.chords, path.shapes) | usual, again)
    return Taken(found.shapes, found.cost, proved=False)


def _cheapest(layers: Layers, usual: dict[int, int], again: float) -> Taken:
    """The cheapest path with these usual shapes; going round, it is sought from each first shape in turn.

    A chord has a handful of shapes: tuples are as fast here as arrays would be, and nothing has to be loaded for them.
    """
    own = [
        [cost + again * (shape != usual.get(chord, shape)) for shape, cost in enumerate(costs)]
        for chord, costs in enumerate(layers.own)
    ]
    steps = [own[chord] for chord in layers.chords]
    if layers.seam is None:
        path, cost = _onward(steps[0], steps, layers.changes)
    else:
        begin = ([c if i == first else math.inf for i, c in enumerate(steps[0])] for first in range(len(steps[0])))
        path, cost = min(
            (_onward(best, steps, layers.changes, home) for best, home in zip(begin, layers.seam, strict=True)),
            key=itemgetter(1),
        )
    return Taken(tuple(path), cost)


def _onward(
    best: Sequence[float], own: Sequence[Sequence[float]], changes: Sequence[Matrix], home: Row | None = None
) -> tuple[list[int], float]:
    """The path from a first layer whose shapes cost ``best``, and its cost; ``home`` is what the change back costs."""
    came: list[list[int]] = []
    for change, here in zip(changes, own[1:], strict=True):
        through = [list(map(add, best, row)) for row in change]
        least = list(map(min, through))
        came.append([row.index(cost) for row, cost in zip(through, least, strict=True)])
        best = list(map(add, least, here))
    if home is not None:
        best = list(map(add, best, home))
    cost = min(best)
    path = [best.index(cost)]
    for back in reversed(came):
        path.append(back[path[-1]])
    return path[::-1], cost


def _joints(layers: Layers) -> Iterator[tuple[int, int, Matrix]]:
    """Every change as (chord before, chord after, matrix), each kind once: the pairs repeat all through a tune."""
    joints = list(zip(pairwise(layers.chords), layers.changes, strict=True))
    if layers.seam is not None:
        joints.append(((layers.chords[-1], layers.chords[0]), layers.seam))
    for (before, after), matrix in dict.fromkeys(joints):
        yield before, after, matrix


def _worth_trying(layers: Layers) -> list[list[int]]:
    """The shapes of each chord that no other shape of it beats wherever the chord stands.

    One beats another if it is cheaper even where the changes on both sides speak against it most. All the places of the
    one can then be given to the other, which makes no second shape that was not there.
    """
    choices = [list(range(len(costs))) for costs in layers.own]
    into: list[list[list[Row]]] = [
        [] for _ in choices
    ]  # for each chord the changes to it, a row for each of its shapes
    out: list[list[list[Row]]] = [[] for _ in choices]
    for before, after, matrix in _joints(layers):
        into[after].append(list(matrix))
        out[before].append(list(zip(*matrix, strict=True)))
    for chord, costs in enumerate(layers.own):
        for shape in sorted(choices[chord], key=lambda shape: -costs[shape]):
            if any(
                other != shape
                and costs[other] + _worst(into[chord], other, shape) + _worst(out[chord], other, shape) < costs[shape]
                for other in choices[chord]
            ):
                choices[chord].remove(shape)
    return choices


def _worst(sides: list[list[Row]], other: int, shape: int) -> float:
    """How much dearer a change can be with one shape than with another."""
    return max((now - was for rows in sides for now, was in zip(rows[other], rows[shape], strict=True)), default=0.0)


def _only(layers: Layers, choices: list[list[int]]) -> Layers:
    """The same progression with these shapes alone."""

    def pick(matrix: Matrix, before: int, after: int) -> Matrix:
        return tuple(tuple(matrix[row][column] for column in choices[before]) for row in choices[after])

    seen: dict[tuple[int, int, Matrix], Matrix] = {}
    changes = []
    for (before, after), matrix in zip(pairwise(layers.chords), layers.changes, strict=True):
        key = (before, after, matrix)
        if key not in seen:
            seen[key] = pick(matrix, before, after)
        changes.append(seen[key])
    return Layers(
        layers.chords,
        tuple(tuple(costs[shape] for shape in choices[chord]) for chord, costs in enumerate(layers.own)),
        tuple(changes),
        pick(layers.seam, layers.chords[-1], layers.chords[0]) if layers.seam is not None else None,
    )
