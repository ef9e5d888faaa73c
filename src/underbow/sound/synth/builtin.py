"""The built-in voices: everything a track needs, from numpy alone.

Which instrument sounds follows from how a gesture is made (its manner) and, where that leaves a choice, from the part's General
MIDI program: a bow sounds a fiddle, another one for the melody than for the accompaniment; a pluck a guitar, a mandolin, banjo
or piano; a sustained tone a flute, a reed, a steady fiddle for drones, or a plain tone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache, partial
from typing import TypeAlias

from underbow.errors import InputError
from underbow.sound.synth import legato, sketch
from underbow.sound.synth.bowed.fiddle import Fiddle
from underbow.sound.synth.bowed.hand import BACKING, SOLO, STEADY
from underbow.sound.synth.bowed.shelf import Shelf
from underbow.sound.synth.chop import chop
from underbow.sound.synth.click import Click
from underbow.sound.synth.plucked import FIVE_STRING, HAMMERED, MANDOLIN_PAIR, STEEL_GUITAR, Plucked
from underbow.sound.synth.sustained import Sustained
from underbow.sound.synth.wind import FLUTE, PLAIN, REED
from underbow.sound.voice.voices import Action, Samples
from underbow.track.instruments import INSTRUMENTS, Manner

LOWEST_RATE, HIGHEST_RATE = 22_050, 96_000
BY_PROGRAM = {(one.manner, one.program): one.builtin for one in INSTRUMENTS}
STANDARD = (55, 62, 69, 76)
# Name; computed: hand, and which fiddle; sketched: style, and which fiddle. Two are told apart.
FIDDLES = (
    ("melody fiddle", SOLO, 3, sketch.STYLE, 26),
    ("backup fiddle", BACKING, 11, sketch.BACKING, 7),
    ("drone", STEADY, 11, sketch.STEADY, 7),
)
_BOWED = {name for name, *_ in FIDDLES}


class _Bowed:
    """A fiddle, whose strokes are worked out once.

    Parameters
    ----------
    make : callable
        Makes the fiddle, when the first stroke is wanted that isn't on the shelf.
    shelf : Shelf
    """

    def __init__(self, make: Callable[[], Fiddle], shelf: Shelf) -> None:
        self._fiddle, self._shelf = lru_cache(maxsize=1)(make), shelf

    def sounds(self, action: Action) -> Samples:
        known = self._shelf.take(action)
        if known is None:
            _, known = next(self._fiddle().many([action]))
            self._shelf.keep(action, known)
        return known.samples()

    def side_by_side(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Samples]]:
        missing = [action for action in actions if not self._shelf.has(action)]
        if missing:
            for action, stroke in self._fiddle().many(missing):
                self._shelf.keep(action, stroke)
                yield action, stroke.samples()
            self._shelf.tidy()


class _Sketch(Sustained):
    """The quick fiddle, which chops too."""

    def __init__(
        self, style: legato.Style, strings: tuple[int, ...], number: int, rate: int, concert_pitch: float
    ) -> None:
        super().__init__(sketch.fiddle(strings, number, style), rate, concert_pitch)

    def sounds(self, action: Action) -> Samples:
        if action.manner is Manner.CHOP and self.body is not None:
            return chop(action, self.body, self.noise, self.concert_pitch)
        return super().sounds(action)


_Player: TypeAlias = _Bowed | Sustained | Plucked | Click


class BuiltinVoice:
    """All built-in voices as one, at one rate, tuning and concert pitch.

    Nothing is folded back above -60 dB of a note: partials end at 16 kHz or 0.45 of the rate, whichever is lower.

    Parameters
    ----------
    rate : int
        Frames a second, 22,050 to 96,000.
    concert_pitch : float
        Hz of A4.
    strings : tuple of int
        The fiddle's open strings as MIDI numbers, lowest first.
    kept : bool
        Whether computed strokes are kept in the user's cache folder for other runs.
    computed : bool
        Whether the fiddle is computed from how its strings move, instead of sketched from wave tables.

    Examples
    --------
    >>> from underbow.sound.voice.voices import ActionNote
    >>> voice = BuiltinVoice(44_100)
    >>> stroke = Action(Manner.BOW, (ActionNote(0, 11_025, 55, 0.0, 0), ActionNote(0, 11_025, 64, 0.0, 1)), bow="d")
    >>> samples = voice.sounds(stroke)
    >>> samples.dtype.name, len(samples) > 11_025, round(float((samples[:11_025] ** 2).mean() ** 0.5), 3)
    ('float32', True, 0.1)
    """

    name = "builtin"

    def __init__(
        self,
        rate: int,
        concert_pitch: float = 440.0,
        strings: tuple[int, ...] = STANDARD,
        *,
        kept: bool = False,
        computed: bool = False,
    ) -> None:
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise InputError(
                f"found a sample rate of {rate} for the built-in voices, expected {LOWEST_RATE} to {HIGHEST_RATE}; "
                "write 44100 or 48000"
            )
        self.rate = rate
        self._makers: dict[str, Callable[[], _Player]] = {
            "flute": partial(Sustained, FLUTE, rate, concert_pitch),
            "reed": partial(Sustained, REED, rate, concert_pitch),
            "plain tone": partial(Sustained, PLAIN, rate, concert_pitch),
            "guitar": partial(Plucked, STEEL_GUITAR, rate, concert_pitch),
            "mandolin": partial(Plucked, MANDOLIN_PAIR, rate, concert_pitch),
            "banjo": partial(Plucked, FIVE_STRING, rate, concert_pitch),
            "piano": partial(Plucked, HAMMERED, rate, concert_pitch),
            "click": partial(Click, rate),
        }
        for name, style, number, sketched, drawn in FIDDLES:
            if not computed:
                self._makers[name] = partial(_Sketch, sketched, strings, drawn, rate, concert_pitch)
            else:
                made = partial(Fiddle, style, strings, number, rate, concert_pitch)
                says = f"{number} {style!r} {rate} {concert_pitch!r} {strings!r}"
                shelf = Shelf.usual(says) if kept else Shelf(None, says)
                self._makers[name] = partial(_Bowed, made, shelf)
        self._players: dict[str, _Player] = {}

    def sounds(self, action: Action) -> Samples:
        """Sound an action: float32, shape (frames,)."""
        return self._player(instrument(action)).sounds(action)

    def side_by_side(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Samples]]:
        """Sound what is bowed of some actions, and isn't kept, in any order: side by side it is many times faster."""
        bowed: dict[str, list[Action]] = {}
        for action in actions:
            bowed.setdefault(instrument(action), []).append(action)
        for name, strokes in bowed.items():
            player = self._player(name)
            if isinstance(player, _Bowed):
                yield from player.side_by_side(strokes)

    def _player(self, name: str) -> _Player:
        # Made when first wanted; two threads may both make one, and either is as good.
        player = self._players.get(name)
        if player is None:
            player = self._players.setdefault(name, self._makers[name]())
        return player


def is_bowed(action: Action) -> bool:
    """Say whether a fiddle sounds an action: where it is computed, that takes long."""
    return instrument(action) in _BOWED


def instrument(action: Action) -> str:
    """Say which built-in instrument sounds an action.

    >>> from underbow.sound.voice.voices import ActionNote
    >>> note = (ActionNote(0, 4410, 69),)
    >>> instrument(Action(Manner.PLUCK, note, program=15)), instrument(Action(Manner.TONE, note, program=73))
    ('mandolin', 'flute')
    """
    match action.manner:
        case Manner.CLICK:
            return "click"
        case Manner.BOW | Manner.CHOP:
            return "melody fiddle" if action.solo else "backup fiddle"
        case Manner.PLUCK:
            return BY_PROGRAM.get((Manner.PLUCK, action.program), "guitar")
        case Manner.TONE:
            return BY_PROGRAM.get((Manner.TONE, action.program), "plain tone")
