"""Make what the README opens with: the printed sheet beside the practice page as one picture, and a few bars to hear.

    python benchmarks/lesson/opening.py [--sheet lamplight] [--voices builtin]

Writes docs/opening.png and docs/opening.mp3. Needs pdftoppm (poppler-utils), chromium with its
driver, and ffmpeg on the PATH.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

ROOT = Path(__file__).parents[2]
HEIGHT, GAP, EDGE = 1200, 40, 2
BARS_ON = 3
PASS = 3  # the pass to hear: slow enough to follow, far enough to swing
SECONDS = 30


def ran(*command: str | Path) -> str:
    return subprocess.run([str(word) for word in command], check=True, capture_output=True, text=True).stdout


def picture(folder: Path, pdf: Path, page: Path) -> Image.Image:
    """The first printed page and the practice page some bars on, side by side on white, each with a thin edge."""
    ran("pdftoppm", "-png", "-r", "110", "-f", "1", "-l", "1", "-singlefile", pdf, folder / "sheet")
    options = webdriver.ChromeOptions()
    for word in ("--headless", "--no-sandbox", "--hide-scrollbars", "--window-size=760,1100"):
        options.add_argument(word)
    options.binary_location = shutil.which("chromium") or ""
    with webdriver.Chrome(options, webdriver.ChromeService(shutil.which("chromedriver"))) as browser:
        browser.get(page.as_uri())
        for _ in range(BARS_ON):
            ActionChains(browser).send_keys(Keys.ARROW_RIGHT).perform()
        time.sleep(1)
        browser.save_screenshot(folder / "page.png")
    both = [Image.open(folder / name).convert("RGB") for name in ("sheet.png", "page.png")]
    both = [
        image.resize((round(image.width * HEIGHT / image.height), HEIGHT), Image.Resampling.LANCZOS) for image in both
    ]
    whole = Image.new("RGB", (sum(image.width for image in both) + 3 * GAP, HEIGHT + 2 * GAP), "white")
    across = GAP
    for image in both:
        whole.paste("#cdbd9d", (across - EDGE, GAP - EDGE, across + image.width + EDGE, GAP + HEIGHT + EDGE))
        whole.paste(image, (across, GAP))
        across += image.width + GAP
    return whole.quantize(64, dither=Image.Dither.NONE)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheet", default="lamplight")
    parser.add_argument("--voices", default="builtin")
    asked = parser.parse_args()
    sheet = ROOT / "tracks" / f"{asked.sheet}.toml"
    underbow = [sys.executable, "-m", "underbow"]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        ran(*underbow, "lesson", sheet, "-o", folder / "lesson", "--voices", asked.voices, "--zip", "none")
        pdf, page = (next((folder / "lesson").rglob(f"*.{ending}")) for ending in ("pdf", "html"))
        picture(folder, pdf, page).save(ROOT / "docs" / "opening.png", optimize=True)
        told = ran(*underbow, "render", sheet, "-o", folder, "--mix", "backup turn", "--voices", asked.voices, "--json")
        report = json.loads(told)
        start = next(each["start"] for each in report["passes"] if each["number"] == PASS)
        audio = next(file["path"] for file in report["files"] if file["kind"] == "audio")
        fades = f"afade=t=in:d=0.05,afade=t=out:st={SECONDS - 1.5}:d=1.5"
        ran("ffmpeg", "-v", "error", "-y", "-ss", f"{start:.3f}", "-t", str(SECONDS), "-i", audio, "-af", fades,
            "-codec:a", "libmp3lame", "-b:a", "128k", ROOT / "docs" / "opening.mp3")  # fmt: skip


if __name__ == "__main__":
    main()
