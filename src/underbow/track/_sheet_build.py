"""From a checked table to a sheet: files loaded, chords laid under the tune, the ramp worked out, every fault collected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from underbow.errors import Fault, InputError, near_miss
from underbow.fiddle.handshape import HandShape, Step, solve
from underbow.fiddle.pattern import Pattern, default_pattern, find_pattern
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.track._laying import full_bars
from underbow.track._sheet_files import beside
from underbow.track._sheet_ramp import ramp_of, too_long
from underbow.track._sheet_table import EXPECTED, MixTable, SheetTable
from underbow.track._sheet_tune import Source, bar_faults, tune_of
from underbow.track.evening import evened
from underbow.track.form import in_form, only_bars, over
from underbow.track.instruments import MELODY_VOICES
from underbow.track.mixes import PARTS, STANDARD_MIXES, Mix
from underbow.track.ramp import Ramp
from underbow.track.sheet import Sheet
from underbow.tune.tune import Melody, Tune

T = TypeVar("T")
MOST_NOTES = 100_000  # in one pass


class Builder:
    """Builds one sheet; :attr:`faults` holds what was wrong."""

    def __init__(self, table: SheetTable, folder: Path | None, file: str, faults: list[Fault]) -> None:
        self.faults = faults
        self._table = table
        self._folder = folder
        self._file = file
        self._told: list[Fault] = []
        self._broken = {fault.where.partition(".")[0] for fault in faults}

    def sheet(self) -> Sheet | None:
        """Build it; None where something is missing that everything else rests on."""
        table = self._table
        tuning = self._try("tuning", lambda: Tuning.parse(table.tuning))
        if tuning is not None:
            self._try("strings", lambda: tuning.pair(table.strings))
        mixes = self._mixes()
        progression = self._try(
            "progression", lambda: Progression.parse(table.progression) if table.progression else None
        )
        key = self._read("key", lambda: Key.parse(table.key) if table.key else None)
        named = self._named_patterns()
        meter = self._read("meter", lambda: Meter.parse(table.meter) if table.meter else None)
        if table.meter is not None and table.compose is None and (table.tune or table.abc):
            self._say("meter", "a written tune has its own; leave meter out (it is for a composed one)")
        tune = self._tune(progression, key, meter=meter, tuning=tuning, named=named)
        if tune is None:
            return None
        whole, told = evened(tune.melody())
        self._told += [Fault(f"as played, {what}", file=table.tune or self._file) for what in told]
        if not full_bars(whole) or full_bars(whole)[-1].length <= 0:
            self._say("tune", "no full bar of music; write at least one")
            return None
        crooked = bar_faults(whole) if not tune.free else []
        self.faults += [replace(fault, file=table.tune or self._file) for fault in crooked]
        melody, progression = self._melody(tune, whole, progression)
        if melody is None:
            return None
        patterns = self._patterns(tune, melody, [section.name for section in whole.sections], named)
        ramp = self._read("tempo", lambda: ramp_of(table.tempo, tune.meter, patterns[0][1])) if patterns else None
        if ramp is None or tuning is None or not patterns or mixes is None:
            return None
        self._limits(melody, ramp)
        shapes = self._shapes(melody, tuning, ramp)
        if shapes is None or self.faults:
            return None
        sound = table.sound
        return Sheet(
            title=table.title or tune.title or "Untitled",
            file=self._file,
            tune=tune,
            melody=melody,
            patterns=tuple(patterns),
            progression=progression,
            tuning=tuning,
            strings=table.strings,
            pinned=tuple(table.shapes.items()),
            shapes=shapes,
            form=table.form or "",
            bars=table.bars or "",
            ramp=ramp,
            count_in=table.tempo.count_in,
            concert_pitch=float(sound.concert_pitch),
            loudness=float(sound.loudness),
            seed=sound.seed,
            voice=sound.voice,
            feel_ms=float(sound.feel_ms),
            feel_db=float(sound.feel_db),
            drone=sound.drone,
            tuning_notes=sound.tuning_notes,
            mixes=mixes,
            told=tuple(dict.fromkeys([*(_named(fault, self._file) for fault in tune.told), *self._told])),
        )

    def _say(self, where: str, what: str) -> None:
        self.faults.append(Fault(what, file=self._file, where=where))

    def _read(self, where: str, read: Callable[[], T]) -> T | None:
        """Read a value whose type says in a ValueError what it expected."""

        def told() -> T:
            try:
                return read()
            except ValueError as error:
                raise InputError(str(error)) from None

        return self._try(where, told)

    def _try(self, where: str, make: Callable[[], T]) -> T | None:
        """Make something; what is wrong with it becomes faults of that key."""
        try:
            return make()
        except InputError as error:
            for fault in error.faults:
                if fault.file and fault.file != self._file:  # another file's own: it says where already
                    self.faults.append(fault)
                else:
                    self.faults.append(replace(fault, file=self._file, where=_within(where, fault.where)))
        return None

    def _tune(
        self,
        progression: Progression | None,
        key: Key | None,
        *,
        meter: Meter | None,
        tuning: Tuning | None,
        named: dict[str, Pattern],
    ) -> Tune | None:
        table = self._table
        given = [name for name in ("tune", "abc", "compose") if getattr(table, name) is not None]
        if len(given) != 1:
            if not given and not {"tune", "abc", "compose"} & self._broken:
                self._say("tune", 'missing; write tune = "name.abc" for a file beside the sheet, abc = """ ... """ for a tune in '
                          "place, or compose = { seed = 1 } for a melody over the progression")  # fmt: skip
            elif given:
                self._say("tune", f"found {' and '.join(given)}, expected one of them; leave the others out")
            return None
        if meter is None and named:
            meter = next(iter(named.values())).grid.meter
        source = Source(table, self._folder, self._file, progression, key, meter, tuning)
        return self._try(given[0], lambda: tune_of(source))

    def _melody(
        self, tune: Tune, whole: Melody, progression: Progression | None
    ) -> tuple[Melody | None, Progression | None]:
        """Lay out what one pass plays, and what was laid under it."""
        table = self._table
        melody: Melody | None = whole
        if table.form is not None:
            form = table.form
            melody = self._try("form", lambda: in_form(whole, form))
        if melody is None:
            return None, None
        if table.compose is not None:
            return self._stretch(melody), progression  # a composed tune has its chords already
        if progression is None and not any(span.chord for span in melody.chords):
            if "progression" in self._broken or table.progression is not None:
                return None, None
            progression = self._harmonised(tune)
            if progression is None:
                return None, None
        shaped = melody
        if progression is not None:
            laid = progression
            melody = self._try("progression", lambda: over(shaped, laid))
        return (melody and self._stretch(melody)), progression

    def _stretch(self, melody: Melody) -> Melody | None:
        """Keep the bars that the sheet asks for."""
        bars = self._table.bars
        return melody if bars is None else self._try("bars", lambda: only_bars(melody, bars))

    def _harmonised(self, tune: Tune) -> Progression | None:
        """Find chords for a tune that has none."""
        try:
            from underbow.tune.harmonise import harmonise  # noqa: PLC0415
        except ImportError:
            self._say("progression", 'the tune has no chords; write progression = "G | C | ..."')
            return None
        found = self._try("tune", lambda: harmonise(tune).progression)
        if found is not None:
            what = "the tune has no chords, so these were worked out: " + str(found).replace("\n", "   ")
            self._told.append(Fault(what, file=self._file, where="progression"))
        return found

    def _named_patterns(self) -> dict[str, Pattern]:
        """Find the patterns that the sheet names: by section, or under an empty name for all."""
        written = self._table.pattern
        if written is None:
            return {}
        names = {"": written} if isinstance(written, str) else written
        out = {}
        for section, name in names.items():
            where = f"pattern.{section}" if section else "pattern"
            found = self._try(where, lambda name=name: self._found(name))  # type: ignore[misc]
            if found is not None:
                out[section] = found
        return out

    def _found(self, name: str) -> Pattern:
        if name.lower().endswith(".toml"):
            path = beside(self._folder, name, "pattern")
            return find_pattern(path.name, path.parent)
        return find_pattern(name)

    def _patterns(
        self, tune: Tune, melody: Melody, known: list[str], named: dict[str, Pattern]
    ) -> list[tuple[str, Pattern]]:
        played = list(dict.fromkeys(bar.section for bar in full_bars(melody)))
        written = self._table.pattern
        if isinstance(written, dict):
            names = list(dict.fromkeys(known))
            for section in written:
                if section not in names:
                    hint = near_miss(section, names)
                    self._say(f"pattern.{section}", f"no such section{hint}; the tune has {', '.join(names)}")
            missing = [section for section in played if section not in written]
            if missing:
                self._say("pattern", f"no pattern for section {', '.join(missing)}; write one for each")
        swing = self._table.sound.swing
        out = []
        for section in played:
            pattern = named.get(section) or named.get("")
            if pattern is None:
                if written is not None or "pattern" in self._broken:
                    continue  # told already
                pattern = default_pattern(tune.meter, tune.rhythm)
            fitted = self._try("pattern", lambda pattern=pattern: pattern.fitted(tune.meter))  # type: ignore[misc]
            if fitted is not None and swing is not None:
                fitted = self._try("sound.swing", lambda fitted=fitted: _swung(fitted, swing))  # type: ignore[misc]
            if fitted is not None:
                out.append((section, fitted))
        return out if len(out) == len(played) else []

    def _shapes(self, melody: Melody, tuning: Tuning, ramp: Ramp) -> tuple[HandShape | None, ...] | None:
        """Solve the left hand for one pass going round, at the goal tempo, where it is hardest."""
        pinned: dict[str, str] = {}
        played = {str(span.chord) for span in melody.chords if span.chord}
        for symbol, shape in self._table.shapes.items():
            chord = self._read("shapes", lambda symbol=symbol: Chord.parse(symbol))  # type: ignore[misc]
            if chord is not None and str(chord) not in played:
                self._say("shapes", f"{symbol} is not played; the chords are {', '.join(sorted(played))}")
            elif chord is not None:
                pinned[str(chord)] = shape
        pair = self._try("strings", lambda: tuning.pair(self._table.strings))
        if pair is None:
            return None
        rate = float(ramp.tempos[-1].quarters_per_minute) / 60
        steps = [Step(span.chord, float(span.length) / rate) for span in melody.chords]
        solution = self._try("shapes", lambda: solve(steps, tuning, pair, pinned, around=True))
        if solution is None:
            return None
        self._told += [Fault(text, file=self._file, where="shapes") for text in solution.told]
        return solution.shapes

    def _limits(self, melody: Melody, ramp: Ramp) -> None:
        if len(melody.notes) > MOST_NOTES:
            self._say("tune", f"{len(melody.notes)} notes in one pass; {MOST_NOTES} are the most, write form or bars")
        fault = too_long(ramp, melody, self._table.tempo.count_in)
        if fault:
            self._say("tempo", fault)

    def _mixes(self) -> tuple[Mix, ...] | None:
        if "voice" not in self._broken and self._table.sound.voice not in MELODY_VOICES:
            voice = self._table.sound.voice
            known = f"expected one of {', '.join(MELODY_VOICES)}{near_miss(voice, MELODY_VOICES)}"
            self._say("sound.voice", f'found "{voice}", {known}')
        tables = self._table.mix
        names = [mix.name.strip().lower() for mix in tables]
        for number, (mix, name) in enumerate(zip(tables, names, strict=True), start=1):
            if names.index(name) != number - 1:
                self._say(f"mix {number}.name", f'"{mix.name}" is there twice; give each mix a name of its own')
            if not any(getattr(mix, part) is not None for part in PARTS):
                self._say(f"mix {number}", "no part is heard; write a level in dB for one, such as melody = 0")
        return tuple(_mix(mix) for mix in tables) or STANDARD_MIXES


def _named(fault: Fault, file: str) -> Fault:
    """Let a fault without a file name the sheet's."""
    return fault if fault.file else replace(fault, file=file)


def _within(key: str, place: str) -> str:
    """Join a key and a place in its value, which may be a key of its table or the key itself."""
    if place == "" or key.rpartition(".")[2] == place:
        return key
    return f"{key}.{place}" if f"{key}.{place}" in EXPECTED else f"{key}, {place}"


def _mix(table: MixTable) -> Mix:
    levels = []
    for part in PARTS:
        written = getattr(table, part)
        if written is not None:
            values = written if isinstance(written, list) else [written]
            levels.append((part, tuple(None if value == "off" else float(value) for value in values)))
    return Mix(table.name.strip(), tuple(levels), table.turns)


def _swung(pattern: Pattern, swing: float) -> Pattern:
    return replace(pattern, grid=replace(pattern.grid, swing=float(swing)))
