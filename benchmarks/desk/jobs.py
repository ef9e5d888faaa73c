"""The eight jobs, each from an empty folder to the zip, in Chromium, Firefox and WebKit: presses and seconds in a table.

    python benchmarks/desk/jobs.py [chromium] [firefox] [webkit]

Firefox and WebKit need what .ci/run installs: firefox-esr, webkit2gtk-driver, xvfb, matchbox-window-manager,
xdotool, pulseaudio. Built-in voices, no cache.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.desk.page.jobs_by_hand import JOBS, Hands, look_into  # noqa: E402
from tests.lesson.practice.browsers import Chromium, Firefox, webkit  # noqa: E402
from tests.lesson.practice.surroundings import sound_server, window  # noqa: E402

PATIENCE = 400  # seconds for a lesson, on a busy machine


def program(name: str) -> str:
    found = shutil.which(name)
    assert found is not None, f"{name} is not on this machine"
    return found


def opened(name: str, place: Path, stack: ExitStack) -> Any:
    if name == "chromium":
        return Chromium(program, place / name, online=True)
    stack.enter_context(sound_server(program, place / "sound"))
    stack.enter_context(window(program))
    if name == "firefox":
        return Firefox(program, place / name, seen=True)
    return webkit(program, place / name)


def main() -> int:
    failed = 0
    with tempfile.TemporaryDirectory() as place:
        for name in sys.argv[1:] or ["chromium", "firefox", "webkit"]:
            with ExitStack() as stack:
                browser = opened(name, Path(place), stack)
                stack.callback(browser.quit)
                browser.size(1280, 900)
                for number, job in enumerate(JOBS):
                    folder = Path(place) / f"{name}-{number}"
                    folder.mkdir()
                    environment = os.environ | {"UNDERBOW_CACHE": str(Path(place) / f"cache-{name}-{number}")}
                    command = [
                        sys.executable,
                        "-m",
                        "underbow",
                        "desk",
                        str(folder),
                        "--no-browser",
                        "--voices",
                        "builtin",
                    ]
                    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as running:
                        assert running.stdout is not None
                        browser.go(running.stdout.readline().strip())
                        hands = Hands(browser, PATIENCE)
                        hands.see("#begin-tune")
                        begun = time.monotonic()
                        try:
                            job.do(hands)
                            kinds = look_into(folder, job)
                            files = ", ".join(f"{count} {kind[1:]}" for kind, count in sorted(kinds.items()))
                            making = hands.made - hands.asked
                            seconds = time.monotonic() - begun
                            line = f"{hands.presses} | {seconds - making:.0f} | {making:.0f} | {files}"
                        except Exception as fault:  # the others shall be done all the same
                            failed += 1
                            line = f"failed: {str(fault)[:200]!r} | | "
                        running.terminate()
                    print(f"| {name} | {job.name} | {line} |", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
