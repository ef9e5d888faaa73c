"""The practice page of a ten-minute track in three browsers: how soon it answers, how well light and sound agree, what it holds.

    python benchmarks/lesson/browsers.py [chromium,firefox,webkit]

Times are medians of three, in milliseconds: from the press of a button (no count-in) to the moment for which the first new
samples are ordered, which includes the page's own 50 to 80 ms of lead. "Light" is the lit cell against the browser's
time of the sound that leaves it, over ten seconds, by pictures that came in time. Memory is measured in a browser started
anew, without the spy that notes every sample, while the page plays for a minute, and the most is given: "page adds" is what
all of the browser's processes hold of their own (PSS of anonymous and shared memory) above what they held with an empty
page; "web process" is the whole of the process that shows the page (PSS), with all that the engine needs for any page
("empty" beside it).
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
from selenium.common.exceptions import WebDriverException

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.lesson.practice.browsers import Chromium, Driven, Firefox, webkit  # noqa: E402
from tests.lesson.practice.conftest import Page  # noqa: E402
from tests.lesson.practice.surroundings import display, sound_server  # noqa: E402
from tests.lesson.practice.test_page_in_time import WATCH, changes  # noqa: E402

from underbow.lesson.practice.page import make_page, page_audio  # noqa: E402
from underbow.track.sequencer import perform  # noqa: E402
from underbow.track.sheet.read import read_sheet  # noqa: E402


def held(root: int) -> dict[int, tuple[float, float]]:
    """Megabytes that a process and each that came from it hold: in all, and of their own."""
    parents: dict[int, int] = {}
    sizes: dict[int, tuple[float, float]] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            lines = (folder / "smaps_rollup").read_text().splitlines()[1:]
            kilobytes = {line.partition(":")[0]: int(line.split()[1]) for line in lines}
            sizes[int(folder.name)] = (
                kilobytes["Pss"] / 1024,
                (kilobytes["Pss_Anon"] + kilobytes["Pss_Shmem"]) / 1024,
            )
        except (OSError, IndexError, KeyError):  # gone meanwhile
            continue

    def is_ours(pid: int) -> bool:
        return pid == root or (parents.get(pid, 0) > 1 and is_ours(parents[pid]))

    return {pid: size for pid, size in sizes.items() if is_ours(pid)}


def memory(browser: Chromium | Firefox | Driven, path: Path) -> list[str]:
    """Megabytes: what the page adds, the whole web process, and what that held with an empty page; the most in a minute."""
    if isinstance(browser, Chromium):
        browser.tell("Network.disable")  # or the devtools keep the page's text
    browser.go("about:blank")
    time.sleep(3)
    empty = held(browser.pid)
    browser.go(path.as_uri())
    time.sleep(3)
    browser.run("document.getElementById('counted').value = 'none'")
    browser.click("#play")
    adds = whole = 0.0
    blank = 0.0
    for _ in range(20):
        time.sleep(3)
        now = held(browser.pid)
        grown = {pid: own - empty.get(pid, (0.0, 0.0))[1] for pid, (_, own) in now.items()}
        web = max(grown, key=lambda pid: grown[pid])
        adds = max(adds, sum(own for _, own in now.values()) - sum(own for _, own in empty.values()))
        whole, blank = max(whole, now[web][0]), empty.get(web, (0.0, 0.0))[0]
    assert browser.run("return document.body.classList.contains('playing')"), f"{browser.name} fell silent"
    return [f"{adds:.0f}", f"{whole:.0f}", f"{blank:.0f}" if blank else "new"]


def to_sound(page: Page, press: str) -> float:
    """Milliseconds from a press to the time that the first new samples are ordered for."""
    before = page.run("return spy.sent.length")
    return float(
        page.wait(
            "const [before] = arguments, begun = performance.now();"
            f"{press}; const look = () => {{ const s = spy.sent[before]; if (!s) return setTimeout(look, 1);"
            "  const late = Math.max(s.when - spy.contexts.at(-1).currentTime, 0);"
            "  done(performance.now() - begun + 1000 * late); };"
            "look();",
            before,
        )
    )


def measure(name: str, page: Page, path: Path, boundaries: np.ndarray, begins: float) -> list[str]:
    started = time.perf_counter()
    page.open(path)
    loaded = 1000 * (time.perf_counter() - started)
    page.play()
    page.press("#play")
    click = "document.querySelector('{}').click()"
    rows: dict[str, list[float]] = {"play": [], "seek": [], "loop": [], "tempo": []}
    for _ in range(3):
        rows["play"].append(to_sound(page, click.format("#play")))
        page.wait("setTimeout(done, 400)")
        rows["seek"].append(to_sound(page, click.format("#on")))
        page.wait("setTimeout(done, 400)")
        rows["loop"].append(to_sound(page, click.format("#pair")))
        page.wait("setTimeout(done, 400)")
        page.press("#repeat")
        page.wait("setTimeout(done, 300)")
        rows["tempo"].append(to_sound(page, click.format("#faster")))
        page.wait("setTimeout(done, 400)")
        page.press("#plan")
        page.wait("setTimeout(done, 300)")
        page.press("#play")
        page.wait("setTimeout(done, 300)")
    placed = []
    page.go(begins)
    sent = page.run("return spy.sent.length")
    page.play()
    for where in ("far", "near", "out", "near", "middle"):
        started = time.perf_counter()
        page.press(f"#melody-{where}")
        placed.append(1000 * (time.perf_counter() - started))
    page.until("!spy.opening(spy.contexts.at(-1))")
    seen = page.wait(WATCH, 10.0)
    begun = page.begun(sent)
    late = np.abs(changes(seen, [begins + clock - begun for clock, *_ in seen], boundaries, 0.06)) * 1000
    page.press("#play")
    figures = [statistics.median(rows[key]) for key in ("play", "seek", "loop", "tempo")]
    return [
        name, f"{loaded:.0f}", *(f"{figure:.0f}" for figure in figures), f"{statistics.median(placed):.0f}",
        *([f"{late.mean():.0f}", f"{np.quantile(late, 0.95):.0f}"] if len(late) else ["-", "-"]),
        f"{len(late)}", str(len(page.complaints())),
    ]  # fmt: skip


def main() -> None:
    wanted = sys.argv[1].split(",") if len(sys.argv) > 1 else ["chromium", "firefox", "webkit"]
    sheet = read_sheet(ROOT / "tracks" / "snow-on-the-weir.toml")
    sheet = replace(sheet, ramp=replace(sheet.ramp, passes=5))  # ten minutes
    performance = perform(sheet)
    grid, seconds = sheet.patterns[0][1].grid, performance.tempo.seconds
    whole = [bar for bar in performance.bars if bar.number > 0]
    boundaries = np.array([seconds(bar.start + grid.swung(grid.cell * n)) for bar in whole for n in range(grid.cells)])
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        folder = Path(scratch)
        audio = page_audio(performance, sheet.mixes, voices="builtin")
        path = folder / "page.html"
        path.write_bytes(make_page(sheet, performance, sheet.mixes, audio))
        print(f"{seconds(performance.length) / 60:.1f} minutes, page {path.stat().st_size / 1e6:.1f} MB\n")
        print(
            "| browser | load | play | seek | loop | tempo | placing | light, mean | light, 95 % | of | complaints "
            "| page adds, MB | web process, MB | empty |"
        )
        print("|" + "---|" * 14)
        stack.enter_context(sound_server(shutil.which, folder / "sound"))  # type: ignore[arg-type]
        stack.enter_context(display(shutil.which))  # type: ignore[arg-type]
        makers = {"chromium": Chromium, "firefox": Firefox, "webkit": webkit}
        for name in wanted:
            row: list[str] = []
            for task in (
                lambda browser, name=name: measure(
                    name, Page(browser, folder), path, boundaries, seconds(whole[2].start)
                ),
                lambda browser: memory(browser, path),
            ):
                browser = makers[name](shutil.which, folder / f"{name}{len(row)}")  # type: ignore[operator]
                try:
                    row += task(browser)
                except (AssertionError, WebDriverException) as fault:  # the others are measured all the same
                    row += [name] * (not row) + [f"failed: {str(fault).splitlines()[0][:80]}"]
                finally:
                    browser.quit()
            print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
