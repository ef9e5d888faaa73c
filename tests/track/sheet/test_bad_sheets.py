"""Every way a sheet can be wrong, one small file each, with the whole of what is said about it."""

# ruff: noqa: E501  whole messages, each on its line

from __future__ import annotations

import os
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.track.sheet.read import build_sheet, read_sheet

FOLDER = Path(__file__).parents[2] / "bad" / "sheets"

# File -> what is told, line by line. The place before a line is the sheet itself, unless it names another file.
MESSAGES: dict[str, list[str]] = {
    "not-toml": [
        ':1:9: this line can\'t be read: title = Lamplight (write text in double quotes: title = "Lamplight")',
    ],
    "no-tune": [
        ': tune: missing; write tune = "name.abc" for a file beside the sheet, abc = """ ... """ for a tune in place, or compose = { seed = 1 } for a melody over the progression',
    ],
    "two-tunes-asked": [
        ": tune: found tune and compose, expected one of them; leave the others out",
    ],
    "missing-tune": [
        ": tune: no file \"eight-bar.abc\" beside the sheet (did you mean 'eight-bars.abc'?); write the name of a tune that is there",
    ],
    "tune-elsewhere": [
        ': tune: found "../../../pyproject.toml", which is not beside the sheet; put the tune there and write its name alone',
    ],
    "tune-absolute": [
        ': tune: found "/etc/hostname", which is not beside the sheet; put the tune there and write its name alone',
    ],
    "tune-a-folder": [
        ': tune: "." is a folder; name the tune in it, as in "./NAME"',
    ],
    "bars-short-and-over": [
        "crooked.abc:6:14: bar 2, section A: holds 3 quarter notes, and 4/4 needs 4; add 1 quarter note, or, if it is meant so, write its own meter before it (in ABC [M:3/4])",
        "crooked.abc:6:23: bar 3, section A: holds 5 quarter notes, and 4/4 needs 4; take out 1 quarter note, or, if it is meant so, write its own meter before it (in ABC [M:5/4])",
    ],
    "bars-over-in-place": [
        ": abc, line 6, bar 2, section A: holds 7 eighth notes, and 6/8 needs 6; take out 1 eighth note, or, if it is meant so, write its own meter before it (in ABC [M:7/8])",
    ],
    "abc-empty": [
        ": abc, tune 1, Nothing: the tune has no notes",
    ],
    "pattern-file-bad": [
        "odd.toml: bow: found 7 cells, expected 8; write one symbol a cell",
    ],
    "title-empty": [
        ': title: empty; write text of at most 200 characters, such as "Lamplight"',
    ],
    "abc-a-number": [
        ': abc: found 3, expected a tune in ABC between triple quotes, """ ... """',
    ],
    "pattern-swing": [
        ": sound.swing: swing needs an even number of cells a beat, and 3 cells a bar of 3/4 make 1; leave swing out or write twice as many cells",
    ],
    "tune-number": [
        "two-tunes.abc: no tune has the number 3; there are 1, 2",
    ],
    "unknown-key": [
        ": patern: unknown key (did you mean 'pattern'?)",
    ],
    "unknown-tempo-key": [
        ": tempo.strat: unknown key (did you mean 'start'?)",
    ],
    "unknown-sound-key": [
        ": sound.concertpitch: unknown key (did you mean 'concert_pitch'?)",
    ],
    "unknown-pattern": [
        ": pattern: no pattern 'nashvile-shuffle' (did you mean 'nashville-shuffle'?); `underbow patterns` lists them; for a file of your own write its whole name, such as my-shuffle.toml",
    ],
    "pattern-file-missing": [
        ': pattern: no file "mine.toml" beside the sheet; write the name of a pattern that is there',
    ],
    "pattern-elsewhere": [
        ': pattern: found "../patterns/mine.toml", which is not beside the sheet; put the pattern there and write its name alone',
    ],
    "pattern-section": [
        ": pattern.C: no such section; the tune has A, B",
        ": pattern: no pattern for section B; write one for each",
    ],
    "pattern-meter": [
        ': pattern: pattern jig-separate is in 6/8 and the tune in 5/4; write a pattern file with meter = "5/4"',
    ],
    "pattern-a-number": [
        ': pattern: found 3, expected a pattern\'s name, or one for each section, such as { A = "nashville-shuffle", B = "georgia-shuffle" }',
    ],
    "chord": [
        ": progression, bar 2: not a chord: 'H7'; the German H is B here: write B7",
        ": progression, bar 4: not a chord: 'Dmaj13x'; write one such as G, Am, D7, F#m7 or C/E",
    ],
    "progression-bars": [
        ": progression: found 3 bars of chords, and the tune has 16 as it is played; write as many, or a number that goes into it",
    ],
    "progression-section-bars": [
        ": progression: section A has 3 bars of chords and the tune 4; write 4, or a number that goes into it",
    ],
    "progression-section-missing": [
        ': progression: section B has no chords; write a line "B: ..."',
    ],
    "progression-empty-bar": [
        ": progression, bar 2: an empty bar; write its chord, % to repeat the bar before, or - for no chord",
    ],
    "key": [
        ": key: not a key: 'H'; write a tonic and a mode, such as G, Em, Ador or Dmix",
    ],
    "tuning": [
        ": tuning: not a tuning: 'GDXE' (did you mean 'GDAE'?); write one of GDAE, AEAE, ADAE, GDGD, GDGB, FCGD, AEAC#, DDAD, or four notes from the lowest string up, such as \"A3 E4 A4 E5\"",
    ],
    "hand": [
        ': hand: found "stedy", expected "steady" (one shape for each chord) or "nearest" (whichever lies nearest each time) (did you mean \'steady\'?)',
    ],
    "strings": [
        ": strings: strings must be low, middle, high, not 'lower' (did you mean 'low'?)",
    ],
    "shape-of-no-chord": [
        ": shapes, Em: Em is not played; the chords are C, D, G",
    ],
    "shape-wrong": [
        ': shapes, G: hand shape \'9-9\' for G: write the fingers, lower string first, 0 for open and L or H for low and high, such as "0-3" or "L2-0"',
    ],
    "form": [
        ": form: found 'AAC', and the tune has no section 'C'; it has A, B",
    ],
    "bars": [
        ": bars: found '12-20', expected bars from 1 to 8 as printed; write them as in \"5-8\"",
    ],
    "bars-words": [
        ": bars: found 'five to eight', expected bars from 1 to 8 as printed; write them as in \"5-8\"",
    ],
    "bars-not-in-form": [
        ": bars: found '4-5', but bar 4 is not played in this form; leave it out",
    ],
    "changes-no-bar": [
        ": changes, 45: there is no bar 45; the tune has bars 1 to 8",
    ],
    "changes-chord": [
        ": changes, 2: not a chord: 'H7'; the German H is B here: write B7",
        ': changes, 3: found "D | Bm", expected the chords of one bar, such as "D Bm"',
    ],
    "changes-no-number": [
        ': changes, two: not the number of a bar; write it as in 7 = "D Bm"',
    ],
    "changes-nothing-before": [
        ": changes, 1: there is no bar before it; write its chords",
    ],
    "changes-a-text": [
        ': changes: found "D Bm", expected a line [changes], and bars by their printed number below it, such as 7 = "D Bm"',
    ],
    "to-learner": [
        ': to_learner: found "slow slow slow slow slow slow slow sl...", expected your words to the learner, at most 2000 characters',
    ],
    "each": [
        ": tempo.each: found 0, expected a whole number from 1 to 20, such as 2 to play every tempo twice",
        ": tempo.between: found 17, expected a whole number of bars of clicks from 0 to 16, such as 1",
    ],
    "glide-each": [
        ': tempo.each: a glide rises all the way and stays at no tempo; leave it out, or write ramp = "steps"',
    ],
    "glide-between": [
        ': tempo.between: a glide rises all the way and stays at no tempo; leave it out, or write ramp = "steps"',
    ],
    "tempo-not-whole": [
        ": tempo.start: found 60.5, expected a whole number of beats a minute, such as 60",
    ],
    "tempo-too-fast": [
        ": tempo.goal: found 1/2 = 260, expected 10 to 200 (20 to 400 quarter notes a minute)",
    ],
    "tempo-without-tune": [
        ': tune: no file "lost.abc" beside the sheet; write the name of a tune that is there',
        ": tempo.start: found 0, expected a whole number of beats a minute, such as 60",
        ": tempo.goal: found 9999, expected a whole number of beats a minute, such as 104",
    ],
    "tempo-of-a-pattern": [
        ': tune: no file "lost.abc" beside the sheet; write the name of a tune that is there',
        ': tempo.beat: found "1/4", expected a note value that counts the beats of 6/8; write "3/8"',
    ],
    "tempo-beat-without-tune": [
        ': tune: no file "lost.abc" beside the sheet; write the name of a tune that is there',
        ": tempo.start: found 3/8 = 10, expected 14 to 266 (20 to 400 quarter notes a minute)",
    ],
    "tempo-downhill": [
        ": tempo: start 104 is above goal 60; a track goes from slow to fast, swap the two",
    ],
    "tempo-beat": [
        ': tempo.beat: found "3/8", expected a note value that counts the beats of 4/4; write "1/4"',
    ],
    "tempo-beat-words": [
        ': tempo.beat: found "quarter", expected a note value that counts the beats of 4/4; write "1/4"',
    ],
    "tempo-step-and-passes": [
        ": tempo.step: from 60 to 104 by 6 takes 9 passes, not 8; write step or passes, not both",
    ],
    "tempo-step-in-glide": [
        ': tempo.step: a glide ramp has no step; leave it out, or write ramp = "steps"',
    ],
    "tempo-steady": [
        ": tempo: a steady track has one tempo, not 60 and 104; leave start out",
    ],
    "tempo-ramp": [
        ': tempo.ramp: found "slide", expected "steps", "glide" or "steady" (did you mean \'glide\'?)',
    ],
    "tempo-one-pass": [
        ": tempo: one pass can't step from 60 to 104; write passes = 2 or more, or leave start out",
    ],
    "passes": [
        ": tempo.passes: found 4000, expected a whole number of passes from 1 to 200, such as 8",
    ],
    "forty-hours": [
        ": tempo: 200 passes would take 468.6 hours; the maximum is 3: write fewer passes or fewer bars",
    ],
    "count-in": [
        ": tempo.count_in: found 100, expected a whole number of bars from 0 to 16, such as 2",
    ],
    "tempo-a-number": [
        ": tempo: found 104, expected a line [tempo], and start = 60, goal = 104 and the like on lines of their own below it",
    ],
    "concert-pitch": [
        ": sound.concert_pitch: found 44.0, expected Hz of the A from 380 to 480, such as 440.0",
    ],
    "loudness": [
        ": sound.loudness: found 16, expected LUFS from -40 to -8, such as -16.0",
    ],
    "room": [
        ': sound.room: found "hall", expected "small" or "off" (did you mean \'small\'?)',
    ],
    "voice": [
        ": sound.voice: found \"flut\", expected the melody's instrument: fiddle, flute, whistle, accordion, harmonica, guitar, banjo, piano, mandolin, plain tone (did you mean 'flute'?)",
    ],
    "swing": [
        ": sound.swing: found 2, expected a share from 0.5 (even) to 0.75, such as 0.667 for triplet swing",
    ],
    "seed": [
        ': sound.seed: found "lucky", expected a whole number from 0 up, such as 0',
    ],
    "drone": [
        ': sound.drone: found "yes", expected true or false',
    ],
    "mix-level": [
        ': mix 1.melody: found "loud", expected dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]',
        ': mix 1.click: found 40, expected dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]',
    ],
    "mix-unknown-part": [
        ': mix 1.guitar: unknown key; the key for this is rhythm: write dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]',
    ],
    "mix-no-name": [
        ': mix 1.name: missing; write a name of at most 60 characters, such as "backup turn"',
    ],
    "mix-twice": [
        ': mix 2.name: "Mine" is used twice; give each mix its own name',
    ],
    "mix-silent": [
        ": mix 1: no part is heard; write a level in dB for one, such as melody = 0",
    ],
    "compose-over-a-wrong-chord": [
        ": progression, bar 2: not a chord: 'H'; the German H is B here: write B",
    ],
    "compose-nothing": [
        ': compose: there are no changes to compose over; write progression = "G | G | C | D"',
    ],
    "compose-over-rests": [
        ': compose: no chord says the key; write one, such as progression = "G | G | C | D", or a key',
    ],
    "compose-dance": [
        ": compose: no such dance: 'walz' (did you mean 'waltz'?); write one of reel, jig, slip jig, waltz, polka, hornpipe, march, air",
    ],
    "compose-bars": [
        ": compose.bars: found 0, expected a whole number of bars from 1 to 512, such as 16",
    ],
    "meter-of-a-tune": [
        ": meter: a written tune has its own; leave meter out (it is for a composed one)",
    ],
    "meter": [
        ": meter: a meter's unit must be 1, 2, 4, 8, 16, 32 or 64, not 9",
    ],
    "many-faults": [
        ": tune: no file \"eight_bars.abc\" beside the sheet (did you mean 'eight-bars.abc'?); write the name of a tune that is there",
        ": patern: unknown key (did you mean 'pattern'?)",
        ": key: not a key: 'H'; write a tonic and a mode, such as G, Em, Ador or Dmix",
        ": tuning: not a tuning: 'GDXE' (did you mean 'GDAE'?); write one of GDAE, AEAE, ADAE, GDGD, GDGB, FCGD, AEAC#, DDAD, or four notes from the lowest string up, such as \"A3 E4 A4 E5\"",
        ": progression, bar 2: not a chord: 'H7'; the German H is B here: write B7",
        ': tempo.start: found "slow", expected a whole number of beats a minute, such as 60',
        ": tempo.step: found 0, expected a whole number of beats a minute from 1 to 200, such as 6",
        ': mix 1.melody: found 99, expected dB from -60 to 12 or "off", one value or one a pass, such as [-6, -12, "off"]',
    ],
}


def test_every_sheet_has_its_messages_and_every_message_its_sheet() -> None:
    """A moved folder, or a fixture that nobody looks at, must not pass for a test."""
    others = {"odd"}  # a pattern
    assert {path.stem for path in FOLDER.glob("*.toml")} - others == {*MESSAGES}
    assert len(MESSAGES) >= 40


@pytest.mark.parametrize("name", MESSAGES)
def test_what_is_told(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    with pytest.raises(InputError) as error:
        read_sheet(f"{name}.toml")
    told = [str(fault).removeprefix(f"{name}.toml") for fault in error.value.faults]
    assert told == MESSAGES[name]
    assert all("\n" not in line for line in told)


def test_a_sheet_that_is_no_text(tmp_path: Path) -> None:
    for data in (b"\xff\xfe\x00", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", b"title = \x81"):
        (tmp_path / "s.toml").write_bytes(data)
        with pytest.raises(InputError) as error:
            read_sheet(tmp_path / "s.toml")
        cure = "open it in a text editor and save it again with the encoding UTF-8"
        assert str(error.value) == f"{tmp_path / 's.toml'}: not a text file; {cure}"


def test_a_sheet_far_too_large(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("# " + "x" * 2_000_000)
    with pytest.raises(InputError, match=r"more than 500,000 bytes; a sheet or a pattern is a page of text$"):
        read_sheet(tmp_path / "s.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize(
    ("name", "lines"),
    [("tune.abc", "tune = 'tune.abc'"), ("own.toml", "compose = {}\nprogression = 'G'\npattern = 'own.toml'")],
)
def test_a_pipe_in_the_place_of_a_file(tmp_path: Path, name: str, lines: str) -> None:
    os.mkfifo(tmp_path / name)
    (tmp_path / "s.toml").write_text(lines)
    with pytest.raises(InputError) as error:
        read_sheet(tmp_path / "s.toml")
    assert str(error.value) == f"{name}: a device or a pipe; save it as a file and name that"


@pytest.mark.parametrize("name", ["9" * 400, "a/" * 3000 + "b", "a\0b"])
def test_a_name_that_no_file_can_have_is_just_no_file(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError) as error:
        build_sheet({"tune": name}, tmp_path)
    assert [str(fault).endswith("write the name of a tune that is there") for fault in error.value.faults] == [True]


def test_a_link_that_leads_out_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "lesson").mkdir()
    (tmp_path / "tune.abc").write_text("X:1\nK:G\nG4|\n")
    (tmp_path / "lesson" / "tune.abc").symlink_to(tmp_path / "tune.abc")
    (tmp_path / "lesson" / "s.toml").write_text('tune = "tune.abc"\n')
    with pytest.raises(InputError, match="which is not beside the sheet"):
        read_sheet(tmp_path / "lesson" / "s.toml")
