"""Renders that can't be, fail or are broken off: nothing half made under a final name, and one line with the cure."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile

from underbow.errors import InputError, UnderbowError
from underbow.sound.fan import BrokenOffError, fan_out
from underbow.sound.files.encode import Encoded, Format
from underbow.sound.mastering import master
from underbow.sound.mastering.master import Finish, Master, Wanted
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

from .renders import GUIDE, TOGETHER, quick


def test_names_that_meet_are_kept_apart(quartet: Performance, tmp_path: Path) -> None:
    report = quick(quartet, tmp_path, Mix("A/b", TOGETHER.levels), Mix("a-B", GUIDE.levels), name="../x: y")
    names = [Path(file.path).name for file in report.files if file.kind == "audio"]
    assert names == ["x- y - A-b.wav", "x- y - a-B 2.wav"]
    assert {file.parent for file in map(Path, (f.path for f in report.files))} == {tmp_path}


def test_mixes_called_alike_or_as_a_stem_is_have_files_of_their_own(quartet: Performance, tmp_path: Path) -> None:
    """Each file is the one that the report and its cue sheet say."""
    mixes = [replace(one, name="melody alone") for one in (TOGETHER, GUIDE)]
    report = quick(quartet, tmp_path, *mixes, stems=True, papers=True, name="x", formats=("wav", "flac"))
    paths = [Path(file.path) for file in report.files]
    assert len(set(paths)) == len(paths)
    for file in report.files:
        if file.kind in {"audio", "stem"}:
            assert soundfile.info(file.path).channels == (2 if file.kind == "audio" else 1)
    for ending in ("", " 2"):
        assert f'FILE "x - melody alone{ending}.wav" WAVE' in (tmp_path / f"x - melody alone{ending}.cue").read_text()


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"formats": ("wavv",)}, "did you mean 'wav'"),
        ({"formats": ()}, "no format is asked for"),
        ({"rate": 8000}, "write 44100 or 48000"),
        ({"rate": 96_000, "formats": ("mp3",)}, "mp3 can't hold 96000 Hz"),
        ({"soundfont": Path("none.sf2")}, "not both"),
        ({"soundfont": Path("none.sf2"), "voices": "auto"}, "none.sf2: no such file"),
        ({"voices": "bultin"}, "did you mean 'builtin'"),
        ({"rate": 30_000, "formats": ("mp3",)}, "mp3 can't hold 30000 Hz"),
        ({"formats": ("flac",), "bits": "float"}, "flac holds 16 or 24 bits"),
        ({"bits": 20}, "bits must be 16, 24 or float, not 20"),
    ],
)
def test_what_can_not_be_had_is_told_and_nothing_written(
    quartet: Performance, tmp_path: Path, more: dict[str, object], message: str
) -> None:
    with pytest.raises(InputError, match=message) as caught:
        quick(quartet, tmp_path / "out", papers=True, **more)
    assert "\n" not in str(caught.value)
    assert not any((tmp_path / "out").glob("**/*"))


def test_a_folder_that_is_a_file_is_told(quartet: Performance, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(UnderbowError, match="out"):
        quick(quartet, tmp_path / "out")


def test_where_one_file_fails_nothing_half_made_stays(
    quartet: Performance, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Master, blocks: object, **how: bool) -> object:
        next(iter(blocks))  # type: ignore[call-overload]
        raise UnderbowError("the disk is full")

    good, calls = Master.run, []

    def second_fails(self: Master, blocks: object, **how: bool) -> object:
        calls.append(1)
        return (fail if len(calls) == 2 else good)(self, blocks, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(Master, "run", second_fails)
    with pytest.raises(UnderbowError, match="disk is full"):
        quick(quartet, tmp_path, TOGETHER, GUIDE)
    assert not [path for path in tmp_path.iterdir() if path.suffix != ".part"]
    assert not list(tmp_path.iterdir())


def test_a_first_file_that_fails_at_its_end_keeps_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other files of a mix wait for the first one's word; where it fails with the whole sound out, it gives none."""
    good, handed_out = master.encode, threading.Event()

    def disk_fills(path: Path, blocks: Iterable[np.ndarray], **how: Any) -> Encoded:
        if how["format"] != "wav":
            return good(path, blocks, **how)
        assert next(iter(blocks)).any()
        handed_out.wait(30)
        raise UnderbowError("the disk is full")

    def sound(blocks: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
        yield from blocks
        threading.Timer(0.2, handed_out.set).start()

    monkeypatch.setattr(master, "encode", disk_fills)
    noise = np.random.default_rng(1).normal(0, 0.1, (30_000, 2)).astype(np.float32)
    paths: dict[Format, Path] = {"wav": tmp_path / "a.wav", "flac": tmp_path / "a.flac"}
    made = Master(Finish(22_050, len(noise), 16, -16.0), Wanted(paths, -20.0), sound)
    failures: list[Exception] = []

    def run() -> None:
        try:
            made.run(iter([noise]))
        except UnderbowError as failure:
            failures.append(failure)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(30)
    assert not thread.is_alive()
    assert [str(failure) for failure in failures] == ["the disk is full"]
    assert not list(tmp_path.iterdir())


def large_part(folder: Path) -> bool:
    with suppress(OSError):
        return any(path.stat().st_size > 1 << 20 for path in folder.glob(".*.part"))
    return False


def test_a_killed_render_leaves_no_half_file_under_a_final_name(tmp_path: Path) -> None:
    """SIGKILL at several moments: what is there under a final name is whole."""
    sheet = Path(__file__).parents[3] / "tracks" / "lamplight.toml"
    code = (
        "import sys; from pathlib import Path\n"
        "from underbow.track.sheet.read import read_sheet\nfrom underbow.track.sequencer import perform\n"
        "from underbow.sound.options import RenderOptions\n"
        "from underbow.sound.render import render_files\nfrom underbow.track.mixes import STANDARD_MIXES\n"
        "played = perform(read_sheet(Path(sys.argv[1])))\nprint('go', flush=True)\n"
        "render_files(played, STANDARD_MIXES, Path(sys.argv[2]), RenderOptions(voices='builtin', formats=('wav', 'flac')))\n"
    )
    seen_part = False
    for i, wait in enumerate((0.3, 1.5, 3.0)):
        out = tmp_path / str(i)
        child = subprocess.Popen([sys.executable, "-c", code, str(sheet), str(out)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        child.stdout.readline()
        end = time.monotonic() + 60
        while i and not large_part(out):  # MIDI is written sooner, and small
            assert time.monotonic() < end
            time.sleep(0.02)
        time.sleep(wait / 10)
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        left = list(out.iterdir()) if out.exists() else []
        seen_part |= any(path.suffix == ".part" for path in left)
        for path in left:
            if path.suffix == ".mid":  # made before the audio is
                assert mido.MidiFile(path, charset="utf-8").length > 60
            else:
                assert (path.suffix, path.name[0]) == (".part", "."), left
    assert seen_part


def test_old_files_stay_until_whole_new_ones_take_their_place(quartet: Performance, tmp_path: Path) -> None:
    first = quick(quartet, tmp_path)
    before = Path(first.files[0].path).read_bytes()
    again = quick(quartet, tmp_path, loudness=-20.0)
    assert again.files[0].path == first.files[0].path
    assert Path(again.files[0].path).read_bytes() != before
    assert len(list(tmp_path.iterdir())) == len(again.files)


def test_a_stream_that_breaks_off_breaks_off_for_all() -> None:
    def broken() -> object:
        yield 1
        raise RuntimeError("broken")

    seen = []

    def consumer(blocks: object) -> None:
        try:
            list(blocks)  # type: ignore[call-overload]
        except BrokenOffError:
            seen.append("told")
            raise

    with pytest.raises(RuntimeError, match="broken"):
        fan_out(broken(), [consumer, consumer])  # type: ignore[arg-type]
    assert seen == ["told", "told"]
    assert fan_out(range(50), [next, sum]) == [0, 1225]
