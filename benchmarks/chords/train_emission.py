"""Make src/underbow/tune/harmony/emission.json again, and measure it, with the model of harmony.json, by cross-validation.

    PYTHONPATH=src:benchmarks/chords python benchmarks/chords/train_emission.py FOLDER [--folds 5 | --write]

FOLDER holds the collection (see collection.py). Needs torch 2.13.0 besides; running needs numpy alone. A fold takes half a
minute on one core, all tunes 40 seconds. With --write the network is trained on all tunes; else, fold by fold, both judges are
trained on the others, and what they say together is measured: agreement, and how often what is said to be sure is right.

What is minimised is the surprise at the written roots and thirds, beat by beat. Weights decay, hidden units and whole rings
are dropped at random, and the mean of the last weights is kept.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from pathlib import Path

import baselines
import numpy as np
import torch
import train
from collection import Example, folds, load
from torch import nn

from underbow.tune.harmony.emission import NEAR, PLACES, Emission, places_of
from underbow.tune.harmony.harmonise import chosen_chords
from underbow.tune.harmony.model import CHORDS, MODES, Model, Solved, solve
from underbow.tune.harmony.units import GRID, RINGS

OUT = Path(__file__).parents[2] / "src" / "underbow" / "tune" / "harmony" / "emission.json"
HIDDEN, GATES, EPOCHS, RATE, DECAY, BATCH = 24, 24, 45, 4e-3, 1e-2, 24
DROPPED, RINGS_DROPPED, MEAN = 0.5, 0.2, 0.98
# Of the model's scores, the network's and the moves, found by cross-validation: as 4 to 5 to 5 they are right most often, and in
# this size as often right as they say they are sure (at 0.4 and 0.5 both judges together are too sure of what both say).
SHARE, WEIGHT, STEPS = 0.37, 0.46, 0.46
KINDS = len(RINGS) + GRID
TURNED = torch.tensor((np.arange(12)[:, None] - np.arange(12)[None, :]) % 12)
LARGEST = 999  # of the whole numbers in the file


class Network(nn.Module):
    """What :class:`underbow.tune.harmony.emission.Emission` runs, in a form that can be trained."""

    def __init__(self) -> None:
        super().__init__()
        self.tones = nn.Parameter(torch.randn(KINDS, 12, HIDDEN) * 0.05)
        self.places = nn.Parameter(torch.zeros(PLACES, 12, HIDDEN))
        self.hidden = nn.Parameter(torch.zeros(12, HIDDEN))
        self.third = nn.Parameter(torch.randn(HIDDEN, 2) * 0.2)
        self.chords = nn.Parameter(torch.zeros(CHORDS))
        self.before = nn.Linear((len(NEAR) + GRID) * 12 + PLACES, GATES)
        self.along = nn.GRU(GATES, GATES, batch_first=True, bidirectional=True)
        self.after = nn.Linear(2 * GATES, CHORDS)
        self.shifts = nn.Linear(2 * GATES, HIDDEN)

    def forward(self, batch: Batch) -> torch.Tensor:
        """Logarithms of the chords' probabilities: shape (tunes, units, 24)."""
        count, length = batch.seen.shape[:2]
        seen = batch.seen
        if self.training:
            seen = seen * (torch.rand(count, length, KINDS, 1) > RINGS_DROPPED) / (1 - RINGS_DROPPED)
        turned = self.tones[:, TURNED].reshape(KINDS * 12, -1)
        hidden = (seen.reshape(count * length, -1) @ turned).reshape(count, length, 12, HIDDEN) + self.hidden
        hidden = hidden + (batch.places @ self.places.reshape(PLACES, -1)).reshape(count, length, 12, HIDDEN)
        near = torch.cat([batch.near, batch.places], 2)
        inputs = torch.relu(self.before(nn.functional.dropout(near, RINGS_DROPPED, self.training)))
        packed = nn.utils.rnn.pack_padded_sequence(inputs, batch.lengths, batch_first=True, enforce_sorted=False)
        along, _ = nn.utils.rnn.pad_packed_sequence(self.along(packed)[0], batch_first=True, total_length=length)
        along = nn.functional.dropout(along, DROPPED, self.training)
        hidden = torch.relu(hidden + self.shifts(along)[:, :, None, :])
        by_root = nn.functional.dropout(hidden, DROPPED, self.training) @ self.third
        return torch.log_softmax(by_root.reshape(count, length, CHORDS) + self.chords + self.after(along), -1)


class Batch:
    """Some tunes side by side, each row filled up with zeros; the rings scaled to about one."""

    def __init__(self, examples: list[Example], scale: np.ndarray) -> None:
        self.lengths = [len(e.seen.units) for e in examples]
        size = (len(examples), max(self.lengths))
        seen, places, truth = (np.zeros((*size, *rest), np.float32) for rest in ((KINDS, 12), (PLACES,), (CHORDS,)))
        for row, e in enumerate(examples):
            n = len(e.seen.units)
            seen[row, :n] = np.concatenate([e.seen.rings, e.seen.grid], 1) / scale[:, None]
            places[row, :n] = places_of(e.seen.units, e.tune.key.mode)
            for unit, chord in e.beats:
                truth[row, unit, chord] += 1
        kept = [*(RINGS.index(ring) for ring in NEAR), *range(len(RINGS), KINDS)]
        self.near = torch.tensor(seen[:, :, kept].reshape(*size, -1))
        self.seen, self.places, self.truth = torch.tensor(seen), torch.tensor(places), torch.tensor(truth)


def scale_of(examples: list[Example]) -> np.ndarray:
    """How much each ring varies over all tunes."""
    return np.concatenate([np.concatenate([e.seen.rings, e.seen.grid], 1) for e in examples]).std((0, 2)) + 1e-3


def trained(examples: list[Example], scale: np.ndarray, seed: int) -> Network:
    """Train a network; the same examples and seed give the same one on the same machine."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = Network()
    mean = {name: value.clone() for name, value in network.state_dict().items()}
    batches = -(-len(examples) // BATCH)
    optimiser = torch.optim.AdamW(network.parameters(), lr=RATE, weight_decay=DECAY)
    rates = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=EPOCHS * batches, pct_start=0.15)
    for _ in range(EPOCHS):
        order = sorted(rng.permutation(len(examples)), key=lambda i: len(examples[i].seen.units) + 8 * rng.normal())
        for start in rng.permutation(batches) * BATCH:
            batch = Batch([examples[i] for i in order[start : start + BATCH]], scale)
            loss = -(batch.truth * network(batch)).sum() / batch.truth.sum()
            optimiser.zero_grad()
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            rates.step()
            for name, value in network.state_dict().items():
                mean[name].mul_(MEAN).add_(value, alpha=1 - MEAN)
    network.load_state_dict(mean)
    return network.eval()


def table(network: Network, scale: np.ndarray) -> dict[str, object]:
    """Write the weights as ``emission.json`` has them; the rings' scale and the network's weight go into them."""
    w = {name: value.numpy() for name, value in network.state_dict().items()}
    kept = [*(RINGS.index(ring) for ring in NEAR), *range(len(RINGS), KINDS)]
    before = w["before.weight"].T.copy()
    before[: len(kept) * 12] /= np.repeat(scale[kept], 12)[:, None]
    both = ("", "_reverse")
    arrays = {
        "tones": w["tones"] / scale[:, None, None],
        "places": w["places"],
        "hidden": w["hidden"],
        "third": w["third"] * WEIGHT,
        "before": before,
        "before bias": w["before.bias"],
        "input": np.stack([w[f"along.weight_ih_l0{way}"].T for way in both]),
        "input bias": np.stack([w[f"along.bias_ih_l0{way}"] for way in both]),
        "state": np.stack([w[f"along.weight_hh_l0{way}"].T for way in both]),
        "state bias": np.stack([w[f"along.bias_hh_l0{way}"] for way in both]),
        "after": w["after.weight"].T * WEIGHT,
        "after bias": (w["after.bias"] + w["chords"]) * WEIGHT,
        "shifts": w["shifts.weight"].T,
        "shifts bias": w["shifts.bias"],
    }
    return {"share": SHARE, "steps": STEPS} | {name: _whole(array) for name, array in arrays.items()}


def _whole(array: np.ndarray) -> dict[str, object]:
    step = float(np.abs(array).max()) / LARGEST
    return {"shape": list(array.shape), "scale": step, "numbers": np.round(array.ravel() / step).astype(int).tolist()}


def together(emission: Emission, model: Model, example: Example) -> Solved:
    """Let both judge a tune, as ``harmonise`` does."""
    scores = emission.scores(example.seen, example.tune.key.mode)
    return solve(emission.share * model.fits(example.seen) + scores, model.steps(example.seen) ** emission.steps)


def calibration(examples: list[Example], solved: list[Solved]) -> None:
    """Print how often the root is right where it was said to be so sure, and what the first runner-up adds."""
    bins: dict[int, list[tuple[float, bool]]] = defaultdict(list)
    second = 0
    for example, answer in zip(examples, solved, strict=True):
        roots = answer.probabilities.reshape(-1, 12, 2).sum(2)
        order = np.argsort(-roots, axis=1)
        for n, chord in example.beats:
            sure = float(roots[n, order[n, 0]])
            bins[min(int(sure * 10), 9)].append((sure, bool(order[n, 0] == chord // 2)))
            second += bool(order[n, 1] == chord // 2)
    total = sum(map(len, bins.values()))
    for tenth, beats in sorted(bins.items()):
        sure, right = np.mean(beats, axis=0)
        print(f"  said {tenth * 10:3} to {tenth * 10 + 10} %: {len(beats):6} beats, said {sure:.1%}, right {right:.1%}")
    error = sum(abs(float(np.sum(beats, axis=0) @ (1, -1))) for beats in bins.values()) / total
    print(
        f"  mean distance {error:.1%}; where the first is wrong, the second is right in {second / total:.1%} of all beats"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    torch.set_num_threads(1)
    examples = load(args.folder)
    scale = scale_of(examples)
    if args.write:
        made = table(trained(examples, scale, 0), scale)
        OUT.write_text(json.dumps(made, separators=(",", ":")).replace('},"', '},\n"') + "\n", encoding="utf-8")
        print(OUT.stat().st_size, "bytes")
        return
    fold = folds(examples, args.folds)
    answers: dict[int, Solved] = {}
    for number in range(args.folds):
        others = [e for e, f in zip(examples, fold, strict=True) if f != number]
        emission = Emission.of(table(trained(others, scale, number), scale))
        weights = train.Training(others).fit()
        models = [Model.of(weights, mode) for mode in MODES]
        for i, example in enumerate(examples):
            if fold[i] == number:
                answers[i] = together(emission, models[example.minor], example)
        some = [examples[i] for i in answers]
        chosen = [chosen_chords(answer) for answer in answers.values()]
        print("fold", number, baselines.agreement(some, chosen), flush=True)
    for name, wanted in {
        "all": lambda e: True,
        "major": lambda e: not e.minor,
        "minor": lambda e: e.minor,
        "3/4": lambda e: str(e.tune.meter) == "3/4",
        "6/8": lambda e: str(e.tune.meter) == "6/8",
    }.items():
        picked = [(e, c) for e, c in zip(some, chosen, strict=True) if wanted(e)]
        root, chord = baselines.agreement([e for e, _ in picked], [c for _, c in picked])
        print(f"{name:8} {len(picked):4} tunes  root {root:.1%}  root and third {chord:.1%}")
    calibration(some, list(answers.values()))
    baselines.confusions(some, chosen)


if __name__ == "__main__":
    main()
