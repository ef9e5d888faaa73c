"""What the video shows when is what the practice page shows: the page's own scripts, run by node, are asked the same times."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from underbow.lesson.timeline import page_timeline
from underbow.lesson.video.moments import Moments, measures_at
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import read_sheet

from .films import a_sheet

TRACKS = Path(__file__).parents[3] / "tracks"
ASKING = """
const {data, times} = JSON.parse(require("fs").readFileSync(0));
const score = new Score(data, 24000, data.passes.map(() => 0));
const view = Object.assign(Object.create(View.prototype), {data});
console.log(JSON.stringify(times.map((time) => {
  const pass = score.passAt(time), bar = lastAt(data.bars, time + 0.5), chord = lastAt(data.chords, time + 0.5);
  const hand = chord < 0 ? -1 : data.chords[chord][1];
  const coming = view.coming(time, hand, null);
  const way = bar < 0 ? null : view.wayAt(bar, time);
  return {
    playing: pass, bar: data.bars[bar] && data.bars[bar][1] === pass ? bar : -1, tempo: Math.round(score.count(pass, time)), hand,
    coming: coming.hand, left: coming.hand < 0 ? 0 : view.beatsLeft(time, coming.time, null),
    cell: bar < 0 ? -1 : lastAt(data.bars[bar][5], time + 0.5, self), picture: bar < 0 ? -1 : data.bars[bar][4], way,
  };
})));
"""


def asked_of_the_page(data: dict[str, Any], times: list[float], node: str) -> Any:
    home = files("underbow.lesson.practice")
    scripts = [home.joinpath(f"{name}.js").read_text("utf-8") for name in ("base", "score", "view")]
    run = subprocess.run(
        [node, "-e", "\n".join([*scripts, ASKING])],
        input=json.dumps({"data": data, "times": times}), capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(run.stdout)


@pytest.mark.parametrize(
    "sheet",
    [read_sheet(TRACKS / f"{name}.toml") for name in ("lamplight", "rushes", "snow-on-the-weir", "wet-socks")]
    + [a_sheet(progression="G | C D | G", passes=3)],
    ids=lambda sheet: sheet.title,
)
def test_while_the_music_plays_both_show_the_same(sheet: Sheet, program: Callable[[str], str]) -> None:
    performance = perform(sheet)
    data = page_timeline(sheet, performance)
    found = Moments(data, measures_at(performance.timeline, data))
    first, last = data["chords"][0][0], data["passes"][-1][1]
    times = [first + 517.3 * n for n in range(min(int((last - first) / 517.3), 400))]
    times += [start for start, *_ in data["bars"][:50] if start >= first]
    compared = 0
    for time, theirs in zip(times, asked_of_the_page(data, times, program("node")), strict=True):
        moment = found.at(time)
        if moment.bar < 0:  # a pickup, which the page draws over the last bar's picture
            continue
        compared += 1
        way = theirs.pop("way")
        assert {name: getattr(moment, name) for name in theirs} == theirs, time
        assert found.point(time, moment) == (way if way is None else pytest.approx(way))
    assert compared > 25
