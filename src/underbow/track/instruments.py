"""The instruments: who plays which part, under which General MIDI number, and which built-in voice sounds it.

This is the one table: parts, sheets, SoundFonts, the built-in voices and soundfonts.md go by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Manner(StrEnum):
    """How a gesture makes its sound."""

    BOW = "bow"
    CHOP = "chop"
    PLUCK = "pluck"
    CLICK = "click"
    TONE = "tone"  # sustained without a bow: drones, wind and plain-tone melodies


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument in its part.

    Parameters
    ----------
    part : str
    voice : str
        The word for it in a sheet (``[melody] voice``); empty where the part has no other instrument.
    program : int
        General MIDI program counted from 0 (MMA RP-003); -1 for percussion.
    general_midi : str
        The program's name in General MIDI, Level 1.
    manner : Manner
        How it sounds its notes; a fiddle that bows can chop too.
    builtin : str
        The built-in voice that stands for it.
    """

    part: str
    voice: str
    program: int
    general_midi: str
    manner: Manner
    builtin: str


# General MIDI has no tin whistle (its own "whistle" is that of lips), the recorder is nearest; nor a mandolin: what plays its
# MIDI file takes the dulcimer, which has pairs of strings too. A bagpipe's drone is held as steadily as ours.
INSTRUMENTS = (
    Instrument("melody", "fiddle", 40, "Violin", Manner.BOW, "melody fiddle"),
    Instrument("melody", "flute", 73, "Flute", Manner.TONE, "flute"),
    Instrument("melody", "whistle", 74, "Recorder", Manner.TONE, "flute"),
    Instrument("melody", "accordion", 21, "Accordion", Manner.TONE, "reed"),
    Instrument("melody", "harmonica", 22, "Harmonica", Manner.TONE, "reed"),
    Instrument("melody", "guitar", 25, "Acoustic Guitar (steel)", Manner.PLUCK, "guitar"),
    Instrument("melody", "banjo", 105, "Banjo", Manner.PLUCK, "banjo"),
    Instrument("melody", "piano", 0, "Acoustic Grand Piano", Manner.PLUCK, "piano"),
    Instrument("melody", "mandolin", 15, "Dulcimer", Manner.PLUCK, "mandolin"),
    Instrument("melody", "plain tone", 80, "Lead 1 (square)", Manner.TONE, "plain tone"),
    Instrument("backup", "", 110, "Fiddle", Manner.BOW, "backup fiddle"),
    Instrument("drone", "", 109, "Bagpipe", Manner.TONE, "drone"),
    Instrument("tuning", "", 40, "Violin", Manner.BOW, "backup fiddle"),
    Instrument("rhythm", "", 25, "Acoustic Guitar (steel)", Manner.PLUCK, "guitar"),
    Instrument("click", "", -1, "Drum kit", Manner.CLICK, "click"),
)
MELODY_VOICES: dict[str, tuple[int, Manner]] = {
    instrument.voice: (instrument.program, instrument.manner)
    for instrument in INSTRUMENTS
    if instrument.part == "melody"
}
PROGRAMS: dict[str, int] = {instrument.part: instrument.program for instrument in INSTRUMENTS if not instrument.voice}
