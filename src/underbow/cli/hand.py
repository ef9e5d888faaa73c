"""What the bow and the left hand do: ``patterns`` and ``shapes``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, say, tell, tell_json


@app.command()
@command
def patterns(
    name: Annotated[str | None, typer.Argument(help="A pattern's name, or your own pattern file (.toml).")] = None,
    as_json: Json = False,
) -> None:
    """Show the library of bow-stroke patterns, or draw one.

    Examples:

      underbow patterns

      underbow patterns georgia-shuffle

      underbow patterns my-pattern.toml
    """
    from underbow.fiddle.draw_grid import draw, list_text, pattern_json
    from underbow.fiddle.pattern import find_pattern, library

    chosen = list(library().values()) if name is None else [find_pattern(name, Path())]
    if as_json:
        tell_json([pattern_json(pattern) for pattern in chosen])
    elif name is None:
        tell(list_text(chosen))
    else:
        tell(draw(chosen[0]))


@app.command()
@command
def shapes(
    chords: Annotated[list[str], typer.Argument(metavar="CHORD...", help="Chord symbols, such as G Am D7.")],
    tuning: Annotated[str, typer.Option(help="GDAE, AEAE, ADAE, GDGD ... or four notes, lowest first.")] = "GDAE",
    strings: Annotated[str, typer.Option(help="The pair to stay on: low, middle or high.")] = "low",
    every: Annotated[bool, typer.Option("--all", help="All choices of each chord, with their cost and why.")] = False,
    as_json: Json = False,
) -> None:
    """Find the hand shapes for chords, and draw them.

    The shapes are chosen together, so that the hand gets from each to the next.

    Examples:

      underbow shapes C G D A

      underbow shapes A D E7 --tuning AEAE --all
    """
    from underbow.errors import InputError
    from underbow.fiddle.shape_list import list_text, shapes_json
    from underbow.fiddle.shape_path import Step, solve
    from underbow.fiddle.shape_text import draw_text
    from underbow.fiddle.tuning import Tuning
    from underbow.theory.chord import Chord

    read: list[Chord] = []
    faults: list[str] = []
    for text in chords:
        try:
            read.append(Chord.parse(text))
        except ValueError as fault:
            faults.append(str(fault))
    if faults:
        raise InputError(*faults)
    strung = Tuning.parse(tuning)
    pair = strung.pair(strings)
    if as_json:
        tell_json(shapes_json(read, strung, pair))
        return
    if every:
        tell(list_text(read, strung, pair))
        return
    solution = solve([Step(chord, 2.0) for chord in read], strung, pair)
    drawn = [(chord, shape) for chord, shape in zip(read, solution.shapes, strict=True) if shape is not None]
    tell(draw_text(drawn))
    for line in solution.told:
        say(f"underbow: note: {line}")
