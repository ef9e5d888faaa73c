"""A tune written down from a recording, held against the tune that was played; notes judged by mir_eval."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import mir_eval
import numpy as np
import pytest
import soundfile
import soxr
from typer.testing import CliRunner

from underbow.cli.app import app
from underbow.ear.melody.onsets import Sight
from underbow.ear.melody.salience import tuned_at
from underbow.ear.spectra import RATE
from underbow.ear.writing.barlines import find_meter, find_pickup, steps
from underbow.ear.writing.notes import Sounding, main_notes, notes_of
from underbow.ear.writing.page import _marked
from underbow.ear.writing.write import Given, from_notes
from underbow.theory.meter import Meter
from underbow.tune.abc.reader import read_abc
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out


def bars(tune: Tune) -> list[list[tuple[Fraction, Fraction, int]]]:
    melody = write_out(tune)
    return [
        [(note.start - bar.start, note.length, note.midi) for note in melody.notes if bar.start <= note.start < bar.end]
        for bar in melody.bars
    ]


def sounding(text: str, eighth: float = 0.2) -> list[Sounding]:
    notes = write_out(read_abc(text)[0]).notes
    return [
        Sounding(2 * eighth * float(note.start), 2 * eighth * float(note.end) - 0.01, note.midi, 1.0) for note in notes
    ]


def test_notes_are_found_where_they_were_played(simulate: ModuleType, churn: str) -> None:
    take = simulate.play(write_out(read_abc(churn)[0]), 120, replace(simulate.Conditions(), before=0.5), seed=4)
    sound = soxr.resample(take.sound, 44_100, RATE)
    found = main_notes(notes_of(Sight.of(sound, tuned_at(sound)[0])))
    truth = [note for note in take.played if note[1] - note[0] > 0.085]
    pitches = [mir_eval.util.midi_to_hz(np.array(midi)) for midi in ([n[2] for n in truth], [n.midi for n in found])]
    times = [np.array([n[:2] for n in truth]), np.array([(n.start, n.end) for n in found])]
    _, _, f1, _ = mir_eval.transcription.precision_recall_f1_overlap(
        times[0], pitches[0], times[1], pitches[1], onset_tolerance=0.05, pitch_tolerance=50, offset_ratio=None
    )
    assert f1 > 0.88


ROUND = """X:1
M:4/4
L:1/8
K:D
FG|:A2FA d2cd|edcB A2FG|A2FA B2GB|AGFE D2FG:|:d2fd e2ce|dcBA G2Bd|cBAG F2EF|GFED D2FG:|
"""


def test_steadily_played_notes_become_the_page_they_were_read_from() -> None:
    written = from_notes(sounding(ROUND), "Round the churn")
    tune = read_abc(written.abc)[0]
    assert (str(tune.key), str(tune.meter)) == ("D", "4/4")
    assert bars(tune)[:-1] == bars(read_abc(ROUND)[0])[:-1]
    assert written.abc.count(":|") == 2  # each part once
    assert "a draft" in written.abc


HELD = """X:1
M:4/4
L:1/8
K:G
|:G2Bd g4|e2dB A4|G2Bd g2fe|d2cA G4:|:b2ag e4|a2ge d4|g2ed B2AB|G2E2 D4|b2ag e4|a2ge d4|gedB A2FA|G8:|
"""


def swaying(text: str, seed: int, quarter: float = 0.36) -> list[Sounding]:
    """Notes up to 30 ms early or late, in a tempo that sways by 8 % in waves of some bars."""
    rng = np.random.default_rng(seed)
    quarters = np.arange(0, 200, 0.125)
    sway = 0.08 * np.sin(2 * np.pi * quarters / rng.uniform(6, 14) + rng.uniform(0, 7))
    seconds = np.cumsum(0.125 * quarter * (1 + sway))
    notes = write_out(read_abc(text)[0]).notes
    begins = np.interp([float(note.start) for note in notes], quarters, seconds)
    begins += np.clip(rng.normal(0, 0.015, len(notes)), -0.03, 0.03)
    ends = [*begins[1:], float(np.interp(float(notes[-1].end), quarters, seconds))]
    return [
        Sounding(float(begin), float(end), note.midi, 1.0) for begin, end, note in zip(begins, ends, notes, strict=True)
    ]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_beat_is_carried_through_long_notes_of_a_tempo_that_sways(seed: int) -> None:
    assert bars(from_notes(swaying(HELD, seed), "x").tune) == bars(read_abc(HELD)[0])


def test_a_quarter_of_a_lively_tune_is_not_taken_for_an_eighth() -> None:
    text = """X:1
M:4/4
L:1/8
K:D
|:d2de f2f2|e2e2 g2A2|d2d2 f2a2|f2e2d4:|:a2a2f2f2|g2ge c2A2|a2gf e2d2|d2c2d4:|
"""
    written = from_notes(sounding(text, 30 / 166), "x")
    assert bars(written.tune) == bars(read_abc(text)[0])


def test_what_the_player_says_is_taken() -> None:
    text = "X:1\nM:3/4\nL:1/8\nK:G\nG2B2d2|g2d2B2|c2A2F2|G6|B2d2g2|a2f2d2|e2c2A2|G6|\n"
    found = from_notes(sounding(text, 0.25), "x", Given(Meter.parse("3/4"), Fraction(1), 120.0))
    assert str(found.tune.meter) == "3/4"
    assert str(found.tune.tempo) == "1/4 = 120"
    assert bars(found.tune) == bars(read_abc(text)[0])


def test_a_bar_played_otherwise_the_second_time_is_in_doubt_and_marked(churn: str) -> None:
    notes = sounding(churn)
    at = next(i for i, note in enumerate(notes) if note.start > 2 * 0.2 * (1 + 16 + 8))
    notes[at : at + 4] = [replace(note, midi=note.midi + 2) for note in notes[at : at + 4]]
    written = from_notes(notes, "x")
    assert "played otherwise the second time" in written.abc
    assert written.abc.count('"^?"') >= 1
    assert any("in doubt" in line for line in written.told)


def test_marks_stand_before_their_measures() -> None:
    assert _marked("P:A\n|:AB|cd ef|\nga b2:|\n", {1, 2}) == 'P:A\n|:AB|"^?"cd ef|\n"^?"ga b2:|\n'


def test_the_command_writes_a_new_file_and_refuses_an_old_one(simulate: ModuleType, churn: str, tmp_path: Path) -> None:
    take = simulate.play(write_out(read_abc(churn)[0]), 120, simulate.STEADY, seed=1)
    soundfile.write(tmp_path / "me.wav", take.sound, 44_100)
    target = tmp_path / "me.abc"
    result = CliRunner().invoke(app, ["tune", str(tmp_path / "me.wav"), "-o", str(target), "--json"])
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["key"] == "D"
    original, again = bars(read_abc(churn)[0]), bars(read_abc(target.read_text())[0])
    assert np.mean([a == b for a, b in zip(original, again, strict=False)]) >= 0.85
    for arguments, words in [
        (["tune", str(tmp_path / "me.wav"), "-o", str(target)], "already exists"),
        (["tune", str(target), "--meter", "6/8"], "are for a recording"),
        (["tune", str(tmp_path / "me.wav"), "--beat", "9/1"], "must be a note value"),
    ]:
        result = CliRunner().invoke(app, arguments)
        assert result.exit_code == 2
        assert words in " ".join(result.stderr.split())


# Traditional songs, from memory, as any songbook has them: their meter, and the quarters before the first bar line.
SONGS = {
    "Auld lang syne": ("4/4", 1, """
        C2|F3EF2A2|G3FG2A2|F3FA2c2|d6d2|c3AA2F2|G3FG2A2|F3DD2C2|F6"""),
    "Amazing Grace": ("3/4", 1, """
        D2|G4BG|B4A2|G4E2|D4D2|G4BG|B4A2|d6-|d4B2|d4BG|B4A2|G4E2|D4D2|G4BG|B4A2|G4"""),
    "Greensleeves": ("6/8", Fraction(1, 2), """
        A|c2de>fe|d2BG>AB|c2AA>^GA|B2^GE2A|c2de>fe|d2BG>AB|c>BA^G>^F^G|A3A3|
        g3g>fe|d2BG>AB|c2AA>^GA|B2^GE3|g3g>fe|d2BG>AB|c>BA^G>^F^G|A3A2"""),
    "Twinkle, twinkle": ("4/4", 0, """
        C2C2G2G2|A2A2G4|F2F2E2E2|D2D2C4|G2G2F2F2|E2E2D4|G2G2F2F2|E2E2D4|C2C2G2G2|A2A2G4|F2F2E2E2|D2D2C4"""),
}  # fmt: skip


@pytest.mark.parametrize("name", SONGS)
def test_bar_lines_of_songs_that_everybody_knows_are_found(name: str) -> None:
    meter, pickup, music = SONGS[name]
    notes = write_out(read_abc(f"X:1\nM:{meter}\nL:1/8\nK:C\n{''.join(music.split())}|]\n")[0]).notes
    line = [Played(note.start - notes[0].start, note.end - notes[0].start, note.midi) for note in notes]
    assert find_pickup(line, Meter.parse(meter)) == pickup
    assert str(find_meter(line)[0]) == meter


def test_a_meter_is_likelier_where_a_part_has_eight_bars_of_it() -> None:
    _, _, music = SONGS["Amazing Grace"]
    notes = write_out(read_abc(f"X:1\nM:3/4\nL:1/8\nK:C\n{''.join(music.split())}|]\n")[0]).notes
    line = [Played(note.start - notes[0].start, note.end - notes[0].start, note.midi) for note in notes]
    eight, five = (find_meter(line, Fraction(3 * bars)) for bars in (8, 5))
    assert str(eight[0]) == "3/4"
    assert eight[1] > (five[1] if str(five[0]) == "3/4" else 0.0)


def test_a_pitch_that_is_bowed_again_and_again_is_so_many_notes(simulate: ModuleType) -> None:
    tune = read_abc("X:1\nM:4/4\nL:1/8\nK:D\nAAAA B2BB|ddfd e4|dddd A2AA|BBAA d4|\n")[0]
    take = simulate.play(write_out(tune), 130, replace(simulate.Conditions(), before=0.5, ornaments=0, slips=0), seed=7)
    sound = soxr.resample(take.sound, 44_100, RATE)
    found = main_notes(notes_of(Sight.of(sound, tuned_at(sound)[0])))
    assert [note.midi for note in found] == [note.midi for note in write_out(tune).notes]


def test_cuts_and_rolls_in_long_notes_are_no_notes(simulate: ModuleType) -> None:
    tune = read_abc("X:1\nM:3/4\nL:1/4\nK:D\nD3|F2A|B3|A2F|G3|E2C|D3|F2E|D3|\n")[0]
    way = replace(simulate.Conditions(), before=0.5, ornaments=1, slips=0, slurs=0)
    take = simulate.play(write_out(tune), 110, way, seed=5)
    sound = soxr.resample(take.sound, 44_100, RATE)
    found = main_notes(notes_of(Sight.of(sound, tuned_at(sound)[0])))
    assert [note.midi for note in found] == [note.midi for note in write_out(tune).notes]


@pytest.mark.parametrize("name", ["4/4", "6/8", "3/4", "9/8"])
def test_a_line_that_has_come_off_the_beat_is_drawn_back_to_it(name: str) -> None:
    meter = Meter.parse(name)
    quarter = np.array([row[3] for row in steps(meter)])
    assert quarter[1::2].max() < quarter[::2].max() - 0.3  # from a sixteenth off the beat a quarter leads to another


def test_a_quarter_and_an_eighth_in_six_eight_are_no_fast_waltz() -> None:
    text = """X:1
M:6/8
L:1/8
K:A
|:c2EE2F|E2FA2A|e2cc2B|A2cB2B|c2EE2F|E2FA2A|e2cB2B|A3A2z:|
"""
    for seed in (1, 2, 3):
        assert str(from_notes(swaying(text, seed, quarter=0.42), "x").tune.meter) == "6/8"


def test_a_waltz_is_likelier_at_the_pace_of_one() -> None:
    _, _, music = SONGS["Amazing Grace"]
    notes = write_out(read_abc(f"X:1\nM:3/4\nL:1/8\nK:C\n{''.join(music.split())}|]\n")[0]).notes
    line = [Played(note.start - notes[0].start, note.end - notes[0].start, note.midi) for note in notes]
    (slow, sure), (quick, less) = (find_meter(line, Fraction(15), eighth) for eighth in (0.27, 0.17))
    assert str(slow) == "3/4"
    assert sure > (less if str(quick) == "3/4" else 0.0)


@pytest.mark.parametrize("slip", ["left out", "wrong", "too much"])
def test_a_bar_that_was_played_better_the_second_time_is_written_so(slip: str) -> None:
    notes = sounding(ROUND)
    at = 2 + 7 + 5  # within the second bar, the first time
    note = notes[at]
    if slip == "left out":
        notes[at - 1 : at + 1] = [replace(notes[at - 1], end=note.end)]
    elif slip == "wrong":
        notes[at] = replace(note, midi=note.midi - 1)
    else:
        middle = (note.start + note.end) / 2
        notes[at : at + 1] = [replace(note, end=middle), replace(note, start=middle)]
    written = from_notes(notes, "x")
    assert bars(written.tune)[:-1] == bars(read_abc(ROUND)[0])[:-1]
    assert ("bar 2: played otherwise the first time" in written.abc) == (
        slip != "too much"
    )  # the same pitch all through


def test_triplets_are_written_as_such_and_sixteenths_too() -> None:
    text = """X:1
M:4/4
L:1/8
K:D
|:A2FA (3Bcd cA|d2e/f/g f2d2|A2FA (3Bcd cA|B2E2 D4:|:(3fgf ed c2A2|B/c/de2 (3fgf ed|(3cdc BA G2E2|F2E2 D4:|
"""
    for notes in (sounding(text, 0.2), swaying(text, 1, quarter=0.42)):
        written = from_notes(notes, "x")
        assert bars(written.tune) == bars(read_abc(text)[0])
        assert written.abc.count("(3") == text.count("(3")
