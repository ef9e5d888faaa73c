"""Make a lesson of what was gathered, and tell what was made: for ``lesson`` and ``drill``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from underbow.cli.boundary import say, tell, tell_json

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from underbow.jobs.gather import Gathered
    from underbow.jobs.lesson import Zips
    from underbow.jobs.work import Way

_MANY = 12  # sheets; of more the page of contents alone is named


def hand_out(
    gathered: Gathered,
    folder: Path,
    a_way: AbstractContextManager[Way],
    *,
    title: str = "",
    again: bool = False,
    zips: Zips = "auto",
    as_json: bool = False,
) -> None:
    """Make a lesson, and tell what was made."""
    from underbow.jobs.lesson import make_lesson

    for line in gathered.told:
        say(f"underbow: {line}")
    with a_way as way:
        handout = make_lesson(gathered, folder, way, title=title, again=again, zips=zips)
    for line in handout.told:
        say(f"underbow: {line}")
    for name in handout.kept:
        say(f"underbow: kept from before: {handout.folder / name}")
    if as_json:
        tell_json(handout.manifest() | {"folder": str(handout.folder), "zip": handout.zip and str(handout.zip)})
        return
    tell(
        f"{handout.title}: {handout.files} files in {handout.folder}"
        + (f", packed in {handout.zip}" if handout.zip else "")
    )
    if len(gathered.jobs) > _MANY:
        tell(f"  {handout.folder / 'index.html'}")
        return
    for file in handout.manifest()["files"]:
        if file["kind"] in ("page", "handout"):
            tell(f"  {handout.folder / file['path']}")
