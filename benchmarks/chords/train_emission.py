"""Make src/underbow/tune/harmony/emission.json again, and measure it, with the model of harmony.json, by cross-validation.

    PYTHONPATH=src:benchmarks/chords python benchmarks/chords/train_emission.py FOLDER [--folds 5 | --write]

FOLDER holds the collection (see collection.py). Needs torch 2.13.0 besides; running needs numpy alone. With --write the network
is trained on all tunes; else both judges are trained without the tunes of each fold, and what they say of these together is
measured: agreement, and how often what is said to be sure is right.

One network's agreement hangs on the numbers it was begun with: the cross-validation is done with several seeds, and what is
said at the end is the mean over all of them. The network in the file is begun with the first.
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
from networks import KEPT, Networks, hear, scale_of, trained

from underbow.tune.harmony.emission import Emission
from underbow.tune.harmony.harmonise import chosen_chords
from underbow.tune.harmony.model import MODES, Model, Solved, solve

OUT = Path(__file__).parents[2] / "src" / "underbow" / "tune" / "harmony" / "emission.json"
SEEDS = (0, 1, 2)
# Of the model's scores, the network's and the moves, found by cross-validation: as 4 to 5 to 5 they are right most often, and in
# this size as often right as they say they are sure (at 0.4 and 0.5 both judges together are too sure of what both say).
SHARE, WEIGHT, STEPS = 0.37, 0.46, 0.46
LARGEST = 999  # of the whole numbers in the file


def table(networks: Networks, which: int, scale: np.ndarray) -> dict[str, object]:
    """Write a network's weights as ``emission.json`` has them; the rings' scale and the network's weight go into them."""
    w = {name: value[which].numpy() for name, value in networks.state_dict().items()}
    before = w["before"].copy()
    before[: len(KEPT) * 12] /= np.repeat(scale[KEPT], 12)[:, None]
    arrays = {
        "tones": w["tones"] / scale[:, None, None],
        "places": w["places"],
        "hidden": w["hidden"],
        "third": w["third"] * WEIGHT,
        "before": before,
        "before bias": w["before_bias"][0],
        "input": w["input"],
        "input bias": w["input_bias"],
        "state": w["state"],
        "state bias": w["state_bias"],
        "after": w["after"] * WEIGHT,
        "after bias": (w["after_bias"] + w["chords"]) * WEIGHT,
        "shifts": w["shifts"],
        "shifts bias": w["shifts_bias"],
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
    tunes = [hear(example, scale) for example in examples]
    if args.write:
        made = table(trained(tunes, np.ones((1, len(tunes)), bool), [10 * args.folds + SEEDS[0]]), 0, scale)
        OUT.write_text(json.dumps(made, separators=(",", ":")).replace('},"', '},\n"') + "\n", encoding="utf-8")
        print(OUT.stat().st_size, "bytes")
        return
    fold = folds(examples, args.folds)
    learnt = np.array([fold != number for number in range(args.folds)])
    models = [_models([examples[i] for i in np.flatnonzero(row)]) for row in learnt]
    some: list[Example] = []
    answers: list[Solved] = []
    for seed in SEEDS:
        networks = trained(tunes, learnt, [10 * number + seed for number in range(args.folds)])
        for number, both in enumerate(models):
            emission = Emission.of(table(networks, number, scale))
            these = [examples[i] for i in np.flatnonzero(fold == number)]
            some += these
            answers += [together(emission, both[example.minor], example) for example in these]
        print("seed", seed, flush=True)
        measure(some[-len(examples) :], answers[-len(examples) :])
    print("all seeds")
    measure(some, answers)
    calibration(some, answers)
    baselines.confusions(some, [chosen_chords(answer) for answer in answers])


def _models(examples: list[Example]) -> list[Model]:
    weights = train.Training(examples).fit()
    return [Model.of(weights, mode) for mode in MODES]


def measure(examples: list[Example], answers: list[Solved]) -> None:
    """Print the agreement over all, by mode and by meter."""
    chosen = [chosen_chords(answer) for answer in answers]
    kinds = [("all", MODES[e.minor], str(e.tune.meter)) for e in examples]
    for name in sorted({name for kind in kinds for name in kind}):
        here = [i for i, kind in enumerate(kinds) if name in kind]
        root, chord = baselines.agreement([examples[i] for i in here], [chosen[i] for i in here])
        print(f"  {name:8} {len(here):4} tunes  root {root:.1%}  root and third {chord:.1%}")


if __name__ == "__main__":
    main()
