"""Takes of learners who don't exist: the backup of a sheet, unevenly played, in a room where the play-along is heard too.

Everything is drawn from one seed. The learner plays by one of our voices or by recorded notes of a violin, the play-along by
another voice; what a microphone, a small loudspeaker, a phone's automatic gain, its noise suppression and its codec do to
the sound is done in turn. No person was recorded.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import librosa
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, iirpeak, istft, oaconvolve, sosfilt, stft, tf2sos

from underbow.sound.choose import choose_voice
from underbow.sound.mix import Mixer
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Action, ActionNote, Remembered, Voice, accent_of
from underbow.track.mixes import Mix
from underbow.track.performance import Manner, Performance

RATE = 44_100
#: dB of a tone's maximum at which it is heard to begin: the middle of the 6 to 15 dB below it that listeners' judgements gave
#: (J. Vos and R. Rasch, "The perceptual onset of musical tones", Perception & Psychophysics 29, 1981; from memory).
ONSET_DB = -10.0
STROKE = RATE // 2  # a stroke's maximum is looked for within so many samples
FADES = 0.012, 0.070  # seconds in which a recorded note stops where the bow turns, drawn for each ...
STOPS = 0.015  # ... and by how much earlier or later than the turn it has stopped at most
PITCH_HOP = 441
LOCKED = 5  # hops from its onset until a note's pitch can be told at all
Samples = NDArray[np.float32]
NAMES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True)
class Conditions:
    """How the learner plays, and what stands between him and the file.

    Levels in dB relative to the learner's own; times in seconds.
    """

    jitter: float = 0.030  # each stroke early or late by at most this
    drift: float = 0.020  # a slow wave of this height
    cents: float = 20.0  # each finger off by at most this, the same each time ...
    wobble: float = 3.0  # ... and each stroke by so much more (standard deviation)
    dropped: float = 0.04  # share of strokes that are not played; half of them the bow goes on through
    leak: float | None = None  # the play-along as the microphone hears it; None: on headphones
    noise: float | None = None
    room: float = 0.0  # reverberation time
    speaker: bool = False  # the play-along comes out of a small loudspeaker
    gain: bool = False  # automatic gain
    suppress: bool = False  # noise suppression
    codec: str = ""  # "aac" or "opus"
    ppm: float = 0.0  # the recorder's clock against the player's
    flat: float = 0.0  # cents that the whole fiddle is off


CLEAN = Conditions()
ROOM = Conditions(leak=-20.0, noise=-40.0, room=0.4, speaker=True)
HARD = Conditions(leak=-10.0, noise=-25.0, room=0.7, speaker=True, gain=True, suppress=True, codec="aac", ppm=60.0)


@dataclass
class Take:
    """A take and the truth of it; times are seconds from the track's first sample."""

    sound: Samples
    offset: float  # where the track's first sample lies in the take
    heard: list[float | None] = field(default_factory=list)  # for every gesture of the backup, in order
    cents: dict[tuple[int, int], float] = field(default_factory=dict)  # by gesture and string


class RecordedNotes:
    """A voice made of recorded notes of a violin, moved in pitch by resampling the nearest one.

    A bowed note swells for up to 100 ms, so where its file begins isn't when it is heard to begin: a player who plays in time
    turns the bow a little before the beat. It is placed by its perceptual onset instead, :data:`ONSET_DB` below its maximum.
    """

    name, rate = "recorded notes", RATE

    def __init__(self, folder: Path) -> None:
        self._notes: dict[int, _Recorded] = {}
        for path in sorted(folder.glob("*.wav")):
            key = NAMES[path.stem[0]] + 12 * (int(path.stem[1]) + 1)
            if key <= 84:
                self._notes[key] = _prepared(path, key)

    def _nearest(self, midi: int) -> tuple[_Recorded, float]:
        key = min(self._notes, key=lambda known: abs(known - midi))
        return self._notes[key], 100 * (midi - key) - self._notes[key].off

    def sounds(self, action: Action) -> Samples:
        """The note, from :meth:`early` samples before its onset to the end of its recording."""
        note = action.notes[0]
        recorded, cents = self._nearest(note.midi)
        return resampled(recorded.samples, cents)

    def early(self, midi: int) -> int:
        """By how many samples a note must begin before it is to be heard to begin."""
        recorded, cents = self._nearest(midi)
        return round(recorded.onset / 2 ** (cents / 1200))

    def strays(self, midi: int, frames: int) -> float:
        """By how many cents a note of so many samples is off on the whole: no violinist's pitch stands still, and a vibrato is
        heard at its mean (J. Shonle and K. Horan, "The pitch of vibrato tones", JASA 67, 1980, as table 1 of J. Brown and
        K. Vaughn, "Pitch center of stringed instrument vibrato tones", JASA 100, 1996, gives it)."""
        recorded, _ = self._nearest(midi)
        return float(np.mean(recorded.pitch[LOCKED : max(frames // PITCH_HOP, LOCKED + 1)]))


@dataclass(frozen=True)
class _Recorded:
    """A recorded note at the voices' reference level; its onset, samples from its start; by how many cents it is off as a
    whole, and beyond that every :data:`PITCH_HOP` samples from its onset on."""

    samples: Samples
    onset: int
    off: float
    pitch: NDArray[np.float64]


def _prepared(path: Path, key: int) -> _Recorded:
    """A recorded note, its pitch by librosa's YIN."""
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    mono = samples.mean(axis=1)
    if rate != RATE:
        mono = librosa.resample(mono, orig_sr=rate, target_sr=RATE)
    mono = (mono / np.sqrt((mono[: 2 * RATE] ** 2).mean()) * 0.1).astype(np.float32)
    power = np.convolve(mono[:STROKE] ** 2, np.ones(441) / 441, "same")
    onset = int(np.argmax(power > power.max() * 10 ** (ONSET_DB / 10)))
    want = 440 * 2 ** ((key - 69) / 12)
    f0 = librosa.yin(mono[onset : onset + RATE], fmin=want / 1.3, fmax=want * 1.3, sr=RATE, hop_length=PITCH_HOP)
    pitch = 1200 * np.log2(f0 / want)
    off = float(np.median(pitch[: STROKE // PITCH_HOP]))
    rise = max(onset, RATE // 200)  # the files begin within the sound: without this they would begin with a click
    mono[:rise] *= np.sin(np.linspace(0, np.pi / 2, rise)).astype(np.float32) ** 2
    return _Recorded(mono, onset, off, pitch - off)


def _strays(samples: Samples, midi: int, cents: float) -> float:
    """By how many cents the sound of a note is off from what it should be, by librosa's YIN; 0 for one too short to tell."""
    heard = samples[LOCKED * PITCH_HOP :]
    if len(heard) < RATE // 5:
        return 0.0
    want = 440 * 2 ** ((midi - 69 + cents / 100) / 12)
    f0 = librosa.yin(heard, fmin=want / 1.3, fmax=want * 1.3, sr=RATE, hop_length=PITCH_HOP)[5:-5]
    return float(np.mean(1200 * np.log2(f0 / want)))


def resampled(samples: Samples, cents: float) -> Samples:
    """Higher by so many cents, and shorter."""
    ratio = 2 ** (cents / 1200)
    places = np.arange(int((len(samples) - 2) / ratio)) * ratio
    return np.interp(places, np.arange(len(samples)), samples).astype(np.float32)


def make_take(
    performance: Performance,
    mix: Mix,
    conditions: Conditions,
    seed: int,
    *,
    learner: str = "builtin",
    leak: str = "soundfont",
    notes: Path | None = None,
    begins: float | None = None,
    ends: float | None = None,
) -> Take:
    """Make a take of the whole track, or of the seconds ``begins`` to ``ends`` of it."""
    rng = np.random.default_rng(seed)
    take = _played(performance, conditions, rng, learner, notes)
    length = len(take.sound)
    dry = take.sound
    if conditions.room:
        dry = _in_room(dry, conditions.room, rng)
    level = np.sqrt((dry[np.abs(dry) > 0.01 * np.abs(dry).max()] ** 2).mean())
    out = dry
    if conditions.leak is not None:
        other = play_along(performance, mix, leak)[:length]
        if conditions.speaker:
            other = _through_speaker(other)
        if conditions.room:
            other = _in_room(other, conditions.room, rng)
        other = other * (level * 10 ** (conditions.leak / 20) / np.sqrt((other**2).mean()))
        out = out.copy()
        out[: len(other)] += other
    lead = float(rng.uniform(0.3, 4.0))
    first, last = int((begins or 0) * RATE), int(ends * RATE) if ends else len(out)
    out = np.concatenate([np.zeros(int(lead * RATE) if not begins else 0, np.float32), out[first:last]])
    take.offset = lead if not begins else -begins
    take.offset = int(lead * RATE) / RATE if not begins else -first / RATE
    if conditions.noise is not None:
        out = out + _noise(len(out), rng) * np.float32(level * 10 ** (conditions.noise / 20))
    if conditions.ppm:
        places = np.arange(int(len(out) / (1 + conditions.ppm * 1e-6))) * (1 + conditions.ppm * 1e-6)
        out = np.interp(places, np.arange(len(out)), out).astype(np.float32)
    if conditions.gain:
        out = _automatic_gain(out)
    if conditions.suppress:
        out = _suppressed(out)
    out = (out * (0.5 / np.abs(out).max())).astype(np.float32)
    take.sound = through_codec(out, conditions.codec) if conditions.codec else out
    return take


@cache
def _recorded(folder: Path) -> RecordedNotes:
    return RecordedNotes(folder)


@cache
def _voice(performance: Performance, kind: str) -> Voice:
    return Remembered(choose_voice(performance, kind, rate=RATE).voice, 256 << 20)


def _played(
    performance: Performance, c: Conditions, rng: np.random.Generator, learner: str, notes: Path | None
) -> Take:
    """The learner alone, with the truth of each stroke."""
    voice: Voice = _recorded(notes) if learner == "recorded" and notes else _voice(performance, learner)
    end = performance.tempo.seconds(performance.length) + 3.0
    sound = np.zeros(int(end * RATE), np.float32)
    take = Take(sound, 0.0)
    fingers: dict[tuple[int, int], float] = {}
    steady: dict[
        int, float
    ] = {}  # by how many cents our own voices are off: under a bow's weight a string sounds a little flat
    stops = rng.spawn(1)[0]
    period, phase = rng.uniform(15, 40), rng.uniform(0, 2 * np.pi)
    gestures = list(performance.part("backup").gestures)
    starts = [performance.tempo.seconds(gesture.start) for gesture in gestures]
    felt = [
        max(s + rng.uniform(-1, 1) * c.jitter + c.drift * np.sin(2 * np.pi * s / period + phase), 0.0) for s in starts
    ]
    dropped = {i for i in range(1, len(gestures) - 1) if rng.uniform() < c.dropped}
    held_on = {i for i in sorted(dropped) if rng.uniform() < 0.5 and i - 1 not in dropped}
    for index, gesture in enumerate(gestures):
        if index in dropped:
            take.heard.append(None)
            continue
        take.heard.append(felt[index])
        accent, offs = accent_of(gesture.top), rng.normal(0, c.wobble)
        joined = index + 1 < len(gestures) and gestures[index + 1].start <= gesture.end
        for note in gesture.notes:
            inside = performance.tempo.seconds(note.start) - starts[index]
            stop = performance.tempo.seconds(note.end) - starts[index]
            if joined and note.end == gesture.end:  # the bow turns where the next stroke is really played
                following = index + 2 if index + 1 in held_on and index + 2 < len(gestures) else index + 1
                stop = max(felt[following] - felt[index], inside + 0.05)
            string = note.string or 0
            finger = fingers.setdefault((string, note.midi), float(rng.uniform(-1, 1) * c.cents))
            if note.midi == performance.tuning.midi[string]:
                finger = fingers[string, note.midi] = finger / 5  # an open string was tuned before
            cents = c.flat + finger + offs
            frames = int((stop - inside) * RATE)
            ratio = 2 ** (cents / 1200)
            action = Action(
                manner=gesture.manner,
                notes=(ActionNote(0, max(int(frames * ratio), 1), note.midi, 0.0, string),),
                bow=gesture.bow,
                accent=accent,
                joined=joined,
                program=performance.part("backup").program,
            )
            samples = voice.sounds(action)
            samples = samples if samples.ndim == 1 else samples.mean(axis=1)
            if gesture.manner is not Manner.CHOP:
                samples = resampled(samples, cents)
                if isinstance(voice, RecordedNotes):
                    samples = _stopped(samples, round(voice.early(note.midi) / ratio) + frames, stops)
                if isinstance(voice, RecordedNotes):
                    strays = voice.strays(note.midi, frames)
                else:
                    strays = steady[note.midi] = steady.get(note.midi) or _strays(samples[:frames], note.midi, cents)
                take.cents.setdefault((index, string), cents + strays)
            gain = 10 ** ((note.level - 3) / 20)
            place = round((felt[index] + inside) * RATE)
            if isinstance(voice, RecordedNotes):
                place -= round(voice.early(note.midi) / ratio)
            samples, place = samples[max(-place, 0) : len(sound) - place], max(place, 0)
            sound[place : place + len(samples)] += samples * np.float32(gain)
    return take


def _stopped(samples: Samples, end: int, rng: np.random.Generator) -> Samples:
    """A note that stops where the bow turns: near ``end``, faster or slower."""
    out = np.array(samples[: end + int(rng.uniform(-STOPS, STOPS) * RATE)], np.float32)
    fade = min(int(rng.uniform(*FADES) * RATE), len(out))
    out[len(out) - fade :] *= np.cos(np.linspace(0, np.pi / 2, fade)).astype(np.float32)
    return out


def play_along(performance: Performance, mix: Mix, kind: str) -> Samples:
    """What the learner hears, mono."""
    stems = Stems(performance, _voice(performance, kind))
    mixer = Mixer(performance, mix, stems.names, RATE)
    return np.concatenate([block.mean(axis=1) for block in mixer.mixed(stems.blocks())]).astype(np.float32)


def _in_room(sound: Samples, seconds: float, rng: np.random.Generator) -> Samples:
    """The sound with its reverberation: noise that decays by 60 dB in so many seconds, 8 dB below the direct sound."""
    count = int(seconds * RATE)
    tail = rng.normal(0, 1, count) * 10 ** (-3 * np.arange(count) / count)
    tail[: RATE // 200] = 0
    tail *= 10 ** (-8 / 20) / np.sqrt((tail**2).sum())
    return (sound + _convolved(sound, tail)).astype(np.float32)


def _convolved(sound: NDArray[np.floating], response: NDArray[np.floating]) -> NDArray[np.floating]:
    return oaconvolve(sound, response)[: len(sound)]


def _through_speaker(sound: Samples) -> Samples:
    """A phone's or laptop's loudspeaker: nothing below 250 Hz or above 9 kHz, a resonance at 900 Hz, a little distortion."""
    sos = np.vstack([butter(2, [250, 9000], "band", fs=RATE, output="sos"), tf2sos(*iirpeak(900, 2, fs=RATE))])
    out = sosfilt(sos[:2], sound) + 0.8 * sosfilt(sos, sound)
    top = np.abs(out).max() or 1.0
    return (np.tanh(1.5 * out / top) * top / 1.5).astype(np.float32)


def _noise(count: int, rng: np.random.Generator) -> Samples:
    """Noise of a room, falling by 3 dB an octave, of RMS 1."""
    white = np.fft.rfft(rng.normal(0, 1, count))
    white[1:] /= np.sqrt(np.arange(1, len(white)))
    white[0] = 0
    out = np.fft.irfft(white, count)
    return (out / np.sqrt((out**2).mean())).astype(np.float32)


def _automatic_gain(sound: Samples) -> Samples:
    """Slow gain towards one level: 20 ms down, 2 s up, at most 18 dB."""
    step = RATE // 100
    blocks = [float(np.sqrt((sound[i : i + step] ** 2).mean())) for i in range(0, len(sound), step)]
    level, gains = max(blocks[0], 1e-4), []
    for now in blocks:
        level += (now - level) * (0.4 if now > level else 0.005)
        gains.append(min(0.1 / max(level, 1e-5), 8.0))
    places = np.arange(len(sound)) / step
    return (sound * np.interp(places, np.arange(len(gains)), gains)).astype(np.float32)


def _suppressed(sound: Samples) -> Samples:
    """Noise suppression as calls have it: what lies near the noise of each band is turned down by 12 dB."""
    _, _, bins = stft(sound, RATE, nperseg=1024)
    power = np.abs(bins) ** 2
    floor = np.quantile(power, 0.1, axis=1, keepdims=True)
    gain = np.clip(1 - 2 * floor / np.maximum(power, 1e-20), 0.25, 1)
    return istft(bins * gain, RATE, nperseg=1024)[1][: len(sound)].astype(np.float32)


def through_codec(sound: Samples, codec: str) -> Samples:
    """Encode and decode as phones (AAC) and browsers (Opus) do, by ffmpeg."""
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        raise SystemExit("ffmpeg is needed for takes through AAC and Opus")
    name, args = {
        "aac": ("a.m4a", ["-c:a", "aac", "-b:a", "64k"]),
        "opus": ("a.webm", ["-c:a", "libopus", "-b:a", "32k"]),
    }[codec]
    with tempfile.TemporaryDirectory() as folder:
        raw, coded, back = (Path(folder) / part for part in ("a.wav", name, "b.wav"))
        soundfile.write(raw, sound, RATE)
        for command in (["-i", raw, *args, coded], ["-i", coded, "-ar", str(RATE), "-ac", "1", back]):
            subprocess.run([ffmpeg, "-v", "error", "-y", *map(str, command)], check=True)
        return soundfile.read(back, dtype="float32")[0]


__all__ = ["CLEAN", "HARD", "RATE", "ROOM", "Conditions", "Take", "make_take", "play_along", "replace"]
