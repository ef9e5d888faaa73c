"""What every test may ask for.

Programs outside Python (abc2midi, FluidSynth's library, a browser) are the independent references of this project. On a
desk a missing one skips the tests that need it; where ``CI`` is set it fails them, so that no check is lost silently.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Generator
from pathlib import Path

import hypothesis
import pytest

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

# There is a worker for each core: numpy's threads on top of them would take the processor from the pages, which are timed.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# librosa's compiled parts are kept beside it, where two workers of a fresh checkout would write and read one file at once.
if worker := os.environ.get("PYTEST_XDIST_WORKER"):
    os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(__file__).parents[1] / ".pytest_cache" / "numba" / worker))

OUTSIDE = {"program", "fluidsynth_library"}  # fixtures that find what is no part of Python
BROWSERS = {"browser", "firefox", "webkitgtk", "any_browser", "surroundings"}  # fixtures that open one
OPENED_BY_HAND = {"Chromium", "opened"}  # in a module whose fixtures and tests open one with these

# A busy machine is no fault of the code: no example is timed. In CI the same code always meets the same examples.
hypothesis.settings.register_profile("house", deadline=None, derandomize="CI" in os.environ)
hypothesis.settings.load_profile("house")


def _missing(what: str, cure: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(f"{what} is missing and CI must not skip what needs it: {cure}")
    pytest.skip(f"{what} is not on this machine: {cure}")


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    """Give the path of an outside program, as ``program("abc2midi")``."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            _missing(name, "see .ci/run for the package that brings it")
        assert path is not None
        return path

    return find


@pytest.fixture(scope="session")
def fluidsynth_library() -> str:
    """Name of FluidSynth's shared library."""
    found = ctypes.util.find_library("fluidsynth") or ctypes.util.find_library("fluidsynth-3")
    if found is None:
        _missing("libfluidsynth", "apt-get install libfluidsynth3")
    assert found is not None
    return found


@pytest.fixture(autouse=True)
def own_cache(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> None:
    """Let every test find an empty cache, and none the user's own; but the strokes of all tests are computed once."""
    base = tmp_path_factory.getbasetemp()
    strokes = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "strokes"
    own = base / "caches" / str(id(request.node))
    for folder in (strokes, own):
        folder.mkdir(parents=True, exist_ok=True)
    if not (own / "strokes").is_symlink():
        (own / "strokes").symlink_to(strokes)
    monkeypatch.setenv("UNDERBOW_CACHE", str(own))


def _opens_a_page(item: pytest.Item) -> bool:
    asked = set(getattr(item, "fixturenames", ()))
    return bool(BROWSERS & asked) or ("program" in asked and not OPENED_BY_HAND.isdisjoint(vars(item.module)))  # type: ignore[attr-defined]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--one-in",
        type=int,
        default=1,
        metavar="N",
        help="of the tests that ask for nothing outside Python only every Nth: what a bare machine can tell in two minutes",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Choose what is asked for; let pages be tried once more where a busy machine came between."""
    every = config.getoption("--one-in")
    if every > 1:
        chosen = [
            i % every == 0 or not OUTSIDE.isdisjoint(getattr(item, "fixturenames", ())) for i, item in enumerate(items)
        ]
        config.hook.pytest_deselected(items=[item for item, taken in zip(items, chosen, strict=True) if not taken])
        items[:] = [item for item, taken in zip(items, chosen, strict=True) if taken]
    for item in items:
        if _opens_a_page(item):
            item.add_marker(pytest.mark.flaky(reruns=2, reruns_delay=1))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Let pages be tried one at a time, since they are timed: the workers of a run share one lock.

    A group of pytest-xdist would do the same, but there a worker that crashes leaves the others waiting for ever.
    """
    if fcntl is None or not _opens_a_page(item):
        return (yield)
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID", str(os.getpid()))
    with (Path(tempfile.gettempdir()) / f"underbow-pages-{run}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        return (yield)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say why tests were skipped, each reason once, so that a bare machine knows what it did not check."""
    skipped = terminalreporter.stats.get("skipped", [])
    reasons = Counter(str(report.longrepr[2]).removeprefix("Skipped: ") for report in skipped)
    if reasons:
        terminalreporter.section("skipped, by reason")
        for reason, count in reasons.most_common():
            terminalreporter.line(f"{count:>5}  {reason}")
