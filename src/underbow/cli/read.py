"""What is being played: ``tune`` shows what was read, ``chords`` suggests changes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, number, say, tell, tell_json
from underbow.errors import InputError

if TYPE_CHECKING:
    from underbow.ear.writing.write import Given

RECORDINGS = (
    ".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".m4a", ".mp4", ".aac", ".webm", ".aif", ".aiff", ".caf",
)  # fmt: skip
TuneFile = Annotated[Path, typer.Argument(metavar="FILE", help="An ABC file or tunebook, MusicXML, or a MIDI file.")]
Number = Annotated[
    int | None, typer.Option(metavar="N", parser=number(), help="The tune's number in its book (X: in ABC).")
]
Title = Annotated[str | None, typer.Option(metavar="TEXT", help="The tune's title, or part of it.")]
Strict = Annotated[bool, typer.Option("--strict", metavar="", help="Treat guesses as errors.")]


@app.command()
@command
def tune(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="ABC, MusicXML or MIDI; or a recording of somebody playing the tune.")
    ],
    number: Number = None,
    title: Title = None,
    strict: Strict = False,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="OUT.abc", help="Of a recording: a new file for what was played, as ABC."
        ),
    ] = None,
    meter: Annotated[str, typer.Option(metavar="METER", help="Of a recording: its meter, such as 6/8.")] = "",
    beat: Annotated[str, typer.Option(metavar="NOTE", help="Of a recording: what a beat is, such as 3/8.")] = "",
    tempo: Annotated[
        float | None,
        typer.Option(metavar="N", parser=number(20, 400, float), help="Of a recording: beats a minute, about."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Show what was read from a tune: key, meter, form, melody, chords by bar. With a recording, write down what is played.

    A tunebook without a number or a title lists its tunes. What is written down from a recording is a draft: doubtful bars
    are marked with a question mark.

    Examples:

      underbow tune tracks/lamplight.abc

      underbow tune my-book.abc --number 12

      underbow tune me.wav -o my-tune.abc --meter 6/8
    """
    if file.suffix.lower() in RECORDINGS:
        _written_down(file, output, _given(meter, beat, tempo), as_json=as_json)
        return
    if output is not None or meter or beat or tempo is not None:
        raise InputError("-o, --meter, --beat and --tempo are for a recording; leave them out for a written tune")
    from underbow.tune.show import book_text, tune_json, tune_text
    from underbow.tune.source import list_book, load_tune, load_tunes

    if number is None and title is None:
        book = list_book(file)
        if len(book) > 1:
            if strict:
                load_tunes(file, strict=True)
            if as_json:
                tell_json([{"number": tune.number, "title": tune.title} for tune in book])
            else:
                tell(book_text(book))
            return
    found = load_tune(file, number=number, title=title, strict=strict)
    if as_json:
        tell_json(tune_json(found))
    else:
        tell(tune_text(found))


def _given(meter: str, beat: str, tempo: float | None) -> Given:
    from fractions import Fraction

    from underbow.ear.writing.write import Given
    from underbow.theory.meter import Meter

    try:
        known = Meter.parse(meter) if meter else None
        quarters = Fraction(beat) * 4 if beat else None
    except (ValueError, ZeroDivisionError) as error:
        raise InputError(f"--meter or --beat: {error}") from None
    if quarters is not None and not Fraction(1, 4) <= quarters <= 4:
        raise InputError(f'--beat must be a note value from 1/16 to 1/1, such as 1/4 or 3/8, not "{beat}"')
    return Given(known, quarters, tempo)


def _written_down(file: Path, output: Path | None, given: Given, *, as_json: bool) -> None:
    from underbow.ear.writing.write import write_down
    from underbow.files.whole import write_whole
    from underbow.tune.show import tune_json

    if output is not None and (output.exists() or output.is_symlink()):
        raise InputError(f"{output} already exists; name a new file, so that nothing is lost")
    found = write_down(file, given)
    for remark in found.told:
        say(f"underbow: {remark}")
    if output is not None:
        write_whole(output, found.abc)
        say(f"underbow: wrote {output}; look at it with `underbow tune {output}`")
    if as_json:
        tell_json(tune_json(found.tune) | {"abc": found.abc})
    elif output is None:
        tell(found.abc.rstrip("\n"))


@app.command()
@command
def chords(
    file: TuneFile,
    number: Number = None,
    title: Title = None,
    style: Annotated[
        str, typer.Option(metavar="STYLE", help="usual; few: three chords at most; open: no thirds, for modal tunes.")
    ] = "usual",
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="OUT.abc", help="Also write the tune to a new file, with these chords."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Suggest chords for a tune that has none, bar by bar, with what else would do.

    With -o an ABC file is written again with the chords in it and nothing else changed; of MIDI or MusicXML, the tune as ABC.

    A percentage after a bar says how much of it can be expected to be right where that is not much: play those and choose.

    Examples:

      underbow chords my-tune.abc

      underbow chords my-book.abc --number 12 -o with-chords.abc
    """
    from underbow.cli.changes import changes_json, changes_text
    from underbow.files.whole import write_whole
    from underbow.files.workplace import clear_leftovers
    from underbow.tune.abc.insert import chords_into_file
    from underbow.tune.abc.writer import to_abc
    from underbow.tune.harmony.harmonise import harmonise
    from underbow.tune.source import load_tune

    if output is not None and (output.exists() or output.is_symlink()):
        raise InputError(f"{output} already exists; name a new file, so that nothing is lost")
    found = load_tune(file, number=number, title=title)
    for remark in found.told:
        say(f"underbow: note: {remark}")
    harmony = harmonise(found, style=style)  # type: ignore[arg-type]  # it tells what is no style
    if output is not None:
        clear_leftovers(output.parent)
        of_abc = any(note.source for measure in found.measures for note in measure.notes)
        write_whole(output, chords_into_file(file.read_bytes(), harmony.tune) if of_abc else to_abc(harmony.tune))
        say(f"underbow: wrote {output}")
    if as_json:
        tell_json(changes_json(harmony))
    else:
        tell(changes_text(harmony))
