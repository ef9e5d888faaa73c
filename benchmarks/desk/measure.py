"""How long a teacher waits at the desk: from start to page, from key to staff, from press to sound; the shelf, and memory.

    python benchmarks/desk/measure.py [--edits 600] [--sheets 1000]

Needs Chromium. Every wait is measured in the page itself or in the same run beside a reference: a bare Python's start. Built-in
voices, cache folder empty.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

from tests.desk.page.jobs_by_hand import JIG, REEL, SPY, WALTZ, Hands  # noqa: E402
from tests.lesson.practice.browsers import Chromium  # noqa: E402

from underbow.desk.desk import Desk  # noqa: E402
from underbow.desk.folder import Folder  # noqa: E402
from underbow.desk.hear.voices import Voices  # noqa: E402

TRACKS = HERE.parents[1] / "tracks"


def program(name: str) -> str:
    found = shutil.which(name)
    assert found is not None, f"{name} is not on this machine"
    return found


@contextmanager
def desk(folder: Path, cache: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    command = [sys.executable, "-m", "underbow", "desk", str(folder), "--no-browser", "--voices", "builtin"]
    environment = os.environ | {"UNDERBOW_CACHE": str(cache)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as running:
        assert running.stdout is not None
        yield running, running.stdout.readline().strip()
        running.terminate()
        running.wait(30)


def timed(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def rss(pid: int) -> float:
    """MB of memory that a process holds (Linux)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024


def spread(values: list[float]) -> str:
    ordered = sorted(values)
    high = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    return f"{statistics.median(ordered):.0f} / {high:.0f} ms ({len(ordered)})"


def starts(browser: Chromium, folder: Path, cache: Path) -> dict[str, str]:
    """From the command to a shelf that can be pressed."""
    bare = statistics.median(timed(lambda: subprocess.run([sys.executable, "-c", ""], check=True)) for _ in range(7))
    times = []
    for _ in range(5):
        begun = time.perf_counter()
        with desk(folder, cache) as (_, address):
            browser.go(address)
            Hands(browser).see("#begin-tune")
            times.append(time.perf_counter() - begun)
    middle = statistics.median(times)
    return {
        "a bare Python's start": f"{1000 * bare:.0f} ms",
        "start to a usable page": f"{middle:.2f} s, {middle / bare:.0f} times that",
    }


def engraving(browser: Chromium, hands: Hands) -> dict[str, str]:
    """From a key to the new staff, in the page's own clock."""
    hands.press("#write-tune")
    hands.press("#abc")
    script = """
      const area = document.querySelector('#abc'), music = document.querySelector('.music');
      const look = new MutationObserver(() => { look.disconnect(); done(performance.now() - begun); });
      look.observe(music, {childList: true});
      area.focus(); area.setSelectionRange(area.value.length - 3, area.value.length - 3);
      const begun = performance.now();
      document.execCommand('insertText', false, arguments[0]);
    """
    times = []
    for n in range(40):
        times.append(float(browser.wait(script, "ABcdefg"[n % 7])))
        time.sleep(1.6 if n % 8 == 7 else 0.1)
    browser.keys("Escape")
    return {"key to new engraving, median / 95 %": spread(times)}


PRESS = """
  const from = spy.starts.length, begun = performance.now();
  document.dispatchEvent(new KeyboardEvent('keydown', {key: ' ', bubbles: true}));
  const look = () => {
    const one = spy.starts[from];
    if (one) done(one.at - begun + 1000 * (one.when - one.now) + 20); else setTimeout(look, 2);
  };
  look();
"""


def sounding(browser: Chromium, names: list[str], home: str) -> dict[str, str]:
    """From a press to the first sound, as the page sets it down on its clock, each time after a change and from another bar."""
    first, later = [], []
    for name in names:
        browser.go(f"{home}/#sheet/{name}")
        browser.run("location.reload()")
        hands = Hands(browser)
        hands.on_the_stand()
        for n in range(6):
            bar = 1 + 5 * n % 7
            browser.wait(
                "import('/page/stage.js').then(async ({state}) => { const s = state.now; s.hearing.halt();"
                "await s.change([{key: ['changes', String(arguments[0])], value: arguments[1]}]);"
                "s.goto(arguments[0]); done(1) })",
                bar,
                "CDEFGA"[n],
            )
            took = float(browser.wait(PRESS))
            (later if n else first).append(took)
            browser.keys("Escape")
            time.sleep(0.3)
    return {
        "press to sound, a sheet's first": spread(first),
        "press to sound, after a change, median / 95 %": spread(later),
    }


def shelf(browser: Chromium, count: int, cache: Path) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for n in range(count):
            tune = (REEL, JIG, WALTZ)[n % 3].replace("T:", f"T:No. {n} ")
            (folder / f"tune-{n}.abc").write_text(tune, encoding="utf-8")
            (folder / f"sheet-{n}.toml").write_text(f'title = "No. {n}"\ntune = "tune-{n}.abc"\n', encoding="utf-8")
        with desk(folder, cache) as (_, address):
            browser.go(address)
            Hands(browser).see("#begin-tune")
            again, found = browser.wait(
                "const begun = performance.now(); fetch('/shelf').then((r) => r.json())"
                ".then((all) => done([performance.now() - begun, all.sheets.length]))"
            )
            assert found == count
        with desk(folder, cache) as (_, address):
            home = address.partition("/?")[0]
            browser.go(address)
            browser.wait(
                "const look = () => document.querySelector('.papers a') ? done(1) : setTimeout(look, 5); look()"
            )
            opened = browser.run(
                "return performance.getEntriesByName(arguments[0])[0]?.responseEnd ?? 0", f"{home}/shelf"
            )
            shown = browser.wait(
                "const f = document.querySelector('#find'), begun = performance.now();"
                "f.value = '77'; f.dispatchEvent(new Event('input'));"
                "requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun)))"
            )
    return {
        f"shelf of {count} sheets, from navigation to its list": f"{opened:.0f} ms",
        f"shelf of {count} sheets, asked again": f"{again:.0f} ms",
        "search among them": f"{shown:.0f} ms",
    }


def memory(browser: Chromium, running: subprocess.Popen[str], edits: int) -> dict[str, str]:
    """Change after change by a script, as many as an hour of steady editing."""
    heap = "return Math.round(performance.memory.usedJSHeapSize / 1e6)"
    work = (
        "import('/page/stage.js').then(async ({state}) => { const s = state.now; for (let n = 0; n < arguments[1]; n++)"
        " await s.change([{key: ['changes', String(1 + (arguments[0] + n) % 7)], value: 'ABCDEG'[(arguments[0] + n) % 6]}]);"
        " done(1) })"
    )
    browser.wait(work, 0, 20)
    before = rss(running.pid), browser.run(heap)
    begun = time.perf_counter()
    for n in range(0, edits, 20):
        browser.wait(work, n, 20)
    each = 1000 * (time.perf_counter() - begun) / edits
    after = rss(running.pid), browser.run(heap)
    return {
        f"memory of the program before and after {edits} changes": f"{before[0]:.0f} -> {after[0]:.0f} MB",
        "of the page": f"{before[1]} -> {after[1]} MB",
        "a change, kept and drawn": f"{each:.0f} ms",
    }


def work(folder: Path, count: int) -> dict[str, str]:
    """What the program itself does for each, in CPU time: others on the machine make no difference to it."""

    def cpu(ask: Callable[[], object]) -> float:
        begun = time.process_time()
        ask()
        return 1000 * (time.process_time() - begun)

    desk = Desk(Folder(folder), Voices("builtin"), prepares=False)
    heard, engraved, changed = [], [], []
    for name in ("wet-socks.toml", "lamplight.toml", "gateposts.toml", "rushes.toml"):
        abc = (folder / name.replace(".toml", ".abc")).read_text("utf-8")
        shown = desk.show(name, {})
        for n in range(8):
            edits = [{"key": ["changes", str(1 + n)], "value": "CDEFGABC"[n]}]
            wanted = {"version": shown["version"], "edits": edits}
            begun = time.process_time()
            shown = desk.change(name, wanted)
            changed.append(1000 * (time.process_time() - begun))
            stream = desk.hear(name, {"bar": 1 + n, "pass": 1 + n % 3})
            heard.append(cpu(lambda stream=stream: [next(stream) for _ in range(3)]))
            engraved.append(cpu(lambda n=n, name=name, abc=abc: desk.trial(name, {"abc": abc + "A" * (n + 1)})))
    with tempfile.TemporaryDirectory() as place:
        for n in range(count):
            (Path(place) / f"tune-{n}.abc").write_text(REEL.replace("T:", f"T:No. {n} "), encoding="utf-8")
            (Path(place) / f"sheet-{n}.toml").write_text(
                f'title = "No. {n}"\ntune = "tune-{n}.abc"\n', encoding="utf-8"
            )
        desk = Desk(Folder(Path(place)), Voices("builtin"), prepares=False)
        shelf = cpu(desk.shelf)
        begun = time.process_time()
        read = 0
        while (more := desk.shelf_chords())["waiting"]:
            read += len(more["sheets"])
        each = 1000 * (time.process_time() - begun) / max(read, 1)
        again = Desk(Folder(Path(place)), Voices("builtin"), prepares=False)
        again.shelf()

        def known() -> None:
            while again.shelf_chords()["waiting"]:
                pass

        later = cpu(known)
    return {
        "CPU: first sound after a change": spread(heard),
        "CPU: new engraving": spread(engraved),
        "CPU: a change kept and laid out": spread(changed),
        f"CPU: shelf of {count} sheets": f"{shelf:.0f} ms",
        "CPU: chords for the shelf, a bare tune": f"{each:.1f} ms",
        f"CPU: chords for a shelf of {count} bare tunes, all of them; when the desk is started again": (
            f"{each * count / 1000:.1f} s; {later / 1000:.2f} s"
        ),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edits", type=int, default=600)
    parser.add_argument("--sheets", type=int, default=1000)
    parser.add_argument("--no-browser", action="store_true", help="only the program's own work")
    wanted = parser.parse_args()
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as place:
        folder, cache = Path(place) / "lessons", Path(place) / "cache"
        shutil.copytree(TRACKS, folder)
        os.environ["UNDERBOW_CACHE"] = str(cache)
        found |= work(folder, wanted.sheets)
        if wanted.no_browser:
            print(json.dumps(found, indent=1, ensure_ascii=False))
            return
        browser = Chromium(program, Path(place) / "profile", online=True, first=SPY)
        browser.size(1280, 900)
        try:
            found |= starts(browser, folder, cache)
            with desk(folder, cache) as (running, address):
                home = address.partition("/?")[0]
                browser.go(address)
                hands = Hands(browser)
                hands.see("#begin-tune")
                found |= sounding(browser, ["wet-socks.toml", "lamplight.toml", "gateposts.toml", "rushes.toml"], home)
                browser.go(f"{home}/#sheet/wet-socks.toml")
                browser.run("location.reload()")
                hands.on_the_stand()
                found |= engraving(browser, hands)
                found |= memory(browser, running, wanted.edits)
            found |= shelf(browser, wanted.sheets, cache)
        finally:
            browser.quit()
    print(json.dumps(found, indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
