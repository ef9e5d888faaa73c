"""Chops are as loud as strokes: every mix comes out at the sheet's loudness, by a meter that isn't ours.

The whole library is in benchmarks/sound/README.md; here, the patterns whose peaks stand out most.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.mixes import STANDARD_MIXES
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

from .. import libebur128


@libebur128.needed
@pytest.mark.parametrize("voices", ["builtin", "soundfont"])
@pytest.mark.parametrize("pattern", ["off-beat-chop", "ghost-chop"])
def test_mixes_with_chops_are_within_half_a_lu(
    pattern: str, voices: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    if voices == "soundfont":
        request.getfixturevalue("fluidsynth_library")
    sheet = {
        "title": "Chops",
        "meter": "4/4",
        "key": "G",
        "pattern": pattern,
        "progression": "G | C | D | G",
        "compose": {"seed": 3},
        "tempo": {"passes": 1, "ramp": "steady"},
    }
    options = RenderOptions(voices=voices, papers=False)
    report = render_files(perform(build_sheet(sheet)), STANDARD_MIXES, tmp_path, options)
    assert not [line for line in report.told if "peaks" in line]
    for file in report.files:
        sound, rate = soundfile.read(file.path)
        assert libebur128.integrated(sound, rate) == pytest.approx(-16.0, abs=0.5), file.mix
        assert libebur128.true_peak(sound, rate) <= -1.0
