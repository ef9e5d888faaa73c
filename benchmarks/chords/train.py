"""Make src/underbow/tune/harmony.json again, and measure it by cross-validation.

    PYTHONPATH=src:benchmarks/chords python benchmarks/chords/train.py FOLDER [--folds 5] [--write]

FOLDER holds the collection (see collection.py). The weights are those under which the written chords are most probable, held
small by a square penalty (a normal prior about 0); the gradient is exact: what is counted minus what is expected.
Tunes are seen through the very code that suggests chords, and the cross-validation decides with it too.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path

import baselines
import numpy as np
from collection import Example, folds, load
from scipy.optimize import minimize

from underbow.tune.harmony.harmonise import chosen_chords
from underbow.tune.harmony.model import _SHIFT, CHORDS, DEGREE_RINGS, MODES, MOVES, NAMES, Model, solve
from underbow.tune.harmony.units import RINGS, TOGETHER

OUT = Path(__file__).parents[2] / "src" / "underbow" / "tune" / "harmony" / "harmony.json"
PENALTY = {"tones": 3, "both": 60, "minor": 60, "places": 60, "places minor": 60, "moves": 45, "moves minor": 45,
           "intervals": 18, "changes": 3, "together": 3}  # fmt: skip
ROUNDS = 70


class Training:
    """The examples of one fit, laid end to end, and the weights' shapes."""

    def __init__(self, examples: list[Example], penalty: dict[str, float] = PENALTY) -> None:
        self.places = sorted({name for e in examples for row in e.seen.places for name in row})
        self.changes = sorted({name for e in examples for row in e.seen.changes for name in row})
        self.shapes = {
            "tones": (len(RINGS), 2, 12),
            "both": (len(DEGREE_RINGS), 12, CHORDS),
            "minor": (len(DEGREE_RINGS), 12, CHORDS),
            "places": (len(self.places), CHORDS),
            "places minor": (len(self.places), CHORDS),
            "moves": (len(MOVES), CHORDS, CHORDS),
            "moves minor": (len(MOVES), CHORDS, CHORDS),
            "intervals": (len(MOVES), 12, 2, 2),
            "changes": (len(self.changes),),
            "together": (len(TOGETHER), 2),
        }
        self.penalty = np.concatenate([np.full(int(np.prod(s)), float(penalty[k])) for k, s in self.shapes.items()])
        pieces = []  # (example, first unit, after the last one): nothing leads over a cut
        for e in examples:
            heads = [i for i, unit in enumerate(e.seen.units) if unit.cut or i == 0]
            pieces += [(e, a, b) for a, b in zip(heads, [*heads[1:], len(e.seen.units)], strict=False)]
        pieces.sort(key=lambda piece: piece[1] - piece[2])
        sizes = np.array([b - a for _, a, b in pieces])
        firsts = np.append(0, np.cumsum(sizes))[:-1]
        self.columns = [firsts[: int((sizes > t).sum())] + t for t in range(sizes[0])]
        degree = [RINGS.index(ring) for ring in DEGREE_RINGS]
        self.rings = np.concatenate([e.seen.rings[a:b].reshape(b - a, -1) for e, a, b in pieces])
        self.degrees = np.concatenate([e.seen.rings[a:b][:, degree].reshape(b - a, -1) for e, a, b in pieces])
        self.together = np.concatenate([e.seen.together[a:b] for e, a, b in pieces])
        self.place = np.concatenate([_table(e.seen.places[a:b], self.places) for e, a, b in pieces])
        self.change = np.concatenate([_table(e.seen.changes[a:b], self.changes) for e, a, b in pieces])
        self.minor = np.concatenate([np.full(b - a, e.minor) for e, a, b in pieces]) == 1
        units = [u for e, a, b in pieces for u in e.seen.units[a:b]]
        where = np.array([2 if u.begins and u.place == 0 else int(u.place > 0) for u in units])
        self.move = where + len(MOVES) * self.minor
        self.truth = np.concatenate([e.chords[a:b] for e, a, b in pieces])

    def parts(self, weights: np.ndarray) -> dict[str, np.ndarray]:
        out, at = {}, 0
        for name, shape in self.shapes.items():
            size = int(np.prod(shape))
            out[name] = weights[at : at + size].reshape(shape)
            at += size
        return out

    def __call__(self, weights: np.ndarray) -> tuple[float, np.ndarray]:
        """Give the penalised negative log probability of the written chords, and its gradient."""
        w, minor = self.parts(weights), self.minor
        spread = w["tones"][:, :, _SHIFT].transpose(0, 2, 3, 1).reshape(-1, CHORDS)
        fits = self.rings @ spread + self.degrees @ w["both"].reshape(-1, CHORDS) + self.place @ w["places"]
        fits[minor] += self.degrees[minor] @ w["minor"].reshape(-1, CHORDS) + self.place[minor] @ w["places minor"]
        kind = np.arange(CHORDS) % 2
        fits += np.einsum("nkc,kc->nc", self.together, w["together"][:, kind])
        root = np.arange(CHORDS) // 2
        steps = w["moves"] + w["intervals"][:, (root[None, :] - root[:, None]) % 12, kind[:, None], kind[None, :]]
        steps = np.concatenate([steps, steps + w["moves minor"]])
        change = self.change @ w["changes"]
        free, f_fits, f_steps, f_change = self.expected(fits, steps, change)
        known = self.truth >= 0
        held = np.where(known[:, None], -1e30, fits)
        held[known, self.truth[known]] = fits[known, self.truth[known]]
        true, t_fits, t_steps, t_change = self.expected(held, steps, change)
        d_fits, d_steps, d_change = f_fits - t_fits, f_steps - t_steps, f_change - t_change
        g: dict[str, np.ndarray] = {}
        by_root = (self.rings.T @ d_fits).reshape(len(RINGS), 12, 12, 2)
        g["tones"] = np.stack([by_root[:, k == _SHIFT].sum(1) for k in range(12)], 2)
        g["both"], g["places"] = self.degrees.T @ d_fits, self.place.T @ d_fits
        g["minor"], g["places minor"] = self.degrees[minor].T @ d_fits[minor], self.place[minor].T @ d_fits[minor]
        d_steps = d_steps.reshape(2, len(MOVES), CHORDS, CHORDS)
        g["moves"], g["moves minor"] = d_steps.sum(0), d_steps[1]
        pair = d_steps.sum(0).reshape(len(MOVES), 12, 2, 12, 2)
        g["intervals"] = np.stack([sum(pair[:, a, :, (a + k) % 12, :] for a in range(12)) for k in range(12)], 1)
        g["changes"] = self.change.T @ d_change
        both = np.einsum("nkc,nc->kc", self.together, d_fits)
        g["together"] = np.stack([both[:, 0::2].sum(1), both[:, 1::2].sum(1)], 1)
        gradient = np.concatenate([g[name].ravel() for name in self.shapes]) + self.penalty * weights
        return free - true + 0.5 * float(self.penalty @ weights**2), gradient

    def expected(
        self, fits: np.ndarray, steps: np.ndarray, change: np.ndarray
    ) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
        """Sum over all paths of all pieces at once: the log of the sum, and how often each chord and each move is expected."""
        top = fits.max(1, keepdims=True)
        own, moves, factor = np.exp(fits - top), np.exp(steps), np.exp(change)[:, None]
        stay = np.einsum("wcc->wc", moves)
        forward, sums = np.zeros_like(own), np.ones(len(own))
        backward = np.ones_like(own)
        for t, column in enumerate(self.columns):
            now = own[column]
            if t:
                flow, same = (
                    self._over(forward[column - 1], moves, column),
                    forward[column - 1] * stay[self.move[column]],
                )
                now = now * (factor[column] * (flow - same) + same)
            sums[column] = now.sum(1)
            forward[column] = now / sums[column][:, None]
        d_steps, d_change = np.zeros_like(steps), np.zeros(len(own))
        for column in self.columns[:0:-1]:
            back = backward[column] * own[column] / sums[column][:, None]
            here, before = self.move[column], forward[column - 1]
            same = back * stay[here]
            flow = self._over(back, moves.transpose(0, 2, 1), column)
            backward[column - 1] = factor[column] * (flow - same) + same
            for k in np.unique(here):
                rows = here == k
                d_steps[k] += (before[rows] * factor[column][rows]).T @ back[rows] * moves[k]
                d_steps[k][np.diag_indices(CHORDS)] += ((1 - factor[column][rows]) * before[rows] * same[rows]).sum(0)
            d_change[column] = 1 - (before * same).sum(1)
        return float(np.log(sums).sum() + top.sum()), forward * backward, d_steps, d_change

    def _over(self, rows: np.ndarray, moves: np.ndarray, column: np.ndarray) -> np.ndarray:
        out = np.empty_like(rows)
        for k in np.unique(self.move[column]):
            here = self.move[column] == k
            out[here] = rows[here] @ moves[k]
        return out

    def fit(self, rounds: int = ROUNDS) -> dict[str, object]:
        found = minimize(
            self, np.zeros(len(self.penalty)), jac=True, method="L-BFGS-B", options={"maxiter": rounds, "maxcor": 12}
        )
        return self.table(self.parts(found.x))

    def table(self, w: dict[str, np.ndarray]) -> dict[str, object]:
        """Write the weights as ``harmony.json`` has them; what is next to nothing is left out."""

        def chords(rows: np.ndarray) -> dict[str, object]:
            found = {name: rows[..., c] for c, name in enumerate(NAMES) if np.abs(rows[..., c]).max() >= 0.02}
            return {name: _rounded(row) for name, row in found.items()}

        degrees, places, moves = {}, {}, {}
        for part, suffix in (("both", ""), ("minor", " minor")):
            degrees[part] = {ring: chords(w["minor" if suffix else "both"][i]) for i, ring in enumerate(DEGREE_RINGS)}
            places[part] = {name: chords(w["places" + suffix][i]) for i, name in enumerate(self.places)}
            moves[part] = {
                where: {n: row for c, n in enumerate(NAMES) if (row := chords(w["moves" + suffix][i, c]))}
                for i, where in enumerate(MOVES)
            }
        return {
            "chord tones": {ring: _rounded(w["tones"][i]) for i, ring in enumerate(RINGS)},
            "together": {kind: _rounded(w["together"][i]) for i, kind in enumerate(TOGETHER)},
            "degrees": degrees,
            "places": places,
            "moves": moves,
            "intervals": {
                where: {
                    f"{MODES[a]} to {MODES[b]}": _rounded(w["intervals"][i, :, a, b]) for a in (0, 1) for b in (0, 1)
                }
                for i, where in enumerate(MOVES)
            },
            "changes": {name: _rounded(w["changes"][i]) for i, name in enumerate(self.changes)},
        }


def _rounded(row: np.ndarray) -> object:
    return np.round(row, 3).tolist()


def _table(rows: tuple[dict[str, float], ...], names: list[str]) -> np.ndarray:
    at = {name: i for i, name in enumerate(names)}
    out = np.zeros((len(rows), len(names)))
    for i, row in enumerate(rows):
        for name, value in row.items():
            out[i, at[name]] = value
    return out


def decide(model: Model, example: Example) -> np.ndarray:
    return chosen_chords(solve(model.fits(example.seen), model.steps(example.seen)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--only", type=int, default=99)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    examples = load(args.folder)
    if args.write:
        made = Training(examples).fit()
        OUT.write_text(json.dumps(made, ensure_ascii=False).replace("}, ", "},\n ") + "\n", encoding="utf-8")
        print(OUT.stat().st_size, "bytes")
    fold = folds(examples, args.folds)
    results: dict[int, np.ndarray] = {}
    for number in range(min(args.folds, args.only)):
        table = Training([e for e, f in zip(examples, fold, strict=False) if f != number]).fit()
        models = [Model.of(table, mode) for mode in MODES]
        for i, example in enumerate(examples):
            if fold[i] == number:
                results[i] = decide(models[example.minor], example)
        print("fold", number, baselines.agreement([examples[i] for i in results], list(results.values())), flush=True)
    tried = [examples[i] for i in results]
    for name, (root, chord) in baselines.table(examples, fold, set(results)).items():
        print(f"{name:40} {root:6.1%} {chord:6.1%}")
    print("{:40} {:6.1%} {:6.1%}".format("this model", *baselines.agreement(tried, list(results.values()))))
    baselines.confusions(tried, list(results.values()))
    sure = Counter()
    for example, chords in zip(tried, results.values(), strict=False):
        sure.update((int(c) // 2 == int(chords[n]) // 2) for n, c in example.beats)
    print("beats", sum(sure.values()), "tunes", len(tried))


if __name__ == "__main__":
    main()
