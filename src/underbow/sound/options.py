"""What a render is asked for, in one object that every caller fills in and nobody changes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from underbow.errors import Fault, InputError, near_miss
from underbow.sound.choose import VoiceKind
from underbow.sound.files.encode import FORMATS, Bits, Format, check_format

__all__ = ["RenderOptions"]

_LOWEST_RATE, _HIGHEST_RATE = 22_050, 96_000


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """What a render is asked for.

    Parameters
    ----------
    formats : tuple of {"wav", "flac", "ogg", "mp3"}
        At least one; each once, however often it is named.
    voices : {"auto", "soundfont", "builtin"}
    soundfont : Path, optional
        A bank the user named.
    stems : bool
        Whether every part is written alone too (mono, at one common gain, so that they add up).
    rate : int
        Frames a second, 22,050 to 96,000.
    bits : {16, 24, "float"}
        For wav and flac.
    loudness : float
        LUFS that every mix is brought to; true peaks stay at -1 dBTP or below.
    name : str
        What the files' names begin with; the performance's title where it is empty.
    papers : bool
        Whether what goes with the audio is written too: MIDI and cue sheet for every mix, and a label file.
    mono : bool
        Whether mp3 and ogg files have one channel, at 112 kbit/s as MP3: small enough to mail.
    remember : bool
        False sounds every gesture anew: slower, the same bytes.
    kept : bool
        Whether the built-in fiddle's strokes are kept in the user's cache folder, and taken from there; the same bytes.

    Examples
    --------
    >>> RenderOptions(formats=("wav", "mp3"), rate=48_000).formats
    ('wav', 'mp3')
    """

    formats: tuple[Format, ...] = ("wav",)
    voices: str = "auto"
    soundfont: Path | None = None
    stems: bool = False
    rate: int = 44_100
    bits: Bits = 16
    loudness: float = -16.0
    name: str = ""
    papers: bool = True
    mono: bool = False
    remember: bool = True
    kept: bool = True

    def check(self) -> None:
        """Raise InputError, with every fault, where what is asked for can't be had.

        >>> RenderOptions(formats=("wave",), rate=8000).check()
        Traceback (most recent call last):
        underbow.errors.InputError: no such format: 'wave' (did you mean 'wav'?); write one of wav, flac, ogg, mp3
        rate 8000 is outside 22050 to 96000; write 44100 or 48000
        """
        faults: list[Fault | str] = [
            f"no such format: {format!r}{near_miss(format, FORMATS)}; write one of {', '.join(FORMATS)}"
            for format in self.formats
            if format not in FORMATS
        ]
        kinds = get_args(VoiceKind)
        if self.voices not in kinds:
            hint = near_miss(self.voices, kinds)
            faults.append(f"voices: no such choice: {self.voices!r}{hint}; write {', '.join(kinds)}")
        if not self.formats:
            faults.append(f"no format is asked for; write one of {', '.join(FORMATS)}")
        if not _LOWEST_RATE <= self.rate <= _HIGHEST_RATE:
            faults.append(f"rate {self.rate} is outside {_LOWEST_RATE} to {_HIGHEST_RATE}; write 44100 or 48000")
        else:
            for format in FORMATS:
                try:
                    if format in self.formats:
                        check_format(format, self.bits, self.rate)
                except InputError as wrong:
                    faults += wrong.faults
        if faults:
            raise InputError(*faults)
