"""Time and memory of reading tunebooks of growing size, beside a plain scan of the same text in the same run.

python benchmarks/readers/linear.py
"""

from __future__ import annotations

import itertools
import re
import time
import tracemalloc

import corpora

from underbow.tune.abc.headings import headings
from underbow.tune.abc.reader import read_abc, read_one


def book(size: int) -> str:
    """A tunebook of real tunes, renumbered, of about so many characters."""
    tunes = [item.text for item in corpora.items("oneills1850")]
    out: list[str] = []
    length = 0
    for number, text in enumerate(itertools.cycle(tunes), start=1):
        out.append(re.sub(r"^X:.*", f"X:{number}", text, count=1))
        length += len(out[-1]) + 2
        if length >= size:
            return "\n\n".join(out)
    raise AssertionError


def scan(text: str) -> int:
    """The reference: one regular expression over the text, a match a note."""
    return sum(1 for _ in re.finditer(r"[\^_=]*[A-Ga-g][,']*[\d/]*", text))


def timed(function: object, *arguments: object) -> tuple[float, object]:
    begin = time.process_time()
    result = function(*arguments)  # type: ignore[operator]
    return time.process_time() - begin, result


def signs_in_rows() -> tuple[float, str]:
    """The slowest of texts that repeat one sign or slip 100,000 times: what a quadratic search would be caught by."""
    signs = '" ( [ { ! |: : "a [A - > (3 [K:C [1 & 1 / {a !a +a A(B |[1_A:| A|: "C" [|] A-| [A| S|'
    rows = [row.replace("_", " ") for row in signs.split()] + ["a\\\n", "=\n", "\n", "P:A\nA|\n", "V:1\nA|\n"]
    return max((timed(read_abc, "X:1\nM:4/4\nL:1/8\nK:C\n" + row * 100_000 + "\nABc|\n")[0], row) for row in rows)


def main() -> None:
    print(
        "| characters | tunes | read all, s | µs a character | times a plain scan | list the titles, s | read the last tune, s |"
    )
    print("|---|---|---|---|---|---|---|")
    for size in (312_500, 625_000, 1_250_000, 2_500_000, 5_000_000):
        text = book(size)
        scanned, _ = timed(scan, text)
        listed, titles = timed(headings, text)
        one, _ = timed(read_one, text, len(titles) - 1)  # type: ignore[arg-type]
        took, tunes = timed(read_abc, text)
        print(
            f"| {len(text):,} | {len(tunes)} | {took:.1f} | {took / len(text) * 1e6:.2f} | {took / scanned:.0f} |"  # type: ignore[arg-type]
            f" {listed:.2f} | {one:.2f} |",
            flush=True,
        )
        del tunes
    took, row = signs_in_rows()
    print(f"slowest of 33 signs and slips repeated 100,000 times: {row!r}, {took:.1f} s")
    text = book(625_000)
    tracemalloc.start()
    tunes = read_abc(text)
    _, peak = tracemalloc.get_traced_memory()
    print(f"memory: {peak / len(text):.0f} bytes a character at the peak, all {len(tunes)} tunes kept")


if __name__ == "__main__":
    main()
