"""Where exceptions become one line each and an exit status: 0 done, 1 failed while working, 2 wrong input."""

from __future__ import annotations

import functools
import json
import os
import re
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Annotated, ParamSpec, TextIO, TypeVar

import typer

from underbow.cli.signals import Stopped
from underbow.errors import InputError, UnderbowError
from underbow.text import is_shown, visible

P = ParamSpec("P")
R = TypeVar("R")
STOPPED = "underbow: stopped; no half-finished files were left behind"
Json = Annotated[bool, typer.Option("--json", metavar="", help="Print one JSON document and nothing else.")]


def number(
    low: float | None = None, high: float | None = None, kind: Callable[[str], float] = int
) -> Callable[[str], float]:
    """Read an option that is a number, whole by default, within bounds where there are any; refuse others in our words.

    >>> number(0, 512)("8")
    8
    >>> number(0, 512)("two")  # doctest: +IGNORE_EXCEPTION_DETAIL
    Traceback (most recent call last):
    typer.BadParameter: found two, expected a whole number from 0 to 512
    """

    def read(text: str) -> float:
        with suppress(ValueError):
            value = kind(text)
            if (low is None or low <= value) and (high is None or value <= high):
                return value
        expected = "a whole number" if kind is int else "a number"
        raise typer.BadParameter(f"found {text}, expected {expected}{'' if low is None else f' from {low} to {high}'}")

    return read


def command(body: Callable[P, R]) -> Callable[P, R]:
    """Turn what a command raises into its exit status.

    ``InputError`` ends with 2 and one line a fault, ``UnderbowError`` with 1 and its line, a signal with 128 and its number.
    Anything else is our own fault and keeps its traceback; what the streams themselves do is :func:`run_and_flush`'s.
    """

    @functools.wraps(body)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return body(*args, **kwargs)
        except InputError as wrong:
            for fault in wrong.faults:
                say(f"underbow: {fault}")
            raise typer.Exit(2) from None
        except UnderbowError as failed:
            say(f"underbow: {failed}")
            raise typer.Exit(1) from None
        except RecursionError:
            say("underbow: the file is nested too deeply; write it with fewer brackets inside each other")
            raise typer.Exit(2) from None
        except (MemoryError, RuntimeError, ImportError) as failed:
            if not _lacks_memory(failed):
                raise
            say("underbow: not enough memory; close other programs, or use fewer passes or a shorter tune")
            raise typer.Exit(1) from None
        except Stopped as stopped:
            say(STOPPED)
            raise typer.Exit(stopped.status) from None

    return run


def _lacks_memory(failed: Exception) -> bool:
    """Whether it is for want of memory: it is also told as a thread that can't start, or a library that can't be loaded."""
    return isinstance(failed, MemoryError) or bool(
        re.search(r"can't start new thread|failed to map|[Cc]annot allocate memory", str(failed))
    )


def run_and_flush(run: Callable[[], object]) -> int | str | None:
    """Run the command line, send off what it has told, and give the exit status: also where nobody takes what it tells."""
    nobody_listens = sys.stdout is None
    try:
        try:
            run()
            status: int | str | None = 0
        except SystemExit as end:
            status = end.code
        if nobody_listens and status == 0:
            say("underbow: can't write the answer: the output is closed")
            return 1
        if not nobody_listens:
            sys.stdout.flush()
    except BrokenPipeError:  # the reader has seen enough
        _drop(sys.stdout)
        return 1
    except MemoryError:  # before a command began, or after it ended
        say("underbow: not enough memory; close other programs")
        return 1
    except OSError as error:
        _drop(sys.stdout)
        with suppress(OSError):
            what = "can't write the answer" if error.filename is None else f"can't use {error.filename}"
            say(f"underbow: {what}: {error.strerror or error}; choose another place")
        return 1
    except Stopped as stopped:  # before a command began, or after it ended
        say(STOPPED)
        return stopped.status
    return status


def _drop(stream: TextIO) -> None:
    """Let nothing more be written there, so that the interpreter doesn't try again as it ends (and end with 120)."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def say(line: str) -> None:
    """Put one line on stderr, control characters made visible; a terminal that is gone hears nothing more."""
    try:
        typer.echo(visible(line, keep="\n\t"), err=True)
    except OSError:
        _drop(sys.stderr)


def tell(text: str) -> None:
    """Put a result on stdout."""
    typer.echo(visible(text, keep="\n\t"))


def tell_json(document: object) -> None:
    """Put one JSON document, and nothing else, on stdout; what would steer a terminal stands in it as JSON's escapes."""
    text = json.dumps(document, ensure_ascii=False, indent=2)
    typer.echo("".join(c if c == "\n" or is_shown(c) or c.isspace() else json.dumps(c)[1:-1] for c in text))
