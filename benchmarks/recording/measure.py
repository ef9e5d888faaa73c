"""Measure what becomes of a recording: ``python benchmarks/recording/measure.py --tunes FOLDER [--count N] [--seed S]``.

FOLDER holds tunebooks in ABC; tunes are drawn from them by the seed, as many of each of four meters. Nothing of them is kept.
Each is played by a player who doesn't exist (see ``simulate.py``), in three ways: as written, each part once, the whole twice.
Thresholds were fixed on other tunes and seeds below 1000; the table is of seeds from 2000 on.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import soundfile
import soxr
from simulate import RATE, STEADY, Conditions, Samples, Take, arranged, play, speech, ways

from underbow.ear.melody.align import align
from underbow.ear.melody.heard import Alignment
from underbow.ear.melody.onsets import Sight
from underbow.ear.melody.salience import tuned_at
from underbow.ear.recording import read_recording
from underbow.ear.spectra import RATE as OURS
from underbow.ear.writing.barlines import COUNTED
from underbow.ear.writing.notes import ORNAMENT, main_notes, notes_of
from underbow.ear.writing.write import write_down
from underbow.errors import InputError
from underbow.jobs.recorded import prepare
from underbow.sound.recorded import RecordedMelody
from underbow.track.recorded import lines
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet
from underbow.tune.abc.writer import to_abc
from underbow.tune.source import load_tunes
from underbow.tune.tune import Melody, Tune
from underbow.tune.written_out import write_out

METERS = ("4/4", "6/8", "3/4", "9/8")
PACE = {"4/4": (150, 190), "6/8": (140, 175), "3/4": (100, 135), "9/8": (140, 170)}  # quarters a minute
SHARES = (0.5, 0.75, 1.0, 1.3)
PITCHES = (440.0, 436.0, 446.0)


def collected(folder: Path) -> Iterator[tuple[str, Tune, Melody]]:
    """Meter, tune and melody of the tunes that begin in one of the meters."""
    for book in sorted(folder.rglob("*.abc")):
        try:
            tunes = load_tunes(book)
        except InputError:
            continue
        for tune in tunes:
            meter = {"C": "4/4", "C|": "4/4", "2/2": "4/4"}.get(str(tune.meter), str(tune.meter))
            if meter in METERS:
                yield meter, tune, write_out(tune)


def drawable(melody: Melody) -> bool:
    """Whether a melody has 60 to 400 notes, all on the fiddle, several sections, and no more than one meter."""
    return (
        60 <= len(melody.notes) <= 400
        and len(melody.sections) >= 2
        and all(55 <= note.midi <= 96 for note in melody.notes)
        and len({bar.meter for bar in melody.bars}) == 1
    )


def readable(folder: Path) -> Iterator[tuple[str, Tune, Melody]]:
    """Meter, tune and melody of the tunes that may be drawn."""
    return (one for one in collected(folder) if drawable(one[2]))


def chosen(folder: Path, count: int, seed: int) -> list[tuple[str, Tune]]:
    """Tunes drawn by the seed, as many of each meter, of those that nothing was counted in (see ``barlines.py``)."""
    rng = np.random.default_rng(seed)
    by_meter: dict[str, list[Tune]] = {meter: [] for meter in METERS}
    for number, (meter, tune, _) in enumerate(readable(folder)):
        if number % 2 == 0 and meter in COUNTED:
            continue
        by_meter[meter].append(tune)
    out = []
    for meter, tunes in by_meter.items():
        picked = rng.permutation(len(tunes))[: count // len(METERS)]
        out += [(meter, tunes[number]) for number in picked]
    return out


def laid(take: Take, tune: Tune, folder: Path) -> tuple[Alignment, float]:
    """The alignment of a take, and the processor's seconds for it."""
    soundfile.write(folder / "take.wav", take.sound, RATE)
    begun = time.process_time()
    found = align(read_recording(folder / "take.wav", folder), write_out(tune), 130.0)
    return found, time.process_time() - begun


def onset_errors(take: Take, found: Alignment) -> list[float]:
    """For each note that was played as written, how far off the nearest note of that pitch was placed, s."""
    out = []
    for second, midi, _ in take.onsets:
        own = [abs(one.seconds - second) for one in found.notes if one.note.midi == midi]
        out.append(min([*own, 0.5]))
    return out


def line_errors(take: Take, found: Alignment) -> list[float]:
    """Bar lines lie where a bar's first note was begun, whatever the clock says; where none is, by the clock."""
    truth = {}
    firsts = np.array([second for second, *_ in take.onsets])
    for second, number, again in take.lines:
        near = firsts[np.abs(firsts - second) < 0.035]
        truth[number, again] = float(near[np.abs(near - second).argmin()]) if len(near) else second
    got = {(bar.number, bar.time): bar.start for bar in found.bars}
    return [abs(got[key] - second) if key in got else 0.5 for key, second in truth.items()]


def stretched(take: Take, tune: Tune, share: float, folder: Path) -> dict[str, Any]:
    """Stretch a take to a share of its tempo; onsets against the map, cents, spectra of steady notes, joins, seconds."""
    soundfile.write(folder / "me.wav", take.sound, RATE)
    (folder / "t.abc").write_text(to_abc(tune))
    table: dict[str, Any] = {"tune": "t.abc", "recording": {"file": "me.wav"}}
    table["tempo"] = {"start": 60, "goal": 60, "passes": 1, "count_in": 1}
    sheet = build_sheet(table, folder, "benchmark")
    ready = prepare(sheet, folder / "me.wav", folder)
    played = 60 * float(sheet.melody.length) / (take.end - take.lines[0][0])
    count = max(round(played * share / float(sheet.ramp.beat)), 20)
    table["tempo"] = {"start": count, "goal": count, "passes": 2, "count_in": 1}
    performance = replace(perform(build_sheet(table, folder, "benchmark")), recorded=ready.recorded)
    melody = RecordedMelody(performance, RATE)
    begun = time.process_time()
    pieces, frames = [], 0
    for piece in melody.blocks():
        pieces.append(piece)
        frames += len(piece)
        if frames >= melody.frames:
            break
    seconds = time.process_time() - begun
    out = np.concatenate(pieces)
    source = np.fromfile(ready.recorded.samples, np.float32)
    one, two = (Sight.of(soxr.resample(x, RATE, OURS), ready.alignment.pitch) for x in (source, out))
    timeline = performance.timeline
    every = lines(ready.recorded, performance.tempo, timeline.starts, timeline.lengths)
    errors, cents, spectra = [], [], []
    for line in every:
        inside = [note for note in ready.alignment.notes if line.tape[0] - 0.01 <= note.seconds < line.tape[-1] - 0.1]
        for note, after in zip(inside, [*inside[1:], None], strict=True):
            begin = one.change(note.seconds, note.note.midi)
            if begin is None or abs(begin - note.seconds) > 0.03:
                continue
            wanted = float(np.interp(begin, line.tape, line.track))
            found = two.change(wanted, note.note.midi)
            errors.append(abs(found - wanted) if found is not None else 0.1)
            if after is not None and after.seconds - begin > 0.3:
                a, b = begin + 0.06, after.seconds - 0.04
                if not any(start <= a and b <= end and midi == note.note.midi for start, end, midi in take.played):
                    continue  # an ornament lies in it, or it is another note
                here = source[round(a * RATE) : round(b * RATE)]
                there = out[
                    round(np.interp(a, line.tape, line.track) * RATE) : round(
                        np.interp(b, line.tape, line.track) * RATE
                    )
                ]
                cents.append(abs(1200 * np.log2(mean_hertz(there, note.note.midi) / mean_hertz(here, note.note.midi))))
                spectra.append(_distance(here, there))
    joints = [line.track[0] for line in every if line.joined]
    rate = seconds / (len(out) / RATE)
    return {"errors": errors, "cents": cents, "spectra": spectra, "clicks": _clicks(out, joints), "rate": rate}


def mean_hertz(sound: Samples, midi: int) -> float:
    """Mean frequency of a note's fundamental, each moment counted by its power: the centre of its line in the spectrum.

    Not the line's peak: with vibrato that is as often one of the lines beside the middle one, the more so the slower the vibrato.
    """
    size = 1 << 18
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size)) ** 2
    bins = np.arange(len(power)) * RATE / size
    wanted = 440 * 2 ** ((midi - 69) / 12)
    near = np.abs(bins - wanted) < 0.04 * wanted
    middle = float(bins[near][power[near].argmax()])
    line = np.abs(bins - middle) < max(0.03 * middle, 4 * RATE / len(sound))
    return float((bins[line] * power[line]).sum() / power[line].sum())


def _distance(one: Samples, two: Samples) -> float:
    """RMS difference of the mean spectra, in third octaves from 200 Hz to 8 kHz, the levels made equal, dB."""
    bands = []
    for sound in (one, two):
        frames = np.lib.stride_tricks.sliding_window_view(sound, 2048)[::512] * np.hanning(2048)
        power = (np.abs(np.fft.rfft(frames, axis=1)) ** 2).mean(axis=0)
        edges = np.geomspace(200, 8000, 17) * 2048 / RATE
        bands.append(10 * np.log10([power[int(a) : int(b) + 1].sum() + 1e-12 for a, b in pairwise(edges)]))
    apart = bands[0] - bands[1]
    return float(np.sqrt(((apart - apart.mean()) ** 2).mean()))


def _clicks(sound: Samples, joints: list[float]) -> int:
    """Joins at which a sample's second difference stands more than four times over the loudest within half a second round it."""
    bend = np.abs(np.diff(sound, 2))
    found = 0
    for joint in joints:
        at, near, far = round(joint * RATE), round(0.03 * RATE), round(0.5 * RATE)
        around = np.concatenate([bend[max(at - far, 0) : at - near], bend[at + near : at + far]])
        found += bool(bend[at - near : at + near].max() > 4 * np.quantile(around, 0.9999))
    return found


def f1(take: Take, folder: Path) -> float:
    """Of the notes that are no ornaments: onsets within 50 ms, pitch within 50 cents of the player's own tuning."""
    soundfile.write(folder / "take.wav", take.sound, RATE)
    sound = read_recording(folder / "take.wav", folder).sound
    pitch, _ = tuned_at(sound)
    found = main_notes(notes_of(Sight.of(sound, pitch)))
    truth = [note for note in take.played if note[1] - note[0] > ORNAMENT]
    times = [np.array([note[:2] for note in truth]), np.array([(note.start, note.end) for note in found])]
    hertz = [mir_eval.util.midi_to_hz(np.array(midi)) for midi in ([n[2] for n in truth], [n.midi for n in found])]
    score = mir_eval.transcription.precision_recall_f1_overlap(
        times[0], hertz[0], times[1], hertz[1], offset_ratio=None
    )
    return float(score[2])


def bars_right(take: Take, tune: Tune, folder: Path) -> tuple[float, bool]:
    """Share of the bars written down as the tune has them; whether key and meter are its own.

    The collection has no keys but major and minor: a mode is right where it has the tonic and the third of the tune's key.
    """
    soundfile.write(folder / "take.wav", take.sound, RATE)
    try:
        got = write_down(folder / "take.wav").tune
    except InputError:
        return 0.0, False
    meter = float(got.meter.bar) == float(tune.meter.bar) and got.meter.compound == tune.meter.compound
    key = (got.key.tonic, got.key.is_minor) == (tune.key.tonic, tune.key.is_minor)
    return bars_alike(got, tune), key and meter


def bars_alike(got: Tune, tune: Tune) -> float:
    """Share of a tune's bars that another has note for note, from its first or second bar on."""
    mine, own = ([*_bars(one)] for one in (got, tune))
    best = max(np.mean([a == b for a, b in zip(own, mine[by:], strict=False)] + [False] * max(len(own) - len(mine) + by, 0))
               for by in (0, 1))  # fmt: skip
    return float(best)


def _bars(tune: Tune) -> Iterator[list[tuple[Fraction, Fraction, int]]]:
    melody = write_out(tune)
    for bar in melody.full_bars:
        inside = [note for note in melody.notes if bar.start <= note.start < bar.end]
        yield [(note.start - bar.start, note.length, note.midi) for note in inside]


def bad(tune: Tune, other: Tune, folder: Path) -> Iterator[tuple[str, str]]:
    """What is said of recordings that are no good."""
    good = play(write_out(tune), 120, STEADY, 1)
    two = good.sound.copy()
    second = play(write_out(tune), 120, replace(STEADY, before=2.3), 2).sound
    two[: len(second)] += second[: len(two)]
    phone = soxr.resample(soxr.resample(good.sound, RATE, 8000), 8000, RATE)
    rng = np.random.default_rng(1)
    cases: dict[str, Samples] = {
        "silence": np.zeros(10 * RATE, np.float32),
        "clipping": np.clip(8 * good.sound, -0.9, 0.9),
        "8 kHz telephone": phone,
        "two fiddles": two / np.abs(two).max() / 2,
        "speech": (0.1 * speech(12.0, rng)).astype(np.float32),
        "another tune": play(write_out(other), 120, STEADY, 3).sound,
    }
    for name, sound in cases.items():
        try:
            found, _ = laid(replace(good, sound=sound), tune, folder)
        except InputError as error:
            yield name, str(error)
        else:
            doubts = sum(bool(bar.doubts) for bar in found.bars)
            yield (
                name,
                f"taken: fits {found.sure:.2f}, {doubts} of {len(found.bars)} bars in doubt; {'; '.join(found.told)}",
            )


def figure(values: list[float], scale: float = 1.0, of: float = 95) -> float:
    return round(scale * float(np.percentile(values, of)), 2) if values else float("nan")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--tunes", type=Path, required=True)
    asked.add_argument("--count", type=int, default=20)
    asked.add_argument("--stretched", type=int, default=4, help="how many of them are stretched too")
    asked.add_argument("--seed", type=int, default=2000)
    asked.add_argument("--json", type=Path)
    options = asked.parse_args()
    tunes = chosen(options.tunes, options.count, options.seed)
    onsets: list[float] = []
    bar_lines: list[float] = []
    rates: list[float] = []
    scores: list[float] = []
    steady: list[float] = []
    swaying: list[float] = []
    right = swayed = 0
    stretches: dict[float, list[dict[str, Any]]] = {share: [] for share in SHARES}
    rng = np.random.default_rng(options.seed)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for number, (meter, tune) in enumerate(tunes):
            tempo = float(rng.uniform(*PACE[meter]))
            for way, (name, order) in enumerate(ways(tune).items()):
                melody = write_out(tune) if name == "twice" else arranged(tune, order)
                conditions = Conditions(spoken=name == "once", pitch=PITCHES[way])
                seed = options.seed + 10 * number + way
                take = play(melody, tempo, conditions, seed, rounds=2 if name == "twice" else 1)
                try:
                    found, seconds = laid(take, tune, folder)
                except InputError as error:
                    print(f"{number} {meter} {name}: refused: {error}", flush=True)
                    onsets += [0.5] * len(take.onsets)
                    continue
                here, there = onset_errors(take, found), line_errors(take, found)
                onsets, bar_lines = onsets + here, bar_lines + there
                rates.append(seconds / (len(take.sound) / RATE))
                print(f"{number} {meter} {name}: onsets p95 {figure(here, 1000)} ms, lines p95 {figure(there, 1000)} ms, "
                      f"{rates[-1]:.3f} of real time", flush=True)  # fmt: skip
                if way:
                    continue
                scores.append(f1(take, folder))
                plain = play(melody, tempo, STEADY, seed)
                share, good = bars_right(plain, tune, folder)
                steady.append(share)
                right += good
                share_swaying, good_swaying = bars_right(take, tune, folder)
                swaying.append(share_swaying)
                swayed += good_swaying
                print(f"   F1 {scores[-1]:.3f}, bars {share:.2f} steady, {share_swaying:.2f} with rubato; "
                      f"key and meter {good} and {good_swaying}", flush=True)  # fmt: skip
                if number % max(len(tunes) // options.stretched, 1) == 0:
                    for factor in SHARES:
                        stretches[factor].append(stretched(take, tune, factor, folder))
        refusals = list(bad(tunes[0][1], tunes[-1][1], folder))
    result: dict[str, Any] = {
        "tunes": len(tunes),
        "onsets_p95_ms": figure(onsets, 1000),
        "onsets_over_50_ms": round(float(np.mean(np.array(onsets) > 0.05)), 4),
        "bar_lines_p95_ms": figure(bar_lines, 1000),
        "aligning_of_real_time": round(max(rates), 3),
        "f1_mean": round(float(np.mean(scores)), 3),
        "f1_least": round(min(scores), 3),
        "bars_steady": round(float(np.mean(steady)), 3),
        "bars_rubato": round(float(np.mean(swaying)), 3),
        "key_and_meter_right": f"{right} of {len(steady)}, {swayed} with rubato",
        "stretching": {
            str(share): {
                "onsets_p95_ms": figure([e for run in runs for e in run["errors"]], 1000),
                "cents_p95": figure([e for run in runs for e in run["cents"]]),
                "spectrum_db_median": figure([e for run in runs for e in run["spectra"]], of=50),
                "spectrum_db_p95": figure([e for run in runs for e in run["spectra"]]),
                "clicks": sum(run["clicks"] for run in runs),
                "of_real_time": round(max(run["rate"] for run in runs), 3),
            }
            for share, runs in stretches.items()
            if runs
        },
        "bad": dict(refusals),
        "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
    }
    text = json.dumps(result, indent=2, ensure_ascii=False)
    print(text)
    if options.json:
        options.json.write_text(text + "\n")


if __name__ == "__main__":
    main()
