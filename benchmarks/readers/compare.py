"""Compare ABC readers over the collections inside music21's corpus; see README.md here.

    python benchmarks/readers/compare.py                      all collections, without music21 (some minutes)
    python benchmarks/readers/compare.py --music21 8          music21 too, on every eighth tune
    python benchmarks/readers/compare.py --only miscFolk

Every tune is read twice: with its repeats written out, and with its repeat signs taken off (note level). Ends with status 1 where
one of our readings equals neither abc2midi's nor abcnotes' and is not explained in remaining.toml, or where an entry there is
no longer needed.
"""

from __future__ import annotations

import argparse
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import corpora
import oracles

REMAINING = Path(__file__).with_name("remaining.toml")
MODES = {"notes": corpora.without_repeats, "repeats": lambda text: text}


@dataclass
class Count:
    """What is counted for one collection and mode."""

    tunes: int = 0
    ours_midi: int = 0
    ours_either: int = 0
    abcnotes_midi: int = 0
    sampled: int = 0
    music21_midi: int = 0
    ours_sampled: int = 0
    errors: dict[str, int] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)


def attempt(reader: Callable[[str], oracles.Notes], text: str, name: str, count: Count) -> oracles.Notes | None:
    begin = time.process_time()
    try:
        return reader(text)
    except Exception:
        count.errors[name] = count.errors.get(name, 0) + 1
        return None
    finally:
        count.seconds[name] = count.seconds.get(name, 0.0) + time.process_time() - begin


def compared(collection: str, mode: str, every: int) -> Count:
    count = Count()
    items = corpora.items(collection)
    texts = [MODES[mode](item.text) for item in items]
    references = oracles.abc2midi(texts)
    for n, (item, text, reference) in enumerate(zip(items, texts, references, strict=True)):
        ours = attempt(oracles.ours, text, "ours", count)
        strict = attempt(oracles.abcnotes, text, "abcnotes", count)
        lenient = strict if strict is not None else attempt(lenient_abcnotes, text, "abcnotes, lenient", count)
        count.tunes += 1
        count.errors["abc2midi"] = count.errors.get("abc2midi", 0) + (reference is None)
        as_midi = oracles.same(ours, reference)
        count.ours_midi += as_midi
        count.abcnotes_midi += oracles.same(strict, reference)
        if as_midi or oracles.same(ours, lenient):
            count.ours_either += 1
        else:
            count.left.append(f"{collection}/{item.name}")
        if every and n % every == 0:
            count.sampled += 1
            count.ours_sampled += as_midi
            count.music21_midi += oracles.same(attempt(oracles.music21, text, "music21", count), reference)
    return count


def lenient_abcnotes(text: str) -> oracles.Notes:
    return oracles.abcnotes(text, strict=False)


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.2f}" if whole else "-"


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--music21", type=int, default=0, metavar="N", help="music21 on every Nth tune")
    parser.add_argument("--only", action="append", choices=corpora.COLLECTIONS)
    arguments = parser.parse_args()
    explained = tomllib.loads(REMAINING.read_text(encoding="utf-8"))
    print("| collection | mode | tunes | ours = abc2midi or abcnotes | ours = abc2midi | abcnotes = abc2midi | errors (strict) |"
          " music21 = abc2midi | errors | ours on those |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|---|")
    left: dict[str, set[str]] = {mode: set() for mode in MODES}
    seconds: dict[str, float] = {}
    for collection in arguments.only or corpora.COLLECTIONS:
        for mode in MODES:
            count = compared(collection, mode, arguments.music21)
            left[mode] |= set(count.left)
            for name, took in count.seconds.items():
                seconds[name] = seconds.get(name, 0.0) + took
            print(
                f"| {collection} | {mode} | {count.tunes} | {percent(count.ours_either, count.tunes)} |"
                f" {percent(count.ours_midi, count.tunes)} | {percent(count.abcnotes_midi, count.tunes)} |"
                f" {count.errors.get('abcnotes', 0)} | {percent(count.music21_midi, count.sampled)} |"
                f" {count.errors.get('music21', 0)} | {percent(count.ours_sampled, count.sampled)} |",
                flush=True,
            )
            if count.errors.get("ours"):
                print(f"OUR READER RAISED on {count.errors['ours']} tunes of {collection}")
    print("CPU seconds:", ", ".join(f"{name} {took:.0f}" for name, took in seconds.items()))
    everything = left["notes"] | left["repeats"]
    known = {name for name in explained if not arguments.only or name.split("/")[0] in arguments.only}
    for name in sorted(everything - known):
        print("NOT EXPLAINED:", name, [mode for mode in MODES if name in left[mode]])
    for name in sorted(known - everything):
        print("NO LONGER NEEDED:", name)
    return 1 if everything != known else 0


if __name__ == "__main__":
    sys.exit(main())
