"""What befalls an encoder ends in one line, and leaves no file: missing, killed, standing still, without room on the disk.

Small programs stand in for ffmpeg where the fault must come at a known place; the full disk is real, made by the system's own
limit on a file's size.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from underbow.errors import InputError, UnderbowError
from underbow.files.trouble import DiskError
from underbow.lesson.video import encoder as encoders
from underbow.lesson.video.encoder import Encoder, find_encoder, pipe
from underbow.lesson.video.film import make_video
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.sequencer import perform

from .films import a_sheet

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-ins are shell scripts")
PICTURE = bytes(3_000_000)


def stand_in(folder: Path, script: str) -> Encoder:
    path = folder / "ffmpeg"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return Encoder(str(path), "0", "none")


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("kill -9 $$", r"can't write film\.mp4: ffmpeg 0 was ended by the system \(status -9\); try again"),
        ("head -c 4000000 >/dev/null; kill -9 $$", r"can't write film\.mp4: ffmpeg 0 was ended by the system .*"),
        (
            "exec sleep 60",
            r"can't write film\.mp4: ffmpeg 0 stood still for 0\.4 seconds and was ended; try again, or install .*",
        ),
        ("cat >/dev/null; exec sleep 60", r"can't write film\.mp4: ffmpeg 0 stood still .*"),
        ("echo 'Unknown encoder' >&2; exit 1", r"can't write film\.mp4: ffmpeg 0 failed: Unknown encoder"),
        ("cat >/dev/null; printf 'a\\033[2Jb' >&2; exit 3", r"can't write film\.mp4: ffmpeg 0 failed: a\[2Jb"),
        (
            "echo 'x: No space left on device' >&2; exit 1",
            r"can't write film\.mp4: the disk is full; free some space .*",
        ),
    ],
)
def test_whatever_befalls_it_is_one_line(script: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "part").touch()

    def fill() -> None:
        with pipe(stand_in(tmp_path, script), [], tmp_path / "part", Path("film.mp4"), patience=0.4) as out:
            for _ in range(20):
                out.write(PICTURE)

    with pytest.raises(UnderbowError) as caught:
        fill()
    assert re.fullmatch(said, str(caught.value))
    assert isinstance(caught.value, DiskError) == ("space" in script)


def test_it_ends_with_what_stopped_us(tmp_path: Path) -> None:
    mark = tmp_path / "pid"

    def stopped() -> None:
        with pipe(stand_in(tmp_path, f"echo $$ >{mark}; exec sleep 60"), [], tmp_path / "part", Path("film.mp4")):
            while not mark.exists() or not mark.read_text():
                pass
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    with pytest.raises(ProcessLookupError):
        os.kill(int(mark.read_text()), 0)


def test_where_there_is_none_the_cure_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", None)
    with pytest.raises(InputError, match=r"^a video needs ffmpeg with H\.264 .* pip install 'underbow\[video\]'$"):
        find_encoder()
    stand_in(tmp_path, "exit 1")  # one that doesn't run is none
    with pytest.raises(InputError, match="a video needs ffmpeg"):
        find_encoder()


def test_one_that_lacks_what_is_needed_gives_way_to_the_package(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    pytest.importorskip("imageio_ffmpeg")
    stand_in(tmp_path, 'echo "ffmpeg version 7"; echo " V....D libopenh264"')
    monkeypatch.setenv("PATH", str(tmp_path))
    found = find_encoder()
    assert found.path != str(tmp_path / "ffmpeg")
    assert found.version != "7"
    assert "GPL" in found.licence  # libx264 is under the GPL, and so is what is built with it


def test_its_version_is_its_own(program: Callable[[str], str]) -> None:
    found = encoders._inspected(program("ffmpeg"))
    assert found is not None
    assert re.match(r"n?\d", found.version)


@pytest.mark.parametrize("blocks", [10, 60])
def test_a_full_disk_leaves_no_file(blocks: int, tmp_path: Path) -> None:
    """Where it is full at once, and where only the last of the file finds no room, which ffmpeg 5 ends as if all were well."""
    sheet = a_sheet(progression="G", passes=1, start=190, goal=190)
    performance = perform(sheet)
    made = render_files(performance, sheet.mixes[:1], tmp_path, RenderOptions(voices="builtin", papers=False)).files[0]
    real = find_encoder()
    # `ulimit -f` counts blocks of 512 bytes; the signal that comes with it is ignored, so that writing fails as on a full disk
    script = f"trap '' XFSZ; ulimit -f {blocks}; exec {real.path} \"$@\""
    encoder = Encoder(stand_in(tmp_path, script).path, real.version, real.licence)
    assert made.seconds is not None
    with pytest.raises(UnderbowError) as caught:
        make_video(sheet, performance, Path(made.path), made.seconds, tmp_path / "film.mp4", encoder=encoder)
    assert "larger than this disk" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == ["", ".wav"]
