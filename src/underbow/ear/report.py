"""What the ear has to say of a take, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from underbow.ear.expected import ExpectedStroke
from underbow.ear.place import Place
from underbow.track.performance import Pass, Performance

Verdict = Literal["judged", "unsure", "other piece", "other pitch", "silent", "clipped", "noisy"]


@dataclass(frozen=True, slots=True)
class StrokeHeard:
    """One stroke: what was expected, and when it was heard.

    Parameters
    ----------
    expected : ExpectedStroke
    heard : float or None
        Seconds of the track; None where it was not judged.
    clear : float
        0 to 1.
    missing : float
        How sure it is that it was not played, 0 to 1; 0 where that can't be said.
    cents : tuple of (int, int, float or None)
        String, MIDI number and cents of each note it begins with.
    """

    expected: ExpectedStroke
    heard: float | None
    clear: float
    missing: float
    cents: tuple[tuple[int, int, float | None], ...]

    @property
    def off_ms(self) -> float | None:
        """Milliseconds late (positive) or early."""
        return None if self.heard is None else 1000 * (self.heard - self.expected.start)


@dataclass(frozen=True, slots=True)
class ChangeHeard:
    """A chord change: the stroke that should bring it, and by how much the new double stop came late (positive) or early."""

    expected: ExpectedStroke
    before: str
    off_ms: float | None


@dataclass(frozen=True, slots=True)
class Advice:
    """A line for the learner, and the bars to practise, printed numbers (empty: none in particular)."""

    text: str
    bars: str = ""

    def to_json(self) -> dict[str, str]:
        """Plain data."""
        return {"text": self.text, "bars": self.bars}


@dataclass(frozen=True, slots=True)
class Heard:
    """Everything that was heard in a take.

    Parameters
    ----------
    verdict : Verdict
    why : str
        A line for people where it was not judged; empty otherwise.
    place : Place
    strokes : tuple of StrokeHeard
    changes : tuple of ChangeHeard
    advice : tuple of Advice
    """

    performance: Performance
    verdict: Verdict
    why: str
    place: Place
    strokes: tuple[StrokeHeard, ...] = ()
    changes: tuple[ChangeHeard, ...] = ()
    advice: tuple[Advice, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Give plain data for a JSON document: seconds of the track, milliseconds late and cents sharp as positive numbers."""
        return {
            "title": self.performance.title,
            "verdict": self.verdict,
            "why": self.why,
            "offset": round(self.place.offset, 4),
            "offset_within_ms": _rounded(None if self.place.within is None else 1000 * self.place.within, 1),
            "rate": round(self.place.rate, 7),
            "sure": round(self.place.sure, 2),
            "passes": self.passes(),
            "strokes": [self._stroke(stroke) for stroke in self.strokes],
            "changes": [self._change(change) for change in self.changes],
            "notes": [note for stroke in self.strokes for note in self._notes(stroke)],
            "missing": [
                {**self._where(stroke.expected), "sure": round(stroke.missing, 2)}
                for stroke in self.strokes
                if stroke.missing > 0
            ],
            "advice": [advice.to_json() for advice in self.advice],
        }

    def passes(self) -> list[dict[str, Any]]:
        """Give what was heard pass by pass, as plain data."""
        return [self._pass(played) for played in self.performance.passes if self.of_pass(played.playing)]

    def of_pass(self, playing: int) -> list[StrokeHeard]:
        """The strokes of a pass, by its number through the whole track."""
        return [stroke for stroke in self.strokes if stroke.expected.bar.playing == playing]

    def _where(self, stroke: ExpectedStroke) -> dict[str, Any]:
        played = self.performance.passes[stroke.bar.playing - 1]
        return {
            "pass": played.number,
            "round": played.round,
            "bar": stroke.bar.number,
            "time": stroke.bar.time,
            "start": str(stroke.place),
            "expected": round(stroke.start, 4),
        }

    def _stroke(self, stroke: StrokeHeard) -> dict[str, Any]:
        return {
            **self._where(stroke.expected),
            "heard": _rounded(stroke.heard, 4),
            "off_ms": _rounded(stroke.off_ms, 1),
        }

    def _change(self, change: ChangeHeard) -> dict[str, Any]:
        return {
            **self._where(change.expected),
            "from": change.before,
            "to": change.expected.chord,
            "off_ms": _rounded(change.off_ms, 1),
        }

    def _notes(self, stroke: StrokeHeard) -> list[dict[str, Any]]:
        tuning = self.performance.tuning
        return [
            {
                **self._where(stroke.expected),
                "chord": stroke.expected.chord,
                "string": str(tuning.strings[string].pitch_class),
                "midi": midi,
                "cents": _rounded(value, 1),
            }
            for string, midi, value in stroke.cents
        ]

    def _pass(self, played: Pass) -> dict[str, Any]:
        strokes = self.of_pass(played.playing)
        offs = np.array([stroke.off_ms for stroke in strokes if stroke.off_ms is not None])
        return {
            "pass": played.number,
            "round": played.round,
            "tempo": float(played.tempo.count),
            "beat": played.tempo.beat_name,
            "strokes": len(strokes),
            "judged": len(offs),
            "median_ms": _rounded(float(np.median(offs)), 1) if len(offs) else None,
            "p95_ms": _rounded(float(np.quantile(np.abs(offs), 0.95)), 1) if len(offs) else None,
            "drift_ms_per_minute": _rounded(drift(strokes), 1),
            "swing": _rounded(swing(strokes, float(played.tempo.beat)), 3),
        }


def drift(strokes: list[StrokeHeard]) -> float | None:
    """Milliseconds a minute by which a player falls behind (positive) or runs ahead: the median slope between far strokes."""
    points = [(stroke.expected.start, stroke.off_ms) for stroke in strokes if stroke.off_ms is not None]
    if len(points) < 24 or points[-1][0] - points[0][0] < 15:
        return None
    times, offs = (np.array(column) for column in zip(*points, strict=True))
    half = len(times) // 2
    slopes = (offs[half:][:, None] - offs[:half][None, :]) / np.maximum(
        times[half:][:, None] - times[:half][None, :], 1e-9
    )
    far = (times[half:][:, None] - times[:half][None, :]) > 0.3 * (times[-1] - times[0])
    return float(60 * np.median(slopes[far])) if far.any() else None


def swing(strokes: list[StrokeHeard], beat: float) -> float | None:
    """Share of a beat that its first half takes, as played: 0.5 is even; None where no beat is divided into two strokes.

    Counted over three strokes running that are expected on the beat, inside it and on the next one.
    """
    shares = []
    for first, second, third in zip(strokes, strokes[1:], strokes[2:], strict=False):
        on_beat = float(first.expected.place) % beat == 0
        to_next = float(
            third.expected.bar.start + third.expected.place - first.expected.bar.start - first.expected.place
        )
        if on_beat and to_next == beat and None not in (first.heard, second.heard, third.heard):
            whole = (third.heard or 0.0) - (first.heard or 0.0)
            if whole > 0:
                shares.append(((second.heard or 0.0) - (first.heard or 0.0)) / whole)
    return float(np.median(shares)) if len(shares) >= 4 else None


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
