"""The built-in voices: everything a track needs, from numpy alone.

Which instrument sounds follows from how a gesture is made (its manner) and, where that leaves a choice, from the part's General
MIDI program: a bow sounds a fiddle, another one for the melody than for the accompaniment; a pluck a guitar, a mandolin, banjo
or piano; a sustained tone a flute, a reed, a steady fiddle for drones, or a plain tone.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from underbow.errors import InputError
from underbow.sound.synth.bowed import BACKING, STEADY, fiddle
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
MELODY_FIDDLE, BACKUP_FIDDLE = 26, 7  # seeds: a bright fiddle and a warm one, told apart by ear


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

    def __init__(self, rate: int, concert_pitch: float = 440.0, strings: tuple[int, ...] = STANDARD) -> None:
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise InputError(
                f"found a sample rate of {rate} for the built-in voices, expected {LOWEST_RATE} to {HIGHEST_RATE}; "
                "write 44100 or 48000"
            )
        self.rate = rate
        self._makers: dict[str, Callable[[], Sustained | Plucked | Click]] = {
            "melody fiddle": partial(Sustained, fiddle(strings, MELODY_FIDDLE), rate, concert_pitch),
            "backup fiddle": partial(Sustained, fiddle(strings, BACKUP_FIDDLE, BACKING), rate, concert_pitch),
            "drone": partial(Sustained, fiddle(strings, BACKUP_FIDDLE, STEADY), rate, concert_pitch),
            "flute": partial(Sustained, FLUTE, rate, concert_pitch),
            "reed": partial(Sustained, REED, rate, concert_pitch),
            "plain tone": partial(Sustained, PLAIN, rate, concert_pitch),
            "guitar": partial(Plucked, STEEL_GUITAR, rate, concert_pitch),
            "mandolin": partial(Plucked, MANDOLIN_PAIR, rate, concert_pitch),
            "banjo": partial(Plucked, FIVE_STRING, rate, concert_pitch),
            "piano": partial(Plucked, HAMMERED, rate, concert_pitch),
            "click": partial(Click, rate),
        }
        self._players: dict[str, Sustained | Plucked | Click] = {}

    def sounds(self, action: Action) -> Samples:
        """Sound an action: float32, shape (frames,)."""
        player = self._player(instrument(action))
        if action.manner is Manner.CHOP and isinstance(player, Sustained) and player.body is not None:
            return chop(action, player.body, player.noise, player.concert_pitch)
        return player.sounds(action)

    def _player(self, name: str) -> Sustained | Plucked | Click:
        # Made when first wanted; two threads may both make one, and either is as good.
        player = self._players.get(name)
        if player is None:
            player = self._players.setdefault(name, self._makers[name]())
        return player


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
