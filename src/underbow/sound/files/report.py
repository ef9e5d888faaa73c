"""What a render made: every file with its figures, where the passes and the bars lie, which voice sounded."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from underbow.files.whole import digest
from underbow.sound.voice.voices import frame_of
from underbow.track.performance import Performance

__all__ = ["MadeFile", "RenderReport"]


@dataclass(frozen=True, slots=True)
class MadeFile:
    """A file that was made.

    Parameters
    ----------
    path : str
    kind : str
        ``audio``, ``stem``, ``midi``, ``labels`` or ``cue``.
    mix : str or None
        Name of the mix, or of a stem's part.
    rate, frames, seconds : int, int, float, or None where there is no sound
    lufs, dbtp : float or None
        Integrated loudness and true peak, before what a lossy format does to them; None for silence and where there is no
        sound.
    """

    path: str
    kind: str
    mix: str | None
    rate: int | None = None
    frames: int | None = None
    seconds: float | None = None
    lufs: float | None = None
    dbtp: float | None = None

    @property
    def sha256(self) -> str:
        """SHA-256 of the file as it lies there, in hexadecimal."""
        return digest(Path(self.path))


def figure(value: float) -> float | None:
    """Round a level to hundredths; None for silence, which JSON can't write.

    >>> figure(-16.0349), figure(float("-inf"))
    (-16.03, None)
    """
    return round(value, 2) if isfinite(value) else None


def pass_count(count: int) -> str:
    """Say how many passes.

    >>> pass_count(1), pass_count(8)
    ('1 pass', '8 passes')
    """
    return f"{count} pass" if count == 1 else f"{count} passes"


@dataclass(frozen=True, slots=True)
class RenderReport:
    """What ``underbow render`` reports.

    Parameters
    ----------
    performance : Performance
    files : tuple of MadeFile
    rate : int
        Frames a second.
    voices : str
        What sounded.
    told : tuple of str
        Lines worth telling the user, such as a loudness that couldn't be reached.
    """

    performance: Performance
    files: tuple[MadeFile, ...]
    rate: int
    voices: str
    told: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Give plain data for a JSON document. Times are seconds; frames are counted from the start of the audio."""
        played, seconds = self.performance, self.performance.tempo.seconds
        passes = [
            {
                "number": each.number,
                "round": each.round,
                "start": seconds(each.start),
                "frame": frame_of(seconds(each.start), self.rate),
                "frames": frame_of(seconds(each.end), self.rate) - frame_of(seconds(each.start), self.rate),
                "tempo": _number(float(each.tempo.count)),
                "end_tempo": _number(float(each.end_tempo.count)),
                "beat": each.tempo.beat_name,
            }
            for each in played.passes
        ]
        bars = [
            {
                "pass": played.passes[bar.playing - 1].number,
                "round": played.passes[bar.playing - 1].round,
                "bar": bar.number,
                "time": bar.time,
                "start": seconds(bar.start),
                "chord": " ".join(bar.chords),
            }
            for bar in played.bars
        ]
        return {
            "title": played.title,
            "files": [{**asdict(file), "sha256": file.sha256} for file in self.files],
            "passes": passes,
            "bars": bars,
            "voices": self.voices,
            "told": list(self.told),
        }


def _number(value: float) -> int | float:
    return int(value) if value.is_integer() else value
