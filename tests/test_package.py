"""What ships: the wheel and the sdist hold the code, the library, the tracks and every data file; the rooms keep their order."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections import Counter
from importlib.resources import files
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DATA = ("*.toml", "*.abc", "*.json", "*.html", "*.css", "*.js", "*.typ")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[set[str], set[str]]:
    """Names in the wheel and in the sdist, built from a copy of the tree."""
    copy = tmp_path_factory.mktemp("tree")
    for name in ("src", "patterns", "tracks"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, copy)
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", copy / "dist", copy],
        check=True,
        capture_output=True,
    )
    wheel, sdist = next(copy.glob("dist/*.whl")), next(copy.glob("dist/*.tar.gz"))
    with zipfile.ZipFile(wheel) as packed:
        in_wheel = set(packed.namelist())
    with tarfile.open(sdist) as packed_source:
        in_sdist = {name.split("/", 1)[-1] for name in packed_source.getnames()}
    return in_wheel, in_sdist


def test_the_wheel_holds_every_module_and_data_file(built: tuple[set[str], set[str]]) -> None:
    in_wheel, _ = built
    wanted = {"underbow/py.typed"}
    for pattern in ("*.py", *DATA):
        wanted |= {
            f"underbow/{p.relative_to(ROOT / 'src/underbow').as_posix()}"
            for p in (ROOT / "src/underbow").rglob(pattern)
        }
        wanted |= {
            f"underbow/{p.relative_to(ROOT).as_posix()}"
            for name in ("patterns", "tracks")
            for p in (ROOT / name).glob(pattern)
        }
    assert len(wanted) > 100
    assert wanted - in_wheel == set()


def test_the_sdist_can_build_the_wheel_again(built: tuple[set[str], set[str]]) -> None:
    in_wheel, in_sdist = built
    sources = {name.replace("underbow/", "src/underbow/", 1) for name in in_wheel if name.startswith("underbow/")}
    moved = {
        name.replace("src/underbow/patterns/", "patterns/").replace("src/underbow/tracks/", "tracks/")
        for name in sources
    }
    assert moved - in_sdist == set()
    assert {"LICENSE", "README.md", "pyproject.toml"} <= in_sdist


def test_library_and_tracks_are_packages() -> None:
    assert files("underbow.patterns").joinpath("nashville-shuffle.toml").is_file()
    assert files("underbow.tracks").joinpath("gateposts.toml").is_file()


def test_every_code_folder_is_listed_as_a_package() -> None:
    listed = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    folders = {
        p.parent.relative_to(ROOT / "src").as_posix().replace("/", ".") for p in (ROOT / "src").rglob("__init__.py")
    }
    assert listed == folders | {"underbow.cli.starter", "underbow.patterns", "underbow.tracks"}


def test_no_module_is_over_400_lines() -> None:
    long = {str(p): n for p in (ROOT / "src").rglob("*.py") if (n := len(p.read_text().splitlines())) > 400}
    assert long == {}


KNOWN_ONLY_IN = {
    "soundfile": {"sound/files/encode.py", "ear/recording.py"},
    "fluidsynth": {"sound/soundfont/voice.py"},
    "pretty_midi": {"track/midi/score.py", "sound/soundfont/voice.py", "sound/soundfont/banks.py"},
    "verovio": {"lesson/print/engrave.py"},
    "typst": {"lesson/typeset.py"},
    "PIL": {"lesson/video/board.py"},
    "imageio_ffmpeg": {"lesson/video/encoder.py"},
}


@pytest.mark.parametrize("library", KNOWN_ONLY_IN)
def test_a_large_library_is_known_in_one_place(library: str) -> None:
    home = ROOT / "src" / "underbow"
    naming = re.compile(rf"^\s*(import|from) {library}\b|import_module\(\W*{library}\b", re.MULTILINE)
    users = {path.relative_to(home).as_posix() for path in home.rglob("*.py") if naming.search(path.read_text())}
    assert users
    assert users <= KNOWN_ONLY_IN[library]


HOUSE = ROOT / "src" / "underbow"
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_map_has_every_room_and_names_only_what_is_there() -> None:
    rooms = {path.parent.relative_to(HOUSE).as_posix() + "/" for path in HOUSE.rglob("__init__.py")} - {"./"}
    assert set(re.findall(r"^\| `([a-z/]+/)` \|", PAGE, re.MULTILINE)) == rooms
    files = [path.relative_to(ROOT).as_posix() for path in ROOT.glob("*/**/*") if path.is_file()]
    named = set(re.findall(r"`([\w./]+\.(?:py|js|css|typ|html))`", PAGE))
    assert len(named) > 80
    assert {name for name in named if not any(f"/{file}".endswith(f"/{name}") for file in files)} == set()


def test_what_can_be_changed_lies_where_the_page_says() -> None:
    rows = re.findall(r"^\| [^|]* \| `([\w/]+\.\w+)`, `([\w.:]+)`", PAGE, re.MULTILINE)
    assert len(rows) > 8
    for file, name in rows:
        assert re.search(rf"{re.escape(name.rpartition('.')[2])}\b", (HOUSE / file).read_text(encoding="utf-8")), (
            file,
            name,
        )


def test_no_folder_has_more_than_16_modules() -> None:
    """Nor more than 16 scripts: a floor that can be seen at a glance."""
    for ending in ("py", "js"):
        counts = Counter(
            path.parent.relative_to(HOUSE).as_posix() for path in HOUSE.rglob(f"*.{ending}") if path.stem != "__init__"
        )
        assert {folder: count for folder, count in counts.items() if count > 16} == {}
