"""Who does the work of a command, and what is shown meanwhile: options and progress of all commands that make something."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.boundary import number, say
from underbow.errors import InputError
from underbow.text import one_line

if TYPE_CHECKING:
    from underbow.jobs.progress import Progress
    from underbow.jobs.work import Way

NoCache = Annotated[
    bool, typer.Option("--no-cache", metavar="", help="Make everything again, even what is in the cache.")
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers",
        metavar="N",
        parser=number(0, 512),
        help="Processes; by default one per core when there are several sheets.",
    ),
]
Template = Annotated[
    Path | None,
    typer.Option(metavar="SHEET", help="A track sheet without a tune, for every tune of a tunebook."),
]
OnCluster = Annotated[str, typer.Option("--cluster", metavar="ADDRESS", help="Use the workers of a dask scheduler.")]


@contextmanager
def a_way(sheets: int, workers: int | None, cluster: str, *, cache: bool) -> Iterator[Way]:
    """Settle how sheets are made, and show the progress meanwhile."""
    from underbow.jobs.cache import Cache
    from underbow.jobs.crew import usual_workers
    from underbow.jobs.work import Way

    if workers is not None and cluster:
        raise InputError("use --workers or --cluster, not both")
    count = usual_workers(sheets) if workers is None else workers
    begun = time.monotonic()
    states: list[Progress] = []
    with shown_progress() as show:

        def told(state: Progress) -> None:
            states[:] = [state]
            if show is not None:
                show(state)

        try:
            yield Way(Cache.usual() if cache else Cache(None), count, cluster, told)
        finally:
            if sheets > 1 and states:
                _sum_up(states[0], time.monotonic() - begun)


def _sum_up(state: Progress, seconds: float) -> None:
    """Say in a line what became of several sheets."""
    counts = {
        "made": state.finished - state.kept,
        "made before": state.kept,
        "failed": state.failed,
        "not begun or broken off": state.count - state.finished - state.failed,
    }
    parts = [f"{count} {what}" for what, count in counts.items() if count]
    say(f"underbow: of {state.count} sheets {', '.join(parts)}, in {time_words(seconds)}")


@contextmanager
def shown_progress() -> Iterator[Callable[[Progress], None] | None]:
    """Show one line on stderr, where that is a terminal: what is being made, how far all of it is, how long it will take."""
    import sys

    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %  {task.fields[left]}"),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("looking through the sheets", total=1.0, left="")

        def show(state: Progress) -> None:
            number = f"{min(state.finished + 1, state.count)} of {state.count}: " if state.count > 1 else ""
            left = "" if state.left is None else f"{time_words(state.left)} left"
            bar.update(task, completed=state.share, description=number + escape(one_line(state.title)), left=left)

        yield show


def time_words(seconds: float) -> str:
    """Say how long something takes, roughly.

    >>> time_words(8), time_words(100), time_words(9000)
    ('8 s', '2 min', '2.5 h')
    """
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
