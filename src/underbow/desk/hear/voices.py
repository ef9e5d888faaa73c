"""The voice of the desk: made ready when the desk begins, kept for as long as it is open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from threading import Lock

from underbow.desk.hear.beside import Beside, a_thread
from underbow.desk.hear.prompt import Prompt, Sounder
from underbow.sound.choose import choose_voice, voices_in_use
from underbow.sound.synth.builtin import STANDARD, BuiltinVoice, is_bowed
from underbow.sound.voice.voices import Action, ActionNote, Samples, Voice
from underbow.track.instruments import PROGRAMS, Manner
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["RATE", "Voices", "one_by_one"]

RATE = 44_100  # frames a second of all that is heard at the desk
_KEPT = 3  # fiddles, by tuning and concert pitch
_TOGETHER = 48  # strokes: the built-in fiddle is little slower with as many than with one


@dataclass(slots=True)
class Voices:
    """Voices for the fiddles of the folder's sheets, the last used kept.

    Parameters
    ----------
    kind : {"auto", "soundfont", "builtin"}
    beside : Beside
        Who works out what takes long.
    """

    kind: str = "auto"
    beside: Beside = field(default_factory=lambda: Beside(a_thread))
    _known: dict[tuple[object, ...], Prompt] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def voice(self, sheet: Sheet) -> Prompt:
        """Give the voice for a sheet; opening a bank takes a while, so that it is best asked for before it is needed."""
        strings, pitch = sheet.tuning.midi, sheet.concert_pitch
        if self.kind == "builtin":
            return self._builtin(strings, pitch)
        key = (strings, pitch, sheet.voice)
        with self._lock:
            found = self._known.get(key)
        if found is None:
            # Which programs are needed shows in the first bars.
            opening = perform(sheet, until=lambda timeline: timeline.whole_bars[1 % len(timeline.whole_bars)].end)
            choice = choose_voice(opening, self.kind, rate=RATE)
            if choice.what == "builtin":
                found = self._builtin(strings, pitch)
            else:
                quick = BuiltinVoice(RATE, pitch, strings)
                found = Prompt(one_by_one(choice.voice), quick, Beside(a_thread))
            self._keep(key, found)
        return found

    def _builtin(self, strings: tuple[int, ...], pitch: float) -> Prompt:
        with self._lock:
            found = self._known.get((strings, pitch))
        if found is None:
            sounder = partial(_computed, strings, pitch)
            quick = BuiltinVoice(RATE, pitch, strings)
            found = Prompt(sounder, quick, self.beside, slow=is_bowed, together=_TOGETHER)
            self._keep((strings, pitch), found)
        return found

    def _keep(self, key: tuple[object, ...], voice: Prompt) -> None:
        with self._lock:
            self._known[key] = voice
            while len(self._known) > 2 * _KEPT:
                self._known.pop(next(iter(self._known)))

    def warm(self) -> None:
        """Make what any sheet needs: the instruments that most are played on, and whoever works beside."""
        if self.kind == "soundfont" or (self.kind == "auto" and voices_in_use().used != "builtin"):
            return
        voice = self._builtin(STANDARD, 440.0)
        strokes = [
            Action(Manner.BOW, (ActionNote(0, RATE // 4, 69, 0.0, 2),), bow="d", solo=solo) for solo in (True, False)
        ]
        pluck = Action(Manner.PLUCK, (ActionNote(0, RATE // 4, 45),), program=PROGRAMS["rhythm"])
        click = Action(Manner.CLICK, (ActionNote(0, RATE // 20, 76),))
        voice.ask(strokes)
        for action in (*strokes, pluck, click):
            voice.quick.sounds(action)

    def close(self) -> None:
        """Have nobody work any more."""
        self.beside.close()


@lru_cache(maxsize=_KEPT)
def _fiddle(strings: tuple[int, ...], pitch: float) -> BuiltinVoice:
    return BuiltinVoice(RATE, pitch, strings, kept=True, computed=True)


def _computed(strings: tuple[int, ...], pitch: float, actions: Sequence[Action]) -> Mapping[Action, Samples]:
    """Sound strokes of the built-in fiddle, in whatever process."""
    voice = _fiddle(strings, pitch)
    made = dict(voice.side_by_side(actions))
    return {action: made[action] if action in made else voice.sounds(action) for action in actions}


def one_by_one(voice: Voice) -> Sounder:
    """Sound actions one after another."""
    return lambda actions: {action: voice.sounds(action) for action in actions}
