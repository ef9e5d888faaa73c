"""Engraving in any thread: verovio keeps the path of its data for each thread, and sets it in one alone."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from underbow.lesson.print.engrave import engrave
from underbow.tune.source import load_tune


def test_any_thread_engraves_the_same() -> None:
    tune = load_tune(Path(__file__).parents[3] / "tracks" / "lamplight.abc")
    here = engrave(tune)
    with ThreadPoolExecutor(2) as threads:
        assert list(threads.map(engrave, [tune] * 4)) == [here] * 4
