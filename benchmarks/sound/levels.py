"""How loud every mix of every shipped pattern comes out: ``python benchmarks/sound/levels.py [PATTERN ...]``.

Each pattern backs a melody of our own over sixteen bars, once through at the pattern's usual tempo, in the four standard
mixes and both voices; files of 16 bits at the sheet's -16 LUFS, true peaks at -1 dBTP or below. Printed is what libebur128's
method gives for the file (our own meter, held against libebur128 in the tests), and what the limiter couldn't do.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from underbow.fiddle.pattern import Pattern, library
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.mixes import STANDARD_MIXES
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

CHORDS = "G | G | C | D | G | C | D | G | Em | C | G | D | G | C | D | G"


def played(name: str, pattern: Pattern) -> Performance:
    """Play a pattern under a composed melody."""
    sheet = {
        "title": pattern.title,
        "meter": str(pattern.grid.meter),
        "key": "G",
        "pattern": name,
        "progression": CHORDS,
        "compose": {"seed": 3},
        "tempo": {"passes": 1, "ramp": "steady"},
    }
    return perform(build_sheet(sheet))


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("patterns", nargs="*")
    asked.add_argument("--voices", default="builtin,soundfont")
    options = asked.parse_args()
    wanted = {name: one for name, one in library().items() if not options.patterns or name in options.patterns}
    print(f"| pattern | voice | {' | '.join(mix.name for mix in STANDARD_MIXES)} |")
    print("|---|---|" + "---|" * len(STANDARD_MIXES))
    for name, pattern in wanted.items():
        performance = played(name, pattern)
        for voices in options.voices.split(","):
            with tempfile.TemporaryDirectory() as folder:
                asked_for = RenderOptions(voices=voices, papers=False)
                report = render_files(performance, STANDARD_MIXES, Path(folder), asked_for)
            found = {file.mix: file.lufs for file in report.files}
            print(f"| {name} | {voices} | {' | '.join(f'{found[m.name]:.1f}' for m in STANDARD_MIXES)} |")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
