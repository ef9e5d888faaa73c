"""Jobs on other machines, through a dask.distributed scheduler.

The scheduler knows the workers, gives a job again where one died, and takes one that kills them out. What a job makes stays with
the worker until it was fetched, in pieces; a worker that dies before that costs its job another try. Encryption and
certificates are dask's own business, by its own configuration.
"""

from __future__ import annotations

import logging
import secrets
import shutil
import threading
from concurrent.futures import BrokenExecutor, CancelledError, Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from underbow.errors import UnderbowError
from underbow.files.ours import is_inside
from underbow.files.trouble import make_folder
from underbow.files.whole import digest, whole_file
from underbow.jobs.crew import Told
from underbow.jobs.gather import Gathered
from underbow.jobs.job import Job
from underbow.jobs.run import FILES, REPORT, Finished, run_job
from underbow.jobs.versions import KERNELS, versions

__all__ = ["Cluster"]

_PIECE = 4 << 20  # bytes
_CONNECT = 15.0  # seconds
_AHEAD = 2  # jobs for each thread of a worker: one at work, one that waits


class Cluster:
    """Does jobs on a scheduler's workers.

    Parameters
    ----------
    address : str
        Of the scheduler: ``tcp://HOST:8786``, or ``tls://HOST:8786``.
    gathered : Gathered
        Its SoundFonts are sent once to every worker.

    Raises
    ------
    UnderbowError
        If dask.distributed isn't installed, or there is no scheduler.
    """

    def __init__(self, address: str, gathered: Gathered) -> None:
        try:
            import distributed  # noqa: PLC0415  an extra
        except ImportError as error:
            raise UnderbowError(
                f"--cluster needs dask.distributed ({error}); try: pip install 'underbow[cluster]'"
            ) from error
        if address.startswith("tls://") and not distributed.Security().get_connection_args("client")["ssl_context"]:
            raise UnderbowError(
                f"{address} asks for a certificate; name yours in dask's configuration, under distributed.comm.tls.client"
            )
        self._address = address
        for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what concerns the user is said by us, in a line
        try:
            distributed.comm.resolve_address(address)  # before there is a client, which takes long to go when half made
            self._client: Any = distributed.Client(address, timeout=_CONNECT, set_as_default=False)
            for sha256, path in gathered.voices.places.items():
                self._client.register_plugin(_bank_plugin(sha256, path.name, path.read_bytes()))
        except (OSError, ValueError, TypeError) as error:
            raise UnderbowError(f"no scheduler answers at {address}: {error}; begin with: dask scheduler") from error
        self._killed: type[BaseException] = distributed.KilledWorker
        self._flying: dict[Any, tuple[Future[None], Path]] = {}
        self._fetching = ThreadPoolExecutor(2)
        self._lock = threading.Lock()

    def has_room(self) -> bool:
        """Whether a worker may soon have nothing to do."""
        self.listen()
        try:
            threads = sum(self._client.nthreads().values())
        except (OSError, TimeoutError) as error:
            raise self._gone() from error
        return len(self._flying) < max(1, _AHEAD * int(threads))

    def submit(self, job: Job, home: Path, tell: Told) -> Future[None]:
        """Give a job to the scheduler."""
        ours: Future[None] = Future()
        key = f"underbow-{secrets.token_hex(8)}"
        expected = versions(fluidsynth=bool(job.banks))
        theirs = self._client.submit(_do_there, job, expected, key=key, pure=False)
        self._flying[theirs] = ours, home
        theirs.add_done_callback(self._fetch_soon)
        return ours

    def _fetch_soon(self, theirs: Any) -> None:
        with suppress(RuntimeError):  # we have left already
            self._fetching.submit(self._ended, theirs)

    def _ended(self, theirs: Any) -> None:
        """Fetch what a job made; in a thread of its own."""
        with self._lock:
            ours, home = self._flying.pop(theirs, (None, None))
        if ours is None or home is None:
            return
        try:
            self._fetch(theirs.result(), home)
        except (self._killed, CancelledError) as error:  # by a job, or by a scheduler that lost it
            ours.set_exception(BrokenExecutor(str(error)))
        except BaseException as error:
            ours.set_exception(error)
        else:
            ours.set_result(None)

    def _fetch(self, place: _Place, home: Path) -> None:
        """Fetch a finished job's files in pieces, check them, and let the worker forget them."""
        make_folder(home)
        for name, size in place.sizes:
            if not is_inside(name):
                raise UnderbowError(f"the worker at {place.worker} sent a file called {name}")
            make_folder((home / name).parent)
            with whole_file(home / name) as part, part.open("wb") as out:
                for start in range(0, size, _PIECE):
                    out.write(self._there(place, _piece, place.folder, name, start))
        for file in Finished(home).report()["files"]:
            if digest(home / FILES / file["path"]) != file["sha256"]:
                raise BrokenExecutor(f"{file['path']} came damaged")
        with suppress(BrokenExecutor):
            self._there(place, _forget, place.folder)

    def _there(self, place: _Place, do: Any, *args: object) -> Any:
        try:
            return self._client.run(do, *args, workers=[place.worker])[place.worker]
        except (OSError, KeyError, ValueError, TimeoutError) as error:  # the worker died, or the way to it is cut
            raise BrokenExecutor(str(error)) from error

    def listen(self) -> None:
        """Raise where the scheduler is gone."""
        if self._client.status not in {"running", "connecting"}:
            raise self._gone()

    def _gone(self) -> UnderbowError:
        return UnderbowError(f"the scheduler at {self._address} is gone; what was finished is kept for the next run")

    def close(self) -> None:
        """Leave the scheduler; what is still being done is cancelled."""
        with suppress(Exception):
            self._client.cancel(list(self._flying), force=True)
        self._fetching.shutdown(wait=False, cancel_futures=True)
        with suppress(Exception):
            self._client.close(timeout=2)


class _Place:
    """Where on a worker a finished job lies."""

    def __init__(self, worker: str, folder: str, sizes: list[tuple[str, int]]) -> None:
        self.worker, self.folder, self.sizes = worker, folder, sizes


def _bank_plugin(sha256: str, name: str, data: bytes) -> Any:
    """Bring a SoundFont to every worker, once; also to one that comes later."""
    import distributed  # noqa: PLC0415

    class Bringing(distributed.WorkerPlugin):  # type: ignore[misc]
        def setup(self, worker: Any) -> None:
            folder = _banks(Path(worker.local_directory)) / sha256
            make_folder(folder)
            if not (folder / name).exists():
                with whole_file(folder / name) as part:
                    part.write_bytes(data)

    plugin = Bringing()
    plugin.name = f"underbow-bank-{sha256}"
    return plugin


def _banks(local: Path) -> Path:
    return local / "underbow-banks"


def _do_there(job: Job, expected: tuple[tuple[str, str], ...]) -> _Place:
    """Do a job, on a worker."""
    import distributed  # noqa: PLC0415

    here = dict(versions(fluidsynth=bool(job.banks)))
    for name, version in expected:
        if name == KERNELS and here[name] != version:
            raise UnderbowError(
                f"the worker computes with kernels for another processor ({here[name] or 'none'}, not {version or 'none'}), "
                f"and the files would differ; start it with OPENBLAS_CORETYPE={version} set in its environment"
            )
        if here[name] != version:
            raise UnderbowError(
                f"the worker has another version of {name} ({here[name] or 'none'}, not {version or 'none'}); "
                "the same has to be installed everywhere, or the files would differ"
            )
    worker = distributed.get_worker()
    local = Path(worker.local_directory)
    places = {bank.sha256: _banks(local) / bank.sha256 / bank.name for bank in job.banks}
    folder = local / f"underbow-{secrets.token_hex(6)}"
    try:
        run_job(job, folder, places=places)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    files = [path for path in sorted((folder / FILES).rglob("*")) if path.is_file()] + [folder / REPORT]
    sizes = [(path.relative_to(folder).as_posix(), path.stat().st_size) for path in files]
    return _Place(worker.address, str(folder), sizes)


def _piece(folder: str, name: str, start: int) -> bytes:
    with (Path(folder) / name).open("rb") as file:
        file.seek(start)
        return file.read(_PIECE)


def _forget(folder: str) -> None:
    shutil.rmtree(folder, ignore_errors=True)
