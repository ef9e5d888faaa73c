"""The track sheet itself: everything that a teacher asked for, read and resolved."""

from __future__ import annotations

from dataclasses import dataclass

from underbow.errors import Fault
from underbow.fiddle.pattern import Pattern
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.tuning import Tuning
from underbow.theory.progression import Progression
from underbow.track.mixes import Mix
from underbow.track.ramp import Ramp
from underbow.track.sheet.recording import NamedRecording
from underbow.tune.tune import Melody, Tune


@dataclass(frozen=True, slots=True)
class Sheet:
    """A track sheet, everything in it read and resolved.

    Parameters
    ----------
    title : str
    file : str
        As the user named it; empty where it was no file.
    tune : Tune
        In the key that is played.
    melody : Melody
        What one pass plays: the tune in its form, its bars chosen, with the chords in force.
    whole : Melody
        The same with the bars that are left out, and in the tune's own order where its chords are no progression's: what
        stands over the staff.
    patterns : tuple of (str, Pattern)
        For each section that is played, under the tune's meter, the sheet's swing applied.
    progression : Progression or None
        What was laid under the tune, or worked out for it; None where the tune's own chords are played.
    changes : tuple of (str, str)
        Bars that the teacher has decided, by printed number, as written; they lie over everything else.
    doubtful : frozenset of int
        Bars, by printed number, whose chords were worked out and may well be wrong.
    tuning : Tuning
    strings : str
        ``"low"``, ``"middle"`` or ``"high"``.
    pinned : tuple of (str, str)
        Chord and hand shape, as the teacher wants it.
    shapes : tuple of (HandShape or None)
        For each chord of the melody.
    form, bars : str
        As written; empty where the tune is played as it stands.
    to_learner : str
        The teacher's words, plain text of one line or several.
    ramp : Ramp
    count_in : int
        Bars.
    concert_pitch : float
        Hz of A4.
    loudness : float
        LUFS.
    room : str
        ``"small"`` or ``"off"``: the room round the players.
    seed : int
    voice : str
        The melody's instrument, one of :data:`~underbow.track.instruments.MELODY_VOICES`.
    feel_ms, feel_db : float
        How far human hands stray, at most.
    drone, tuning_notes : bool
    mixes : tuple of Mix
        At least one.
    recording : NamedRecording or None
        Of somebody who plays the melody.
    told : tuple of Fault
        What was assumed on the way: no faults of the sheet, but worth a line.
    """

    title: str
    file: str
    tune: Tune
    melody: Melody
    whole: Melody
    patterns: tuple[tuple[str, Pattern], ...]
    progression: Progression | None
    changes: tuple[tuple[str, str], ...]
    tuning: Tuning
    strings: str
    pinned: tuple[tuple[str, str], ...]
    shapes: tuple[HandShape | None, ...]
    form: str
    bars: str
    to_learner: str
    ramp: Ramp
    count_in: int
    concert_pitch: float
    loudness: float
    room: str
    seed: int
    voice: str
    feel_ms: float
    feel_db: float
    drone: bool
    tuning_notes: bool
    mixes: tuple[Mix, ...]
    recording: NamedRecording | None = None
    doubtful: frozenset[int] = frozenset()
    told: tuple[Fault, ...] = ()

    def pattern(self, section: str) -> Pattern:
        """Give the pattern of a section."""
        return next(pattern for name, pattern in self.patterns if name == section)

    @property
    def pair(self) -> tuple[int, int]:
        """Indices of the two strings that the backup stays on."""
        return self.tuning.pair(self.strings)
