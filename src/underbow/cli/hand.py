"""What the bow and the left hand do: ``patterns`` and ``shapes``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, number, say, tell, tell_json

if TYPE_CHECKING:
    from underbow.theory.chord import Chord


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
    from underbow.fiddle.drawing.grid_text import draw, list_text, pattern_json
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
    chords: Annotated[list[str], typer.Argument(metavar="CHORD", help="Chord symbols, such as G Am D7.")],
    tuning: Annotated[
        str, typer.Option(metavar="TUNING", help="GDAE, AEAE, ADAE, GDGD ... or four notes, lowest first.")
    ] = "GDAE",
    strings: Annotated[str, typer.Option(metavar="PAIR", help="The pair to stay on: low, middle or high.")] = "low",
    pin: Annotated[
        list[str] | None,
        typer.Option(metavar="CHORD=SHAPE", help="A shape you want, such as G=0-3; can be repeated."),
    ] = None,
    position: Annotated[int, typer.Option(metavar="N", parser=number(), help="The highest position: 1, 2 or 3.")] = 1,
    hand: Annotated[
        str,
        typer.Option(metavar="HAND", help="steady: one shape for each chord. nearest: whichever is nearest each time."),
    ] = "steady",
    modal: Annotated[
        bool, typer.Option("--modal", metavar="", help="Avoid thirds where possible, for modal tunes.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", metavar="", help="Every choice for each chord, with its cost and the reasons.")
    ] = False,
    four: Annotated[bool, typer.Option("--four-strings", metavar="", help="Draw all four strings.")] = False,
    tapes: Annotated[bool, typer.Option("--tapes", metavar="", help="Draw where a beginner's tapes are.")] = False,
    as_json: Json = False,
) -> None:
    """Find the hand shapes for chords, and draw them.

    The shapes are chosen together: one for each chord, so that the hand gets from each to the next.

    Examples:

      underbow shapes C G D A

      underbow shapes A D E7 --tuning AEAE --all

      underbow shapes G C D --pin G=0-3 --four-strings --tapes
    """
    from underbow.fiddle.drawing.shape_text import draw_text
    from underbow.fiddle.shapes.cost import hand_weights
    from underbow.fiddle.shapes.list import list_text, shapes_json
    from underbow.fiddle.shapes.path import Step, solve
    from underbow.fiddle.shapes.search import Technique
    from underbow.fiddle.tuning import Tuning

    read = _chords(chords)
    strung = Tuning.parse(tuning)
    pair = strung.pair(strings)
    pinned = _pins(pin or [], read)
    technique = Technique(position=position, modal=modal)
    weights = hand_weights(hand)
    if as_json:
        tell_json(shapes_json(read, strung, pair, pinned, technique, weights=weights))
        return
    if every:
        tell(list_text(read, strung, pair, pinned, technique, weights=weights))
        return
    solution = solve([Step(chord, 2.0) for chord in read], strung, pair, pinned, technique, weights=weights)
    drawn = [(chord, shape) for chord, shape in zip(read, solution.shapes, strict=True) if shape is not None]
    tell(draw_text(drawn, all_strings=four, tapes=tapes))
    for line in solution.remarks:
        say(f"underbow: note: {line}")


def _chords(words: Sequence[str]) -> list[Chord]:
    """Read chord symbols; bar lines between them are let pass, for they may come out of a sheet."""
    from underbow.errors import InputError
    from underbow.theory.chord import Chord

    read: list[Chord] = []
    faults: list[str] = []
    for text in " ".join(words).replace("|", " ").split():
        try:
            read.append(Chord.parse(text))
        except ValueError as fault:
            faults.append(str(fault))
    if faults:
        raise InputError(*faults)
    if not read:
        raise InputError("no chord; write some, such as: underbow shapes G C D")
    return read


def _pins(words: Sequence[str], chords: Sequence[Chord]) -> dict[str, str]:
    """Read ``CHORD=SHAPE``; a pin for a chord that is not asked for would say nothing, so it is told."""
    from underbow.errors import InputError

    pins = dict(word.partition("=")[::2] for word in words)
    for symbol, shape in pins.items():
        if not shape:
            raise InputError(f"--pin needs a chord and a shape, such as G=0-3, not {symbol!r}")
        (chord,) = _chords([symbol]) if len(symbol.split()) == 1 else (None,)
        if chord not in chords:
            raise InputError(f"--pin {symbol}={shape}: {symbol} is not among the chords; name it there too")
    return pins
