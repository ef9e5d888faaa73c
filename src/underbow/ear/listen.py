"""A take held against its sheet, from the file to the verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from underbow.ear.advice import advise
from underbow.ear.expected import ExpectedStroke, expected_strokes
from underbow.ear.match import Match, match
from underbow.ear.pitch import stroke_cents
from underbow.ear.place import Place, find_place
from underbow.ear.presence import Hearing, stroke_levels, surely_missing
from underbow.ear.recording import Recording, at_our_rate, keep, read_recording
from underbow.ear.report import ChangeHeard, Heard, StrokeHeard, Verdict
from underbow.ear.spectra import HOP, RATE, Floats
from underbow.ear.strokes import HeardStroke, follow, onset_curve
from underbow.ear.turns import bow_turns, dated
from underbow.files.workplace import scratch
from underbow.sound.choose import choose_voice
from underbow.sound.mix import Mixer, is_heard
from underbow.sound.stems import Stems
from underbow.sound.voice.tape import sounding_once
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

SILENT = -55.0  # dBFS of the loudest tenth
CLIPPED = 0.004  # share of samples
_SHORTEST = 6  # strokes that must lie within a take
_OWN, _FITS = 0.6, 9.0  # share of strokes that fit their own hand; dB by which they fit it
_OWN_MOVED = (
    0.9  # where the piece seems to be at another pitch: among many pitches, one fits another piece's hands by chance
)
_IN_TUNE = 45  # cents by which a fiddle may be off as a whole and still be judged
_UNSURE = 0.12
_CLEAR = 0.3  # what a stroke must reach to be judged
_NEIGHBOURS = 4
_PARTS = 8  # of a take, whose means tell how evenly it was played
_BEGINNING = 0.003  # seconds by which one fiddle's notes are heard to begin later than another's


def listen(
    take: Path,
    performance: Performance,
    mix: Mix,
    *,
    voices: str = "auto",
    soundfont: Path | None = None,
    near: float | None = None,
) -> Heard:
    """Hold a recording of somebody playing along against the sheet.

    Parameters
    ----------
    take : Path
        A recording of any length; see :func:`~underbow.ear.recording.read_recording` for what can be read.
    performance : Performance
    mix : Mix
        What was played along with.
    voices, soundfont
        What the play-along was made with, as for a render.
    near : float or None
        Second of the take at which the track's first sample lies, where who recorded it has measured that.

    Returns
    -------
    Heard
        With its verdict first. Only ``judged`` and ``unsure`` have strokes.

    Raises
    ------
    InputError
        If the recording can't be read.
    """
    with scratch() as folder:
        recording = read_recording(take, folder)
        refused = _refused(recording)
        if refused is not None:
            return Heard(performance, *refused, Place(0.0, 1.0, 0.0, leak=False))
        track = _play_along(performance, mix, folder, voices, soundfont)
        return compare(recording.sound, track, performance, near=near)


def _refused(recording: Recording) -> tuple[Verdict, str] | None:
    if recording.level < SILENT:
        return "silent", "there is next to no sound in it; check the microphone, and stand nearer"
    if recording.clipped > CLIPPED:
        return "clipped", "it was recorded too loud and is distorted; turn the input down or stand further away"
    return None


def _play_along(performance: Performance, mix: Mix, folder: Path, voices: str, soundfont: Path | None) -> Floats:
    """The mix as one channel at the ear's rate."""
    choice = choose_voice(performance, voices, soundfont=soundfont, rate=RATE)
    with closing(choice), sounding_once(choice.voice, folder) as voice:
        heard = [part.name for part in performance.parts if is_heard(performance, mix, part.name)]
        stems = Stems(performance, voice, heard)
        mixer = Mixer(performance, mix, stems.names, RATE)
        return keep(at_our_rate(_mono(mixer.mixed(stems.blocks())), RATE), folder, "track.f32")


def _mono(blocks: Iterable[Floats]) -> Iterator[Floats]:
    for block in blocks:
        yield block.mean(axis=1)


def compare(take: Floats, track: Floats, performance: Performance, *, near: float | None = None) -> Heard:
    """Hold a take against the play-along and what is expected, both mono at :data:`~underbow.ear.spectra.RATE`.

    ``near`` is as for :func:`listen`.
    """
    pitch = performance.concert_pitch
    everything = expected_strokes(performance)
    place = find_place(take, track, everything, pitch, near=near)
    strokes = [stroke for stroke in everything if 0.05 < place.in_take(stroke.start) < len(take) / RATE - 0.1]
    if len(strokes) < _SHORTEST:
        return Heard(performance, "other piece", _NOT_THIS, place)
    leak = track if place.leak else None
    begun = follow(onset_curve(take, leak, place, len(take) // HOP), strokes, place)
    turns = bow_turns(Hearing(take, leak, place, pitch), strokes, begun)
    found = dated(begun, turns)
    if leak is None and place.offset != near:
        place, found = _even(place, strokes, found)
    late = _lateness(strokes, found)
    fit = match(take, place, strokes, late, pitch)
    verdict, why = _verdict(place, fit, begun)
    if verdict not in ("judged", "unsure"):
        return Heard(performance, verdict, why, place)
    hearing = Hearing(take, leak, place, pitch)
    levels = stroke_levels(hearing, strokes, late)
    missing = surely_missing(
        levels, [onset.clear for onset in begun], [None if turn is None else turn.broken for turn in turns]
    )
    heard = [_stroke(hearing, stroke, found[i : i + 2], missing[i]) for i, stroke in enumerate(strokes)]
    changes = tuple(_changes(heard))
    result = Heard(performance, verdict, why, place, tuple(heard), changes)
    return Heard(performance, verdict, why, place, tuple(heard), changes, advise(result))


_NOT_THIS = "it doesn't sound like this sheet; is it the right take, the right sheet and the right mix?"


def _verdict(place: Place, fit: Match, found: Sequence[HeardStroke]) -> tuple[Verdict, str]:
    if fit.own < _OWN or fit.fits < _FITS:
        return "other piece", _NOT_THIS
    out_of_tune = abs(fit.shift) > _IN_TUNE
    if out_of_tune and fit.own < _OWN_MOVED:
        return "other piece", _NOT_THIS
    if out_of_tune or place.key:
        moved = fit.shift if out_of_tune else 100 * place.key
        steps = abs(moved) / 100
        how = f"{steps:g} {'semitone' if steps == 1 else 'semitones'} {'lower' if moved < 0 else 'higher'}"
        cure = "tune to the track, or choose the key and concert pitch that were played"
        return "other pitch", f"it is the piece, but about {how}; {cure}"
    if float(np.mean([onset.clear >= _CLEAR for onset in found])) < 0.4:
        return (
            "noisy",
            "the strokes can't be told from what else is heard; use headphones, or stand nearer to the microphone",
        )
    if place.sure < _UNSURE:
        return "unsure", "it fits the track in more than one place; bars and passes may be named wrongly"
    return "judged", ""


def _even(
    place: Place, strokes: Sequence[ExpectedStroke], found: Sequence[HeardStroke]
) -> tuple[Place, list[HeardStroke]]:
    """Where only the strokes tell where the track lies, as many are taken to be early as late."""
    offs = [onset.seconds - stroke.start for onset, stroke in zip(found, strokes, strict=True) if onset.clear >= _CLEAR]
    # the mean, less a tenth at either end: a slow wave about the beat spends most of its time at its turning points
    middle = sorted(offs)[len(offs) // 10 : len(offs) - len(offs) // 10]
    late = float(np.mean(middle)) if middle else 0.0
    moved = replace(place, offset=place.offset + place.rate * late, within=_likely_within(offs))
    return moved, [replace(onset, seconds=onset.seconds - late) for onset in found]


def _likely_within(offs: Sequence[float]) -> float | None:
    """By how much the mean of a player's deviations is off at most, in 95 of 100 takes; None where too few tell.

    Neighbours lean the same way, so the spread is that of the means of parts of the take (C. Geyer, "Practical Markov
    chain Monte Carlo", Statistical Science 7(4), 1992, pp. 473-483: batch means). How the fiddle's notes begin
    adds to it.

    >>> even = [0.01, -0.01] * 40
    >>> leaning = [0.02] * 40 + [-0.02] * 40
    >>> [round(1000 * (_likely_within(offs) or 0)) for offs in (even, leaning)]
    [6, 16]
    """
    if len(offs) < 3 * _PARTS:
        return None
    means = [float(np.mean(part)) for part in np.array_split(np.array(offs), _PARTS)]
    return 2 * float(np.hypot(np.std(means, ddof=1) / _PARTS**0.5, _BEGINNING))


def _lateness(strokes: Sequence[ExpectedStroke], found: Sequence[HeardStroke]) -> list[float]:
    """How late the player was around each stroke, seconds."""
    offs = np.array([onset.seconds - stroke.start for onset, stroke in zip(found, strokes, strict=True)])
    near = _NEIGHBOURS
    return [float(np.median(offs[max(i - near, 0) : i + near + 1])) for i in range(len(offs))]


def _stroke(hearing: Hearing, stroke: ExpectedStroke, found: Sequence[HeardStroke], missing: float) -> StrokeHeard:
    """Put together what is known of a stroke; ``found`` holds it and the one after it, if there is one."""
    this = found[0]
    notes = [note for note in stroke.notes if note.start == stroke.start and not stroke.chop]
    if this.clear < _CLEAR or missing:
        return StrokeHeard(stroke, None, this.clear, missing, tuple((note.string, note.midi, None) for note in notes))
    place = hearing.place
    end = min([stroke.end + 0.15, *(onset.seconds for onset in found[1:])]) if found[1:] else stroke.end
    end = min([end, *(note.end for note in notes if note.end < stroke.end - 0.01)])
    measured = stroke_cents(hearing.take, place.in_take(this.seconds), place.in_take(end), notes, hearing.pitch)
    return StrokeHeard(
        stroke,
        this.seconds,
        this.clear,
        missing,
        tuple((onset.note.string, onset.note.midi, onset.cents) for onset in measured),
    )


def _changes(heard: Sequence[StrokeHeard]) -> Iterator[ChangeHeard]:
    """The strokes that bring a new hand, after one with another."""
    for before, now in pairwise(heard):
        first, second = before.expected, now.expected
        running = second.bar.playing == first.bar.playing or second.start - first.end < 0.05
        if running and not second.chop and not first.chop and first.chord != second.chord and second.chord:
            yield ChangeHeard(second, first.chord, now.off_ms)
