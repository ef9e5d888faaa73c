"""What a command loads before it answers: the rooms it walks through, and no library that only later rooms need."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from underbow.cli.commands import has_avx2

TRACKS = Path(__file__).parents[2] / "tracks"
LIBRARIES = {"numpy", "pretty_midi", "mido", "soundfile", "lameenc", "fluidsynth", "verovio", "typst", "music21"}
LATER = {f"underbow.{room}" for room in ("sound", "ear", "lesson", "jobs", "desk")}
# Command line -> what it has no need of, besides the libraries.
NOT_NEEDED = {
    "--help": LATER | {f"underbow.{room}" for room in ("theory", "fiddle", "tune", "track", "tables")},
    "patterns": LATER | {"underbow.fiddle.shapes", "underbow.tune", "underbow.track"},
    "patterns jig-separate": LATER | {"underbow.fiddle.shapes", "underbow.tune", "underbow.track"},
    "shapes G C D7": LATER | {"underbow.fiddle.pattern", "underbow.tune", "underbow.track"},
    f"tune {TRACKS / 'gateposts.abc'}": LATER | {"underbow.fiddle.shapes", "underbow.tune.harmony", "underbow.track"},
    f"check {TRACKS / 'gateposts.toml'}": LATER
    | {"underbow.tune.harmony", "underbow.tune.melody", "underbow.tune.midi"},
}


@pytest.mark.parametrize("line", NOT_NEEDED, ids=lambda line: line.split()[0])
def test_a_command_loads_only_what_it_needs(line: str) -> None:
    code = (
        "import json, sys\nfrom underbow.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "print(); print(json.dumps(sorted(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code, *line.split()], capture_output=True, text=True, check=True)
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    assert "underbow.cli" in loaded
    assert loaded & (LIBRARIES | NOT_NEEDED[line]) == set()


@pytest.mark.parametrize(
    ("cpuinfo", "there"),
    [
        ("processor\t: 0\nflags\t\t: fpu sse4_2 avx avx2 fma avx512f\n", True),  # the form of proc_cpuinfo(5)
        ("processor\t: 0\nflags\t\t: fpu sse4_2 avx\n", False),
        ("processor\t: 0\nFeatures\t: fp asimd\n", False),
        (None, False),
    ],
)
def test_avx2_is_looked_for_where_linux_says_it(tmp_path: Path, cpuinfo: str | None, there: bool) -> None:
    if cpuinfo is not None:
        (tmp_path / "cpuinfo").write_text(cpuinfo)
    assert has_avx2(tmp_path / "cpuinfo") is there


@pytest.mark.parametrize("named", ["", "Nehalem"])
def test_products_are_made_alike_on_processors_with_avx2_unless_the_user_says_otherwise(named: str) -> None:
    code = (
        "import os\nfrom underbow.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    print(); print(os.environ.get('OPENBLAS_CORETYPE', ''))"
    )
    env = {name: value for name, value in os.environ.items() if name != "OPENBLAS_CORETYPE"}
    env |= {"OPENBLAS_CORETYPE": named} if named else {}
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"], capture_output=True, text=True, check=True, env=env
    )
    assert done.stdout.splitlines()[-1] == (named or ("Haswell" if has_avx2() else ""))
