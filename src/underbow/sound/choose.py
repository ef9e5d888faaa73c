"""Which voice sounds: what was asked for, what this machine has, and what to say about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from underbow.errors import InputError, near_miss
from underbow.sound.soundfont.banks import Bank, find_banks, usual_places
from underbow.sound.soundfont.voice import SoundFontVoice, engine
from underbow.sound.voice.voices import Voice
from underbow.track.performance import Performance

__all__ = ["Choice", "VoiceKind", "VoicesInUse", "choose_voice", "how_to_ask", "voices_in_use"]

VoiceKind = Literal["auto", "soundfont", "builtin"]
BETTER = "soundfonts.md says where to get one, and where to put it"


@dataclass(frozen=True, slots=True)
class Choice:
    """A voice that was chosen.

    Parameters
    ----------
    voice : Voice
    what : str
        Its name in reports, such as ``soundfont (FluidR3_GM.sf2)``.
    told : str
        One line for the user: what was taken, and how to get the other; empty where the user chose it.
    """

    voice: Voice
    what: str
    told: str

    def close(self) -> None:
        """Free what the voice holds outside Python."""
        if isinstance(self.voice, SoundFontVoice):
            self.voice.close()


def choose_voice(
    performance: Performance,
    kind: VoiceKind | str = "auto",
    *,
    soundfont: Path | None = None,
    rate: int = 44_100,
    kept: bool = True,
) -> Choice:
    """Choose and make the voice for a performance.

    Parameters
    ----------
    performance : Performance
        Says which instruments are needed, how the fiddle is tuned, and the concert pitch.
    kind : {"auto", "soundfont", "builtin"}
        ``soundfont`` takes the best bank that has the programs; ``auto`` one that is as good as the built-in voices by
        measurement (soundfonts.md), where it is found and FluidSynth loads, else the built-in voices.
    soundfont : Path, optional
        A bank the user named; with ``builtin`` that is a contradiction.
    rate : int
        Frames a second.
    kept : bool
        Whether the built-in fiddle's strokes are kept in the user's cache folder, and taken from there.

    Raises
    ------
    InputError
        If what was asked for can't be had; the message says why and what helps.
    """
    if kind not in get_args(VoiceKind):
        known = ", ".join(get_args(VoiceKind))
        raise InputError(f"voices: no such choice: {kind!r}{near_miss(kind, get_args(VoiceKind))}; write {known}")
    if kind == "builtin":
        if soundfont is not None:
            raise InputError("use --soundfont or --voices builtin, not both")
        return Choice(_builtin(performance, rate, kept=kept), "builtin", "")
    needed = {part.program for part in performance.parts if part.gestures}
    asked = kind == "soundfont" or soundfont is not None
    trouble = engine().trouble
    found = find_banks(soundfont) if asked or not trouble else ()
    if asked and trouble:
        raise InputError(f"a SoundFont can't be played: {trouble}; or use --voices builtin")
    banks = found if asked else tuple(bank for bank in found if bank.as_good)
    if not trouble and not banks:
        trouble = how_to_ask(found) or f"no SoundFont found in {', '.join(map(str, usual_places()))}; {BETTER}"
    for bank in banks:
        try:
            voice = SoundFontVoice(bank, rate, performance.concert_pitch)
        except InputError as error:
            trouble = str(error)
            continue
        try:
            voice.probe(needed)
        except InputError as error:
            voice.close()
            trouble = str(error)
            continue
        what = f"soundfont ({bank.path.name})"
        return Choice(voice, what, "" if asked else f"sound: {bank.path}; for the built-in voices: --voices builtin")
    if asked:
        raise InputError(trouble)
    return Choice(
        _builtin(performance, rate, kept=kept),
        "builtin",
        f"sound: built-in voices; for a SoundFont: {trouble}",
    )


def how_to_ask(banks: Sequence[Bank]) -> str:
    """Say how a bank that ``auto`` doesn't take is asked for; empty where there is none."""
    return f"--voices soundfont takes {banks[0].path}" if banks else ""


def _builtin(performance: Performance, rate: int, *, kept: bool) -> Voice:
    from underbow.sound.synth.builtin import BuiltinVoice  # noqa: PLC0415 - not needed where a SoundFont sounds

    return BuiltinVoice(rate, performance.concert_pitch, performance.tuning.midi, kept=kept, computed=True)


@dataclass(frozen=True, slots=True)
class VoicesInUse:
    """What ``underbow voices`` tells.

    Parameters
    ----------
    used : str
        ``soundfont`` or ``builtin``: what ``auto`` takes.
    engine : str
        FluidSynth's version; empty where it can't be used.
    trouble : str
        What keeps a SoundFont from being used, with the cure; empty where nothing does.
    banks : tuple of Bank
        Found, best first; ``auto`` takes those that are as good as the built-in voices.
    places : tuple of Path
        Where was looked.
    """

    used: str
    engine: str
    trouble: str
    banks: tuple[Bank, ...]
    places: tuple[Path, ...]

    def to_json(self) -> dict[str, Any]:
        """Give plain data for a JSON document."""
        banks = [
            {"path": str(bank.path), "name": bank.name, "licence": bank.licence, "notice": bank.notice}
            for bank in self.banks
        ]
        places = [str(place) for place in self.places]
        return {
            "used": self.used,
            "soundfont": banks[0]["path"] if self.used == "soundfont" else None,
            "fluidsynth": self.engine or None,
            "trouble": self.trouble or None,
            "banks": banks,
            "places": places,
            "better": BETTER,
        }


def voices_in_use(soundfont: Path | None = None) -> VoicesInUse:
    """Find out what sounds on this machine; nothing is rendered.

    Raises
    ------
    InputError
        If the bank named can't be used.
    """
    state, banks = engine(), find_banks(soundfont)
    trouble = state.trouble or ("" if banks else f"no SoundFont found; {BETTER}")
    taken = soundfont is not None or any(bank.as_good for bank in banks)
    used = "soundfont" if taken and not trouble else "builtin"
    return VoicesInUse(used, state.version, trouble, banks, usual_places())
