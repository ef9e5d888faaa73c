"""The network's arithmetic against the formulas written out, and what stands in its file."""

import json
import math
from importlib.resources import files

import numpy as np
import pytest

from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.emission import KINDS, NEAR, Emission, emission, places_of
from underbow.tune.harmony.harmonise import weighed
from underbow.tune.harmony.model import model_of
from underbow.tune.harmony.seen import see
from underbow.tune.harmony.units import GRID, RINGS, Seen
from underbow.tune.tune import Tune

FILE = files("underbow.tune.harmony").joinpath("emission.json")


def tune(key: str = "G", body: str = "GBdB c2ec|dfaf g2dB|cege BdgB|AFDF G4|") -> Tune:
    return read_abc(f"X:1\nM:4/4\nL:1/8\nK:{key}\n{body}\n")[0]


def logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x))


def cell(inputs, state, weights, state_weights, bias, state_bias):
    """One step of a gated recurrent unit, gate by gate (Cho and others 2014, as PyTorch's GRU documents it)."""
    width = len(state)
    given = [sum(inputs[i] * weights[i][k] for i in range(width)) + bias[k] for k in range(3 * width)]
    kept = [sum(state[i] * state_weights[i][k] for i in range(width)) + state_bias[k] for k in range(3 * width)]
    out = []
    for k in range(width):
        reset, update = logistic(given[k] + kept[k]), logistic(given[width + k] + kept[width + k])
        fresh = math.tanh(given[2 * width + k] + reset * kept[2 * width + k])
        out.append((1 - update) * fresh + update * state[k])
    return out


def by_hand(seen: Seen, mode: str) -> np.ndarray:
    """The scores, root by root and unit by unit, straight from the file."""
    table = json.loads(FILE.read_text(encoding="utf-8"))
    w = {
        name: np.array(row["numbers"]).reshape(row["shape"]) * row["scale"]
        for name, row in table.items()
        if isinstance(row, dict)
    }
    places = places_of(seen.units, mode)
    count, gates = len(seen.units), w["state"].shape[1]
    inputs = []
    for n in range(count):
        near = [*(seen.rings[n, RINGS.index(ring)] for ring in NEAR), *seen.grid[n], places[n]]
        inputs.append(np.maximum(np.concatenate(near) @ w["before"] + w["before bias"], 0))
    along = np.zeros((count, 2 * gates))
    for way, order in enumerate((range(count), reversed(range(count)))):
        state = [0.0] * gates
        for n in order:
            state = cell(inputs[n], state, w["input"][way], w["state"][way], w["input bias"][way], w["state bias"][way])
            along[n, way * gates : (way + 1) * gates] = state
    out = np.zeros((count, 24))
    for n in range(count):
        own = along[n] @ w["after"] + w["after bias"]
        for root in range(12):
            turned = np.roll(np.concatenate([seen.rings[n], seen.grid[n]]), -root, axis=1)  # the root comes first
            hidden = np.einsum("kt,kth->h", turned, w["tones"]) + w["hidden"][root] + places[n] @ w["places"][:, root]
            hidden = hidden + along[n] @ w["shifts"] + w["shifts bias"]
            out[n, 2 * root : 2 * root + 2] = np.maximum(hidden, 0) @ w["third"] + own[2 * root : 2 * root + 2]
    return out


@pytest.mark.parametrize(("key", "mode"), [("G", "major"), ("Em", "minor"), ("Ddor", "dorian")])
def test_the_scores_are_those_of_the_formulas(key: str, mode: str) -> None:
    seen = see(tune(key))
    np.testing.assert_allclose(emission().scores(seen, mode), by_hand(seen, mode), atol=1e-9)


def test_both_judges_are_weighed() -> None:
    seen = see(tune())
    fits, steps = weighed(seen, "major")
    heard, model = emission(), model_of("major")
    np.testing.assert_allclose(fits - heard.scores(seen, "major"), heard.share * model.fits(seen), atol=1e-9)
    np.testing.assert_allclose(steps, model.steps(seen) ** heard.steps)
    assert 0 < heard.share < 1
    assert 0 < heard.steps < 1


def test_the_file_is_small_and_whole() -> None:
    """Under 200 KB of whole numbers, each array as long as its shape says."""
    raw = FILE.read_bytes()
    table = json.loads(raw)
    assert len(raw) < 200_000
    arrays = {name: row for name, row in table.items() if isinstance(row, dict)}
    assert len(arrays) == 14
    for name, row in arrays.items():
        assert len(row["numbers"]) == math.prod(row["shape"]), name
        assert all(isinstance(number, int) for number in row["numbers"]), name
        assert max(map(abs, row["numbers"])) == 999, name
    assert Emission.of(table).tones.shape == ((len(RINGS) + GRID) * 12, 12 * table["third"]["shape"][0])


def test_the_grid_says_what_sounds_when() -> None:
    (bar,) = see(tune(body="G4 B2d2|")).grid[None, :2].tolist()
    first, second = np.array(bar)
    assert first[:, 0].tolist() == [1.0] * GRID  # G all through the first half
    assert second[:3, 4].tolist() == [1.0, 1.0, 1.0]  # then B, then D
    assert second[3:, 7].tolist() == [1.0, 1.0, 1.0]
    assert second.sum() == GRID


def test_places_say_where_a_unit_lies() -> None:
    units = see(tune()).units
    places = places_of(units, "minor")
    assert places.shape == (8, 26)
    assert places[0, [0, 3, 17, 18 + KINDS.index("four"), 24]].tolist() == [1.0] * 5
    assert places[-1, [1, 3 + 3, 11, 15]].tolist() == [1.0] * 4
    assert places_of(units, "mixolydian")[0, 24:].tolist() == [0.0, 1.0]
