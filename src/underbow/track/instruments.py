"""How an instrument makes its sound, and which ones may play the melody."""

from __future__ import annotations

from enum import StrEnum


class Manner(StrEnum):
    """How a gesture makes its sound."""

    BOW = "bow"
    CHOP = "chop"
    PLUCK = "pluck"
    CLICK = "click"
    TONE = "tone"  # sustained without a bow: drones, wind and plain-tone melodies


# Name in a sheet -> General MIDI program counted from 0 (MMA RP-003), and how the instrument makes its sound. General MIDI has
# no tin whistle (its own "whistle" is that of lips), the recorder is nearest; nor a mandolin: what plays its MIDI file takes
# the dulcimer, which has pairs of strings too. The plain tone is its square lead.
MELODY_VOICES: dict[str, tuple[int, Manner]] = {
    "fiddle": (40, Manner.BOW),
    "flute": (73, Manner.TONE),
    "whistle": (74, Manner.TONE),
    "accordion": (21, Manner.TONE),
    "harmonica": (22, Manner.TONE),
    "mandolin": (15, Manner.PLUCK),
    "guitar": (25, Manner.PLUCK),
    "banjo": (105, Manner.PLUCK),
    "piano": (0, Manner.PLUCK),
    "plain tone": (80, Manner.TONE),
}
