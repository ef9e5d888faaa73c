"""Running the desk: a server for this machine alone, from the first line to the end."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn

from underbow.desk.app import make_app
from underbow.desk.desk import Desk
from underbow.desk.folder import Folder
from underbow.desk.guard import Guard
from underbow.desk.hear.beside import Beside, a_process
from underbow.desk.hear.voices import Voices
from underbow.errors import InputError

__all__ = ["HOST", "serve"]

HOST = "127.0.0.1"
_TURN = 0.001  # seconds that a thread goes on while another waits: the one that somebody waits for is soon back
GRACE = 2  # seconds that what is still being sent has at the end


def serve(path: Path, say: Callable[[str], None], *, port: int = 0, browser: bool = True, voices: str = "auto") -> None:
    """Serve a folder until it is closed: by the page, by Ctrl-C, by SIGTERM or with its terminal.

    Parameters
    ----------
    path : Path
        A folder.
    say : callable
        Told the address, key included, as soon as the page can be opened.
    port : int
        0 for any that is free.
    browser : bool
        Whether the address is opened in the browser.
    voices : {"auto", "soundfont", "builtin"}

    Raises
    ------
    InputError
        Where there is no such folder, or the port is taken.
    """
    if not path.is_dir():
        raise InputError(f"no folder {path}; name one that is there, or make it first")
    with contextlib.closing(_listening(port)) as listening:
        number = int(listening.getsockname()[1])
        desk = Desk(Folder(path), Voices(voices, Beside(a_process)))
        guard = Guard(make_app(desk), number)
        server = _Server(
            uvicorn.Config(
                guard, log_config=None, access_log=False, server_header=False, lifespan="off",
                timeout_graceful_shutdown=GRACE, h11_max_incomplete_event_size=32_768,
            )
        )  # fmt: skip
        desk.on_close = server.end
        address = f"http://{HOST}:{number}/?key={guard.key}"

        def begun() -> None:
            say(address)
            if browser:
                threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()

        server.on_begin, server.on_end = begun, desk.stop
        logging.getLogger("uvicorn.error").addFilter(_is_worth_a_line)
        sys.setswitchinterval(_TURN)
        gc.freeze()  # what was imported stays: nobody waits while it is looked through for rubbish
        server.run(sockets=[listening])


class _Server(uvicorn.Server):
    """Says when it has begun, and can be ended from inside."""

    on_begin: Callable[[], None] = staticmethod(lambda: None)
    on_end: Callable[[], None] = staticmethod(lambda: None)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        self.on_begin()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.on_end()
        await super().shutdown(sockets=sockets)

    def end(self) -> None:
        self.should_exit = True

    @contextlib.contextmanager
    def capture_signals(self):  # type: ignore[no-untyped-def]
        """Let Ctrl-C, SIGTERM and a terminal that is closed end it in order, with status 0: it is how a desk is closed."""
        with super().capture_signals():
            before = self._hear_the_terminal_go()
            try:
                yield
            finally:
                if before is not None:
                    signal.signal(signal.SIGHUP, before)
            self._captured_signals.clear()

    def _hear_the_terminal_go(self) -> Any:
        """Listen for SIGHUP, of which uvicorn knows nothing, unless whoever started the desk ignores it."""
        if sys.platform == "win32" or threading.current_thread() is not threading.main_thread():
            return None
        if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
            return None
        return signal.signal(signal.SIGHUP, self.handle_exit)


def _is_worth_a_line(record: logging.LogRecord) -> bool:
    """Whether a trouble is one: an answer that is broken off as the desk closes isn't."""
    broken_off = record.exc_info is not None and isinstance(record.exc_info[1], asyncio.CancelledError)
    return record.levelno >= logging.ERROR and not broken_off and "graceful shutdown" not in record.getMessage()


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # pragma: no cover  Windows
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((HOST, port))
        listening.listen(128)
    except (OSError, OverflowError) as error:
        listening.close()
        why = getattr(error, "strerror", None) or error
        raise InputError(f"port {port} can't be used: {why}; leave --port out to take one that is free") from None
    return listening
