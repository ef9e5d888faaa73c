"""What the hand does with a held tone: strokes, pulses, slurs, chops and plucks out of long tones of an instrument.

A tone is a key held on some instrument. A bow stroke takes it from where it speaks, so that a slow attack doesn't come late;
gives it bite by the accent and the bow's direction; goes on through pulses with the same tone and only leans into them;
crosses over into the tone of a slurred note past its attack; and rings off by whether the bow is lifted or turns round.

Conventions: float32, mono. Levels are RMS, as :mod:`underbow.sound.voice.voices` asks: over the sounding length of what is bowed,
over the first 0.2 s of what is plucked or struck, and 0.05 s of a chop. Shapes and times here: common practice by ear and eye,
no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np

from underbow.fiddle.grid import FULL_ACCENT
from underbow.sound.soundfont.pitch import read_at
from underbow.sound.voice.voices import REFERENCE_DB, Action, ActionNote, Samples
from underbow.track.performance import Manner

__all__ = ["ToneOf", "sound_action"]

ToneOf = Callable[[int, int, int, int, bool], Samples]


_SETTLED = 0.12  # seconds from there to past the attack
_TURN, _SOLO_TURN = (0.045, 0.06), (0.02, 0.2)  # seconds a stroke gives way before the bow turns, and what is left then
_CROSS = 0.024  # seconds over which slurred tones cross
_LEAN, _DIP = 0.05, 0.35  # seconds a pulse leans before its start, and how much it takes away there
_SWELL_FROM, _SWELL = 0.45, 0.3  # strokes longer than so many seconds swell by so much
_LIFTED, _TURNED, _DAMPED, _STOPPED = 160.0, 500.0, 220.0, 1100.0  # dB a second after a note's end
_SILENCE_DB = 72.0
_STRUCK_SECONDS, _CHOPPED_SECONDS = 0.2, 0.05
_ROUNDED = 1.6  # of a chop's level, where its peaks are rounded off
_CLICK_DB = -8.7  # by which a click, short as it is, lies below a pluck: then it is as loud as the built-in one
_LONG, _SETS_IN, _GROWS = (
    0.42,
    0.16,
    0.3,
)  # seconds from which a solo note has vibrato, until it begins, and until it is full
_SWING, _PACE = 10.0, 5.5  # cents to each side, and Hz


def sound_action(action: Action, rate: int, tone_of: ToneOf) -> Samples:
    """Sound an action out of tones.

    Parameters
    ----------
    action : Action
    rate : int
    tone_of : callable
        Gives a tone by program, key, accent class, the frames needed, and whether it is held (bowed or blown) or struck.

    Returns
    -------
    float32 array, shape (frames,)
        The ring included, ending in silence.
    """
    match action.manner:
        case Manner.PLUCK | Manner.CLICK:
            lanes = [_plucked(action, note, rate, tone_of) for note in action.notes]
        case Manner.CHOP:
            lanes = [_chopped(action, note, rate, tone_of) for note in action.notes]
        case _:
            lanes = [_stroke(action, lane, rate, tone_of) for lane in _lanes(action.notes)]
    out = np.zeros(max(at + len(lane) for at, lane in lanes), np.float32)
    for at, lane in lanes:
        out[at : at + len(lane)] += lane
    out *= np.float32(1 / np.sqrt(_strings(action.notes)))
    return out


def _strings(notes: Sequence[ActionNote]) -> int:
    """Count what sounds at once at the fullest point; levels of strings add as powers."""
    return max(sum(other.at <= note.at < other.end for other in notes) for note in notes)


def _lanes(notes: Sequence[ActionNote]) -> list[list[ActionNote]]:
    """Sort a stroke's notes by string; where no string is said, by which lane is free."""
    lanes: list[list[ActionNote]] = []
    for note in notes:
        for lane in lanes:
            last = lane[-1]
            same = note.string == last.string if note.string is not None else last.at < note.at
            if same and last.at < note.at:
                lane.append(note)
                break
        else:
            lanes.append([note])
    return lanes


def _gain(level: float) -> float:
    return float(10 ** ((REFERENCE_DB + level) / 20))


def _scale(samples: Samples, frames: int, level: float) -> None:
    """Bring samples to a level, RMS over the first frames, in place."""
    part = samples[:frames]
    power = float(np.dot(part, part)) / max(len(part), 1)
    if power > 0:
        samples *= np.float32(_gain(level) / np.sqrt(power))


@lru_cache(maxsize=64)
def _rise(frames: int) -> Samples:
    """A raised cosine from 0 up to 1."""
    return (0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)).astype(np.float32)


@lru_cache(maxsize=16)
def _fall(rate: int, speed: float) -> Samples:
    """How a tone dies away at a speed in dB a second, its last milliseconds down to nothing."""
    frames = int(_SILENCE_DB / speed * rate)
    fall = 10 ** (-speed / 20 / rate * np.arange(frames))
    end = min(rate // 100, frames)
    fall[-end:] *= _rise(end)[::-1]
    return fall.astype(np.float32)


@lru_cache(maxsize=64)
def _bite(rate: int, amount: float) -> Samples:
    """How the attack stands out over what follows."""
    return (1 + amount * np.exp(-np.arange(int(0.16 * rate)) / (0.035 * rate))).astype(np.float32)


@lru_cache(maxsize=64)
def _swell(frames: int) -> Samples:
    return (1 + _SWELL * np.sin(np.pi * np.arange(frames) / frames)).astype(np.float32)


def _stroke(action: Action, notes: list[ActionNote], rate: int, tone_of: ToneOf) -> tuple[int, Samples]:
    """Sound one string of a bow stroke (or a wind tone); give its start within the action, and its samples."""
    bowed = action.manner is Manner.BOW
    turned = action.joined and notes[-1].end >= action.frames
    fall = _fall(rate, _TURNED if turned else _LIFTED)
    first = notes[0].at
    out = np.zeros(notes[-1].end - first + len(fall), np.float32)
    half, settled = int(_CROSS * rate) // 2, int(_SETTLED * rate)
    for run, fresh, tied in _runs(notes, gap=2 * half):
        begin, end = run[0].at - first, run[-1].end - first
        lead = 0 if fresh else min(half, begin)
        ring = min(half, len(out) - end) if tied else len(fall)
        frames = lead + end - begin + ring
        tone = tone_of(action.program, run[0].midi, action.accent, frames + settled, True)
        source = 0 if fresh else settled
        piece = tone[source : source + frames].copy()
        if action.solo and len(notes) == 1 and end - begin >= _LONG * rate:
            piece = _with_vibrato(tone[source:], frames, rate)
        if fresh:
            _speak(piece, action, rate)
        if bowed and end - begin > _SWELL_FROM * rate and len(notes) == 1:
            piece[: end - begin] *= _swell(end - begin)
        _scale(piece, frames - ring, run[0].level)
        _pulse(piece, run, lead, rate)
        if not fresh:  # tones of one stroke cross at equal power
            piece[: 2 * lead] *= np.sqrt(_rise(2 * lead))
        if bowed and turned and not tied:  # the bow stops for a moment when it turns round
            seconds, rest = _SOLO_TURN if action.solo else _TURN
            give = min(int(seconds * rate), (end - begin) // 3)
            piece[-ring - give : -ring] *= 1 - (1 - rest) * _rise(give)
            piece[-ring:] *= np.float32(rest)
        if tied:
            piece[-2 * ring :] *= np.sqrt(_rise(2 * ring))[::-1]
        else:
            piece[-ring:] *= fall
        out[begin - lead : begin - lead + frames] += piece
    return first, out


def _with_vibrato(tone: Samples, frames: int, rate: int) -> Samples:
    """Swing a steady tone about its pitch, from a moment after it began."""
    since = np.maximum(np.arange(frames) / rate - _SETS_IN, 0.0)
    swing = np.minimum(since / _GROWS, 1.0) * np.sin(since * (2 * np.pi * _PACE))
    return read_at(tone[: frames + rate // 50], np.cumsum(2.0 ** (swing * (_SWING / 1200))) - 1.0)


def _runs(notes: list[ActionNote], gap: int) -> list[tuple[list[ActionNote], bool, bool]]:
    """Cut a string's notes where the pitch changes or the sound stops: notes, begins afresh, goes over into the next."""
    runs: list[list[ActionNote]] = []
    for note in notes:
        if runs and runs[-1][-1].midi == note.midi and note.at - runs[-1][-1].end <= gap:
            runs[-1].append(note)
        else:
            runs.append([note])
    near = [False, *(run[0].at - past[-1].end <= gap for past, run in pairwise(runs)), False]
    return [(run, not near[i], near[i + 1]) for i, run in enumerate(runs)]


def _speak(piece: Samples, action: Action, rate: int) -> None:
    """Shape an attack: quick and biting when accented, slower from an up-bow; blown and plain tones only fade in."""
    bowed, up = action.manner is Manner.BOW, action.bow == "u"
    milliseconds = 4 + 1.2 * (FULL_ACCENT - action.accent) + 3 * up if bowed else 12
    rise = _rise(min(int(milliseconds * rate / 1000), len(piece)))
    piece[: len(rise)] *= rise
    if bowed:
        bite = _bite(rate, round(0.1 * action.accent * (0.7 if up else 1.0), 3))[: len(piece)]
        piece[: len(bite)] *= bite


def _pulse(piece: Samples, run: list[ActionNote], lead: int, rate: int) -> None:
    """Lean into the pulses of a held tone: the level gives way before each and is back at its start."""
    for past, note in pairwise(run):
        at = lead + note.at - run[0].at
        give = min(int(_LEAN * rate), past.frames)
        back = min(give // 2, note.frames)
        piece[at + back :] *= np.float32(10 ** ((note.level - past.level) / 20))
        step = 10 ** ((note.level - past.level) / 20)
        down = 1 - _DIP * _rise(give)
        piece[at - give : at] *= down
        piece[at : at + back] *= (1 - _DIP) + (step - (1 - _DIP)) * _rise(back)


def _plucked(action: Action, note: ActionNote, rate: int, tone_of: ToneOf) -> tuple[int, Samples]:
    """Sound one string plucked, or something struck."""
    fall = _fall(rate, _DAMPED)
    struck = int(_STRUCK_SECONDS * rate)
    ring = note.frames if action.manner is Manner.PLUCK else max(note.frames, struck)
    tone = tone_of(action.program, note.midi, action.accent, max(ring + len(fall), struck), False)
    piece = tone[: ring + len(fall)].copy()
    first = tone[:struck]
    power = float(np.dot(first, first)) / struck
    level = note.level + (_CLICK_DB if action.manner is Manner.CLICK else 0.0)
    piece *= np.float32(_gain(level) / np.sqrt(max(power, 1e-20)))
    piece[ring:] *= fall
    return note.at, piece


def _chopped(action: Action, note: ActionNote, rate: int, tone_of: ToneOf) -> tuple[int, Samples]:
    """Sound a chop: the bow dropped on the string, which stops it; more noise than note."""
    fall = _fall(rate, _STOPPED)
    hold = rate // 55
    tone = tone_of(action.program, note.midi, FULL_ACCENT, hold + len(fall), True)
    piece = tone[: hold + len(fall)].copy()
    power = float(np.dot(piece, piece)) / len(piece)
    hiss = np.diff(np.random.default_rng(note.midi).standard_normal(len(piece) + 2), n=1)
    hiss = (hiss[1:] + hiss[:-1]).astype(np.float32)  # a band around a quarter of the rate's half
    piece += hiss * np.float32(np.sqrt(power) / 1.4)
    piece[hold:] *= fall
    piece[: rate // 1000] *= _rise(rate // 1000)
    # Hair that grips has no peaks far above the rest: without them a chop is loud enough beside strokes.
    piece /= np.sqrt(1 + np.square(piece / (_ROUNDED * np.sqrt(np.mean(np.square(piece[:hold]))) + 1e-12)))
    _scale(piece, int(_CHOPPED_SECONDS * rate), note.level)
    return note.at, piece
