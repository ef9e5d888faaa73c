"""Recordings of players who don't exist: a melody with rubato, jitter, ornaments and slips, in a room, with noise.

Everything is drawn from one seed. The player sounds by our own built-in fiddle; no person was recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, oaconvolve

from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote, Remembered
from underbow.track.performance import Manner
from underbow.tune.tune import Melody, MelodyNote, Tune
from underbow.tune.written_out import section_places, write_out

RATE = 44_100
Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Conditions:
    """How somebody plays, and what stands between him and the file. Times in seconds, levels in dB below the playing."""

    jitter: float = 0.030  # each note early or late by at most this
    rubato: float = 0.08  # the tempo goes so much faster and slower, in waves of some bars
    ornaments: float = 0.08  # share of the notes that get a grace, a cut or a roll
    slips: float = 0.01  # share of notes that are wrong, and of notes that are left out
    slurs: float = 0.25  # share of notes that are taken into the bow before
    noise: float | None = -45.0
    room: float = 0.4  # reverberation time
    before: float = 1.5  # seconds of noise before the first note, and after the last one
    spoken: bool = False  # somebody counts in
    pitch: float = 440.0  # Hz of A4


STEADY = Conditions(jitter=0.0, rubato=0.0, ornaments=0.0, slips=0.0, slurs=0.0, noise=-60.0, room=0.0)


@dataclass
class Take:
    """A recording and the truth of it.

    ``onsets`` holds for each note as played (second, MIDI number, index of the note among the melody's notes); ``lines`` for each
    bar as played (second, printed number, how-manieth time); ``end`` where the last one is over.
    """

    sound: Samples
    onsets: list[tuple[float, int, int]] = field(default_factory=list)
    lines: list[tuple[float, int, int]] = field(default_factory=list)
    end: float = 0.0
    played: list[tuple[float, float, int]] = field(default_factory=list)  # everything that sounded: start, end, MIDI


def ways(tune: Tune) -> dict[str, tuple[int, ...]]:
    """The orders in which somebody may play a tune: as written, each part once, twice through."""
    once: list[int] = []
    last: dict[str, range] = dict(section_places(tune))
    for places in sorted(last.values(), key=lambda places: places.start):
        once += [tune.order[place] for place in places]
    return {"as written": tune.order, "once": tuple(once), "twice": tune.order * 2}


def play(melody: Melody, tempo: float, conditions: Conditions, seed: int, *, rounds: int = 1) -> Take:
    """Play a melody at so many quarters a minute, ``rounds`` times without a break."""
    rng = np.random.default_rng(seed)
    take, strokes = silent(melody, tempo, conditions, rng, rounds)
    voice = Remembered(BuiltinVoice(RATE, conditions.pitch), 256 << 20)
    sound = np.zeros(round((take.end + conditions.before + 2) * RATE), np.float32)
    bow = "d"
    for stroke in strokes:
        begin = stroke[0][0]
        bow = "u" if bow == "d" else "d"
        inside = tuple(
            ActionNote(max(round((start - begin) * RATE), 0), max(round((end - start) * RATE), 400), midi)
            for start, end, midi in stroke
        )
        action = Action(Manner.BOW, inside, bow=bow, accent=int(rng.integers(5, 9)), joined=True, solo=True)
        samples = voice.sounds(action) * 10 ** (rng.uniform(-3, 0) / 20)
        at = round(begin * RATE)
        sound[at : at + len(samples)] += samples[: len(sound) - at]
    take.sound = _microphone(sound, conditions, rng)
    return take


def silent(
    melody: Melody, tempo: float, conditions: Conditions, rng: np.random.Generator, rounds: int = 1
) -> tuple[Take, list[list[tuple[float, float, int]]]]:
    """What is played when, without any sound yet; and the strokes it is bowed in."""
    clock = _clock(float(melody.loop) * rounds + 8, tempo, conditions, rng)
    lead = conditions.before + (2.4 if conditions.spoken else 0.0)
    take = Take(np.zeros(0, np.float32))
    strokes: list[list[tuple[float, float, int]]] = []
    times: dict[int, int] = {}
    for turn in range(rounds):
        shift = melody.loop * turn
        for bar in melody.bars:
            times[bar.number] = times.get(bar.number, 0) + 1
            take.lines.append((lead + clock(bar.start + shift), bar.number, times[bar.number]))
        ends = melody.loop if turn < rounds - 1 else melody.length
        notes = [(index, note) for index, note in enumerate(melody.notes) if note.start < ends]
        for index, note in notes:
            _one(take, strokes, index, note, shift, clock, lead, conditions, rng)
    take.end = lead + clock(melody.loop * (rounds - 1) + melody.length)
    take.played = [one for stroke in strokes for one in stroke]
    return take, strokes


def _one(
    take: Take, strokes: list[list[tuple[float, float, int]]], index: int, note: MelodyNote, shift: Fraction, clock, lead: float,
    conditions: Conditions, rng: np.random.Generator,
) -> None:  # fmt: skip
    begin, end = lead + clock(note.start + shift), lead + clock(note.end + shift)
    midi = note.midi
    chance = rng.random()
    begin += float(np.clip(rng.normal(0, conditions.jitter / 2), -conditions.jitter, conditions.jitter))
    if strokes and begin < strokes[-1][-1][0] + 0.04:
        begin = strokes[-1][-1][0] + 0.04
    if strokes and begin < strokes[-1][-1][1] + 0.03:  # the one before gives way
        before = strokes[-1][-1]
        strokes[-1][-1] = (before[0], begin, before[2])
    if chance < conditions.slips:
        return  # left out
    if chance > 1 - conditions.slips:
        midi += int(rng.choice([-2, -1, 1, 2]))
    inside = [(begin, end, midi)]
    if rng.random() < conditions.ornaments:
        inside = _ornament(begin, end, midi, rng)
        if inside[0][0] < begin and strokes:  # a grace takes of the note before
            before = strokes[-1][-1]
            strokes[-1][-1] = (before[0], max(inside[0][0], before[0] + 0.03), before[2])
    take.onsets.append((begin, midi, index))
    slurred = strokes and len(strokes[-1]) < 4 and rng.random() < conditions.slurs
    if slurred and strokes[-1][-1][2] != inside[0][2] and inside[0][0] - strokes[-1][-1][1] < 0.03:
        strokes[-1] += inside
    else:
        strokes.append(inside)


def _ornament(begin: float, end: float, midi: int, rng: np.random.Generator) -> list[tuple[float, float, int]]:
    short = 0.055
    kind = rng.choice(["grace", "cut", "roll"])
    if kind == "grace" or end - begin < 0.25:
        return [(begin - short, begin, midi + 2), (begin, end, midi)]
    if kind == "cut":
        half = (begin + end) / 2
        return [(begin, half, midi), (half, half + short, midi + 2), (half + short, end, midi)]
    third = (end - begin) / 3
    return [
        (begin, begin + third - short / 2, midi),
        (begin + third - short / 2, begin + third + short / 2, midi + 2),
        (begin + third + short / 2, begin + 2 * third - short / 2, midi),
        (begin + 2 * third - short / 2, begin + 2 * third + short / 2, midi - 2),
        (begin + 2 * third + short / 2, end, midi),
    ]


def _clock(quarters: float, tempo: float, conditions: Conditions, rng: np.random.Generator):
    """From quarters to seconds, the tempo swaying by the rubato in waves of 6 to 20 quarters."""
    grid = np.arange(0, quarters + 1, 0.125)
    sway = sum(
        np.sin(2 * np.pi * grid / length + rng.uniform(0, 7)) for length in rng.uniform(6, 20, 3)
    ) / 2  # fmt: skip
    pace = 60 / tempo * (1 + conditions.rubato * np.clip(sway, -1, 1))
    seconds = np.concatenate([[0.0], np.cumsum(0.125 * pace[:-1])])
    return lambda at: float(np.interp(float(at), grid, seconds))


def _microphone(sound: Samples, conditions: Conditions, rng: np.random.Generator) -> Samples:
    if conditions.room:
        count = round(conditions.room * RATE)
        tail = rng.normal(0, 1, count) * 10 ** (-3 * np.arange(count) / count)
        tail *= 0.35 / np.sqrt((tail**2).sum())
        tail[0] += 1.0
        sound = oaconvolve(sound, tail)[: len(sound)].astype(np.float32)
    level = float(np.sqrt((sound**2).mean()))
    if conditions.spoken:
        voice = speech(2.0, rng) * level
        sound[round(0.3 * RATE) : round(0.3 * RATE) + len(voice)] += voice
    if conditions.noise is not None:
        white = rng.normal(0, 1, len(sound))
        pink = np.convolve(white, np.exp(-np.arange(64) / 12), "same")
        sound = sound + pink / pink.std() * level * 10 ** (conditions.noise / 20)
    return np.asarray(0.5 * sound / np.abs(sound).max(), np.float32)


def speech(seconds: float, rng: np.random.Generator) -> Samples:
    """Something like words: syllables of a gliding voice through moving resonances, at RMS 1."""
    out = np.zeros(round(seconds * RATE), np.float32)
    at = 0.0
    while at < seconds - 0.3:
        length = rng.uniform(0.12, 0.3)
        count = round(length * RATE)
        hertz = rng.uniform(100, 180) * np.linspace(1, rng.uniform(0.75, 1.25), count)
        pulse = np.diff(np.floor(np.cumsum(hertz) / RATE), prepend=0)
        for formant in rng.uniform([300, 900, 2200], [800, 1900, 3000]):
            pole = 0.985
            pulse = lfilter([1.0], [1, -2 * pole * np.cos(2 * np.pi * formant / RATE), pole**2], pulse)
        syllable = pulse * np.hanning(count)
        begin = round(at * RATE)
        out[begin : begin + count] += (syllable / (np.sqrt((syllable**2).mean()) + 1e-9)).astype(np.float32)
        at += length + rng.uniform(0.03, 0.2)
    return out / (np.sqrt((out**2).mean()) + 1e-9)


def arranged(tune: Tune, order: Sequence[int]) -> Melody:
    """A tune's melody in some order of its measures."""
    return write_out(replace(tune, order=tuple(order)))
