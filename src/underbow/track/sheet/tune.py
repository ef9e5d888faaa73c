"""The tune of a sheet: from a file beside it, from ABC in place, or composed over the progression; in the key asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from underbow.errors import InputError
from underbow.fiddle.tuning import Tuning
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.track.sheet.faults import in_place
from underbow.track.sheet.files import beside
from underbow.track.sheet.table import SheetTable
from underbow.tune.source import load_tune
from underbow.tune.tune import Tune


@dataclass(frozen=True, slots=True)
class Source:
    """What a tune is made from: the sheet's table, where it lies, and what of it was read before."""

    table: SheetTable
    folder: Path | None
    file: str
    progression: Progression | None
    key: Key | None
    meter: Meter | None
    tuning: Tuning | None


def tune_of(source: Source) -> Tune:
    """Load or compose the tune.

    Raises
    ------
    InputError
        With what is wrong in its file, or what is missing.
    """
    table = source.table
    if table.compose is not None:
        return _composed(source)
    if table.abc is not None:
        try:
            tune = load_tune(table.abc.strip("\n") + "\n", table.number, file=source.file)
        except InputError as error:
            raise InputError(*map(in_place, error.faults)) from None
    else:
        assert table.tune is not None  # noqa: S101  one of the three is given
        tune = load_tune(beside(source.folder, table.tune, "tune"), table.number, file=table.tune)
    if source.key is None or table.key is None or source.key == tune.key:
        return tune
    from underbow.tune.transpose import transposed  # noqa: PLC0415  needed where a key is asked for only

    return transposed(tune, table.key)  # as written: a bare tonic leaves the mode open


def _composed(source: Source) -> Tune:
    """Compose a melody over the progression."""
    from underbow.tune.melody.compose import DANCES, compose  # noqa: PLC0415

    assert source.table.compose is not None  # noqa: S101
    wanted = source.table.compose
    if source.progression is None:
        raise InputError('there are no changes to compose over; write progression = "G | G | C | D"')
    key = source.key or _key_of(source.progression)
    meter = source.meter
    if meter is None:  # the dance's first meter; an unknown dance is told by the composer
        danced = DANCES.get((wanted.dance or "").strip().lower(), ())
        meter = Meter.parse(danced[0] if danced else "4/4")
    return compose(
        source.progression,
        meter,
        key,
        seed=wanted.seed,
        dance=wanted.dance,
        bars=wanted.bars,
        tuning=source.tuning,
        title=source.table.title,
    )


def _key_of(progression: Progression) -> Key:
    """Take the first chord for the key."""
    if not progression.chords:
        raise InputError('no chord says the key; write one, such as progression = "G | G | C | D", or a key')
    first = progression.chords[0]
    return Key(first.root, "minor" if first.is_minor else "major")
