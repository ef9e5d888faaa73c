"""Jobs through a dask scheduler, which here runs in this process: the same bytes, and a line for whatever goes wrong."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from underbow.errors import UnderbowError
from underbow.jobs import cluster as ours
from underbow.jobs.cache import Cache
from underbow.jobs.render import render_sheets
from underbow.jobs.versions import KERNELS, versions
from underbow.jobs.work import SomeFailedError, Way

from .sheets import gathered

distributed = pytest.importorskip("distributed")
dask = pytest.importorskip("dask")
pytestmark = pytest.mark.filterwarnings("ignore")  # dask's own affair


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    place = tmp_path_factory.mktemp("dask")
    # Its profiler looks into the frames of running threads, where Python 3.11 can crash (dask/distributed, pull request 8916).
    with dask.config.set({"distributed.worker.profile.enabled": False}), distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://", dashboard_address=None,
        local_directory=str(place), silence_logs=50,
    ) as running:  # fmt: skip
        assert not any("profile" in worker.periodic_callbacks for worker in running.workers.values())
        yield running


def listing(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_cluster_makes_the_same_bytes_in_pieces_and_keeps_nothing(
    scheduler: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ours, "_PIECE", 100_000)
    jobs = gathered(tmp_path, 2)
    here = list(render_sheets(jobs, tmp_path / "here", Way(Cache(None))))
    there = list(render_sheets(jobs, tmp_path / "there", Way(Cache(None), cluster=scheduler.scheduler_address)))
    assert [report["files"][0]["sha256"] for report in there] == [report["files"][0]["sha256"] for report in here]
    assert listing(tmp_path / "there") == listing(tmp_path / "here")
    local = Path(next(iter(scheduler.workers.values())).local_directory)
    assert not list(local.glob("underbow-*"))


def test_a_worker_with_another_version_is_told(tmp_path: Path) -> None:
    other = (("numpy", "0.1"), *(pair for pair in versions(fluidsynth=False) if pair[0] != "numpy"))
    with pytest.raises(UnderbowError, match=r"the worker has another version of numpy \(.*, not 0\.1\); the same has"):
        ours._do_there(gathered(tmp_path, 1).jobs[0], other)


def test_a_worker_that_rounds_otherwise_is_told_what_to_set(tmp_path: Path) -> None:
    other = (*(pair for pair in versions(fluidsynth=False) if pair[0] != KERNELS), (KERNELS, "Elsewhere"))
    with pytest.raises(UnderbowError, match=r"kernels for another processor .* OPENBLAS_CORETYPE=Elsewhere set"):
        ours._do_there(gathered(tmp_path, 1).jobs[0], other)


def test_the_kernels_are_those_that_the_library_takes() -> None:
    ask = "from underbow.jobs.versions import KERNELS, versions; print(dict(versions(fluidsynth=False))[KERNELS])"
    said = {
        kind: subprocess.run(
            [sys.executable, "-c", ask], env=os.environ | {"OPENBLAS_CORETYPE": kind},
            capture_output=True, text=True, check=True,
        ).stdout.strip()
        for kind in ("Nehalem", "Sandybridge")
    }  # fmt: skip
    if not said["Nehalem"] or platform.machine() not in {"x86_64", "AMD64"}:
        pytest.skip("numpy's products have one kind of kernel here")
    assert said == {"Nehalem": "Nehalem", "Sandybridge": "Sandybridge"}


def lost(monkeypatch: pytest.MonkeyPatch, noted: Path, times: int) -> None:
    """Let so many results be lost before they are fetched; a note of each lies in a file, for dask copies what it runs."""
    original = ours._piece

    def piece(folder: str, name: str, start: int) -> bytes:
        with noted.open("a") as file:
            file.write(f"{folder}\n")
        if len(set(noted.read_text().split())) <= times:
            raise OSError("the worker died")
        return original(folder, name, start)

    monkeypatch.setattr(ours, "_piece", piece)


@pytest.mark.parametrize("times", [2, 3])
def test_what_is_lost_before_it_was_fetched_is_made_again_up_to_three_times(
    scheduler: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    lost(monkeypatch, tmp_path / "noted", times)
    way = Way(Cache(None), cluster=scheduler.scheduler_address)
    if times == 2:
        assert [report["title"] for report in render_sheets(gathered(tmp_path, 1), tmp_path / "out", way)] == [
            "Sheet 0"
        ]
    else:
        with pytest.raises(SomeFailedError, match="Sheet 0: it crashed 3 workers"):
            list(render_sheets(gathered(tmp_path, 1), tmp_path / "out", way))
        assert not (tmp_path / "out").exists()
    assert len(set((tmp_path / "noted").read_text().split())) == 3


def test_where_no_scheduler_is_that_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ours, "_CONNECT", 0.3)
    with pytest.raises(
        UnderbowError, match=r"^no scheduler answers at tcp://127\.0\.0\.1:1: .*; begin with: dask scheduler$"
    ):
        list(render_sheets(gathered(tmp_path, 1), tmp_path / "out", Way(cluster="tcp://127.0.0.1:1")))


@pytest.mark.parametrize("address", ["banana", "tcp://1.2.3"])
def test_what_is_no_address_is_told_in_a_line(tmp_path: Path, address: str) -> None:
    """In a process of its own: a client that was half made would be heard of, and waited for, as that ends."""
    sheet = Path(__file__).parents[2] / "tracks" / "gateposts.toml"
    command = [sys.executable, "-m", "underbow", "render", sheet, "-o", tmp_path / "out", "--cluster", address]
    run = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 1
    assert f"no scheduler answers at {address}: missing port number" in run.stderr.splitlines()[-1]


def test_a_scheduler_that_wants_a_certificate_is_told_apart(tmp_path: Path) -> None:
    with pytest.raises(UnderbowError, match=r"^tls://127\.0\.0\.1:1 asks for a certificate; name yours in dask's"):
        list(render_sheets(gathered(tmp_path, 1), tmp_path / "out", Way(cluster="tls://127.0.0.1:1")))
