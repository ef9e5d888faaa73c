"""The MIDI file, read back by mido, by music21 and by a small reader of our own, never by what wrote it."""

from __future__ import annotations

import builtins
import io
import math
import struct
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import mido
import pytest

from underbow.track.midi.score import Score, velocity
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.performance import Gesture, Manner, Part, Performance, Sounded
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

F = Fraction
SheetMaker = Callable[..., Sheet]
JIG = 'P:A\nA | "D"dAF DFA | "G"BGB "A7"AFD |\nP:B\n"D"dfa afd | "Em"ege "A"cA |]'


def read(data: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(data), charset="utf-8")


def timed(track: Any) -> list[tuple[int, Any]]:
    """Messages with their absolute ticks."""
    at, out = 0, []
    for message in track:
        at += message.time
        out.append((at, message))
    return out


def metas(file: mido.MidiFile, kind: str) -> list[tuple[int, Any]]:
    return [(at, message) for at, message in timed(file.tracks[0]) if message.type == kind]


# Standard MIDI Files 1.0 (RP-001), "variable length quantities": the specification's own table.
VLQ = {
    0x00: "00",
    0x40: "40",
    0x7F: "7F",
    0x80: "81 00",
    0x2000: "C0 00",
    0x3FFF: "FF 7F",
    0x4000: "81 80 00",
    0x100000: "C0 80 00",
    0x1FFFFF: "FF FF 7F",
    0x200000: "81 80 80 00",
    0x8000000: "C0 80 80 00",
    0xFFFFFFF: "FF FF FF 7F",
}


def quantity(data: bytes, at: int) -> tuple[int, int]:
    """Read a variable length quantity: its value and where it ends."""
    value = 0
    while True:
        value = value << 7 | data[at] & 0x7F
        at += 1
        if data[at - 1] < 0x80:
            return value, at


@pytest.mark.parametrize(("value", "written"), VLQ.items())
def test_the_readers_quantities_are_those_of_the_specification(value: int, written: str) -> None:
    data = bytes.fromhex(written)
    assert quantity(data, 0) == (value, len(data))


def chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at < len(data):
        kind, size = struct.unpack_from(">4sI", data, at)
        yield kind, data[at + 8 : at + 8 + size]
        at += 8 + size
    assert at == len(data)


def note_ons(track: bytes) -> list[tuple[int, int, int, int]]:
    """Tick, channel, pitch and velocity of every note that begins in a track chunk, running status included."""
    at, tick, status, out = 0, 0, 0, []
    while at < len(track):
        delta, at = quantity(track, at)
        tick += delta
        if track[at] >= 0x80:
            status = track[at]
            at += 1
        if status == 0xFF:
            size, at = quantity(track, at + 1)
            at += size
        elif status & 0xF0 in (0xC0, 0xD0):
            at += 1
        else:
            if status & 0xF0 == 0x90 and track[at + 1]:
                out.append((tick, status & 0x0F, track[at], track[at + 1]))
            at += 2
    return out


@pytest.fixture
def jig(sheet_of: SheetMaker) -> Performance:
    return perform(sheet_of(JIG, meter="6/8", key="D", tempo={"beat": "3/8", "start": 80, "goal": 120, "passes": 3}))


def test_the_header_says_format_1_and_480_ticks(jig: Performance) -> None:
    data = Score(jig).midi()
    kinds = [kind for kind, _ in chunks(data)]
    assert kinds == [b"MThd"] + [b"MTrk"] * 5
    assert data[:14] == bytes.fromhex("4D546864 00000006 0001 0005 01E0")
    assert all(body.endswith(bytes.fromhex("FF2F00")) for kind, body in chunks(data) if kind == b"MTrk")


def test_the_first_track_says_where_one_is(jig: Performance) -> None:
    file = read(Score(jig).midi())
    assert file.tracks[0].name == "A tune"
    assert [track.name for track in file.tracks[1:]] == ["Melody", "Backup", "Rhythm", "Click"]
    first = next(body for kind, body in chunks(Score(jig).midi()) if kind == b"MTrk")
    # the specification's own example of a time signature: 6/8, a click each dotted quarter
    assert bytes.fromhex("FF 58 04 06 03 24 08") in first
    assert bytes.fromhex("FF 59 02 02 00") in first  # two sharps, major
    assert bytes.fromhex("FF 51 03 05 16 15") in first  # dotted quarter = 120 is 180 quarters, 333333 microseconds
    markers = [(at, message.text) for at, message in metas(file, "marker")]
    starts = [int(one.start * 480) for one in jig.passes]
    assert markers == [
        (0, "count-in"),
        (starts[0], "pass 1, 3/8 = 80"),
        (2880, "section A"),
        (2880 + 2 * 1440, "section B"),
        (starts[1], "pass 2, 3/8 = 100"),
        (2880 + 4 * 1440, "section A"),
        (2880 + 6 * 1440, "section B"),
        (starts[2], "pass 3, 3/8 = 120"),
        (2880 + 8 * 1440, "section A"),
        (2880 + 10 * 1440, "section B"),
    ]
    chords = [(at, message.text) for at, message in metas(file, "text")]
    assert chords[:6] == [(2880, "D"), (4320, "G"), (5040, "A7"), (5760, "D"), (7200, "Em"), (7920, "A")]


# 60 million over quarters a minute, rounded; worked out by hand for the usual tempos (RP-001: 24-bit microseconds a quarter).
@pytest.mark.parametrize(
    ("tempo", "micros"),
    [(60, 1_000_000), (100, 600_000), (113, 530_973), (116, 517_241), (120, 500_000), (144, 416_667)],
)
def test_tempos_are_rounded_not_cut(sheet_of: SheetMaker, tempo: int, micros: int) -> None:
    track = perform(sheet_of('"G"G8 |]', tempo={"start": tempo, "goal": tempo, "passes": 2}))
    assert {message.tempo for _, message in metas(read(Score(track).midi()), "set_tempo")} == {micros}


@pytest.mark.parametrize(("meter", "beat"), [("4/4", F(1)), ("6/8", F(3, 2)), ("C|", F(2)), ("9/8", F(3, 2))])
def test_a_reader_finds_every_passs_tempo(sheet_of: SheetMaker, meter: str, beat: Fraction) -> None:
    body = f'"G"G{bar_of(meter)} | "C"c{bar_of(meter)} |]'
    sheet = sheet_of(body, meter=meter, tempo={"start": 41, "goal": 113, "passes": 40})
    track = perform(sheet)
    events = metas(read(Score(track).midi()), "set_tempo")
    for one in track.passes:
        micros = [message.tempo for at, message in events if at <= one.start * 480][-1]
        assert abs(micros - 60_000_000 / (one.tempo.count * beat)) <= 0.5
        assert one.tempo.beat == beat


def bar_of(meter: str) -> int:
    return {"4/4": 8, "6/8": 6, "C|": 8, "9/8": 9}[meter]


def clock(events: list[tuple[int, Any]], tick: int) -> float:
    """Seconds at a tick, by the file's tempo events."""
    seconds, last, micros = 0.0, 0, 500_000
    for at, message in events:
        if at >= tick:
            break
        seconds += (at - last) * micros / 480e6
        last, micros = at, message.tempo
    return seconds + (tick - last) * micros / 480e6


@pytest.mark.parametrize(
    ("start", "goal", "passes", "bound"), [(60, 120, 2, 1e-3), (40, 200, 1, 1e-3), (100, 104, 3, 1e-3)]
)
def test_a_glide_never_drifts_by_a_millisecond(
    sheet_of: SheetMaker, start: int, goal: int, passes: int, bound: float
) -> None:
    body = " | ".join(['"G"GABc defg'] * 8) + " |]"
    track = perform(sheet_of(body, tempo={"start": start, "goal": goal, "passes": passes, "ramp": "glide"}))
    events = metas(read(Score(track).midi()), "set_tempo")
    off = max(
        abs(clock(events, tick) - track.tempo.seconds(F(tick, 480))) for tick in range(0, int(track.length * 480), 40)
    )
    assert off < bound


def test_a_long_track_of_steps_does_not_drift(sheet_of: SheetMaker) -> None:
    """Half a microsecond a quarter is half a millisecond in a thousand quarters."""
    body = " | ".join(['"G"GABc defg'] * 16) + " |]"
    track = perform(sheet_of(body, tempo={"start": 61, "goal": 113, "passes": 16}))
    assert track.length > 1000
    events = metas(read(Score(track).midi()), "set_tempo")
    assert clock(events, int(track.length * 480)) == pytest.approx(track.tempo.seconds(track.length), abs=5e-4)


def test_programs_channels_and_notes(jig: Performance) -> None:
    """General MIDI 1 (MMA RP-003): violin 40, fiddle 110, steel guitar 25, drums on channel 10, wood blocks 76 and 77."""
    file = read(Score(jig).midi())
    programs = {t.name: [m.program for m in t if m.type == "program_change"] for t in file.tracks[1:]}
    assert programs == {"Melody": [40], "Backup": [110], "Rhythm": [25], "Click": [0]}
    channels = [{m.channel for m in t if hasattr(m, "channel")} for t in file.tracks[1:]]
    assert channels[3] == {9}
    assert len(set.union(*channels)) == 4
    assert {m.note for m in file.tracks[4] if m.type == "note_on"} == {76, 77}


def test_our_own_reader_and_mido_find_every_note_where_it_was_played(jig: Performance) -> None:
    data = Score(jig).midi()
    bodies = [body for kind, body in chunks(data) if kind == b"MTrk"]
    for part, body, track in zip(jig.parts, bodies[1:], read(data).tracks[1:], strict=True):
        found = note_ons(body)
        assert found == [
            (at, m.channel, m.note, m.velocity) for at, m in timed(track) if m.type == "note_on" and m.velocity
        ]
        wanted = sorted(
            (int(note.start * 480), note.midi, velocity(note.level)) for g in part.gestures for note in g.notes
        )
        assert sorted((tick, pitch, loud) for tick, _, pitch, loud in found) == wanted


def test_music21_reads_the_same_music(jig: Performance, tmp_path: Path) -> None:
    music21 = pytest.importorskip("music21")
    (tmp_path / "jig.mid").write_bytes(Score(jig).midi())
    score = music21.converter.parse(tmp_path / "jig.mid", quantizePost=False)
    melody = score.parts[0]
    found = [(n.getOffsetInHierarchy(melody), n.pitch.midi) for n in melody.recurse().notes]
    wanted = [(float(n.start), n.midi) for g in jig.part("melody").gestures for n in g.notes]
    assert [pitch for _, pitch in found] == [pitch for _, pitch in wanted]
    assert [at for at, _ in found] == pytest.approx([at for at, _ in wanted], abs=1 / 480)
    signature = score.recurse().getElementsByClass(music21.meter.TimeSignature)[0]
    assert signature.ratioString == "6/8"
    marks = [mark.getQuarterBPM() for mark in score.recurse().getElementsByClass(music21.tempo.MetronomeMark)]
    assert [round(mark, 2) for mark in dict.fromkeys(marks)] == [120.0, 150.0, 180.0]


@pytest.mark.parametrize(
    ("key", "name"), [("Amix", "D"), ("Edor", "D"), ("Em", "Em"), ("Bb", "Bb"), ("F#m", "F#m"), ("Dphr", "Bb")]
)
def test_key_signatures_have_no_modes(sheet_of: SheetMaker, key: str, name: str) -> None:
    """RP-001: sharps or flats and major or minor, nothing else; A mixolydian has the two sharps of D."""
    file = read(Score(perform(sheet_of('"G"G8 |]', key=key))).midi())
    assert metas(file, "key_signature")[0][1].key == name


# SoundFont 2.04 section 8.4.1: the default velocity curve attenuates by 40 log10(127 / velocity) dB.
@pytest.mark.parametrize("level", [0.0, -2.0, -4.0, -6.0, -8.0, -10.0, -12.0, -16.0])
def test_a_velocity_gives_its_level_back(level: float) -> None:
    assert -40 * math.log10(127 / velocity(level)) == pytest.approx(level, abs=0.2)


def test_tuning_notes_have_a_marker_of_their_own(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G8 |]', sound={"tuning_notes": True}))
    found = [(at, message.text) for at, message in metas(read(Score(track).midi()), "marker")][:3]
    click = int(track.part("click").gestures[0].start * 480)
    assert found == [(0, "tuning notes"), (click, "count-in"), (int(track.count_in * 480), "pass 1, 1/4 = 60")]


def test_feel_is_left_to_the_audio_with_tuning_notes_too(sheet_of: SheetMaker) -> None:
    """What is moved behind the tuning notes stays as few different gestures as it was, its feel apart."""
    for tuning_notes in (False, True):
        felt = {"feel_ms": 8, "feel_db": 1.5, "tuning_notes": tuning_notes}
        plain, moved = (
            perform(sheet_of(JIG, meter="6/8", key="D", sound=sound))
            for sound in ({"tuning_notes": tuning_notes}, felt)
        )
        assert Score(moved).midi() == Score(plain).midi()
        assert moved.part("melody").gestures != plain.part("melody").gestures
        assert moved.part("melody").gestures.kinds == plain.part("melody").gestures.kinds  # type: ignore[attr-defined]


def test_a_mix_sets_the_volumes_at_the_passes(jig: Performance) -> None:
    mix = Mix("guide", (("melody", (0.0, None)), ("backup", (-6.0, -12.0, None)), ("click", (-9.0,))))
    file = read(Score(jig).midi(mix))
    volumes = {
        track.name: [(at, m.value) for at, m in timed(track) if m.type == "control_change" and m.control == 7]
        for track in file.tracks[1:]
    }
    # the pickup of a pass belongs to the melody: the backup still accompanies the bar before
    second, third = (int(one.start * 480) + 240 for one in jig.passes[1:])
    assert volumes == {
        "Melody": [(0, 127), (second - 240, 0)],
        "Backup": [(0, velocity(-6)), (second, velocity(-12)), (third, 0)],
        "Rhythm": [(0, 0)],
        "Click": [(0, velocity(-9))],
    }


def test_levels_above_0_keep_their_distance(jig: Performance) -> None:
    file = read(Score(jig).midi(Mix("loud click", (("melody", (0.0,)), ("click", (6.0,))))))
    values = [m.value for t in (file.tracks[1], file.tracks[4]) for m in t if m.type == "control_change"]
    assert values == [velocity(-6), 127]


def test_equal_pitches_never_overlap(jig: Performance) -> None:
    """Two strings in unison sound once; a note is over when its pitch comes again (pretty_midi would cut the second)."""

    def stroke(start: Fraction, length: Fraction, *levels: float) -> Gesture:
        return Gesture(Manner.BOW, tuple(Sounded(start, length, 62, level) for level in levels), "d")

    strokes = (stroke(F(0), F(2), -4.0, -2.0), stroke(F(1), F(2), -6.0), stroke(F(3), F(1), -8.0))
    track = read(Score(replace(jig, parts=(Part("backup", 110, strokes),))).midi()).tracks[1]
    notes = [(at, m.type, m.velocity) for at, m in timed(track) if m.type.startswith("note")]
    ons = [(at, loud) for at, kind, loud in notes if kind == "note_on" and loud]
    offs = [at for at, kind, loud in notes if kind == "note_off" or not loud]
    assert ons == [(0, velocity(-2.0)), (480, velocity(-6.0)), (1440, velocity(-8.0))]
    assert offs == [480, 1440, 1920]
    order = [loud > 0 and kind == "note_on" for _, kind, loud in notes]
    assert order == [True, False, True, False, True, False]  # off before on where they meet


def test_titles_in_any_script_and_without_control_characters(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G8 |]', title="Łódź – ‘Bäcken’ 春\x07"))
    assert read(Score(track).midi()).tracks[0].name == "Łódź – ‘Bäcken’ 春"


def test_irregular_bars_have_signatures_of_their_own(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G8 | [M:3/4] "C"c6 | [M:4/4] "G"G8 |]', tempo={"passes": 1, "goal": 60}))
    found = [(at, m.numerator, m.denominator) for at, m in metas(read(Score(track).midi()), "time_signature")]
    assert found == [(0, 4, 4), (12 * 480, 3, 4), (15 * 480, 4, 4)]


def test_the_same_sheet_gives_the_same_bytes(sheet_of: SheetMaker) -> None:
    def make() -> bytes:
        return Score(perform(sheet_of(JIG, meter="6/8", sound={"feel_ms": 4}))).midi(STANDARD_MIXES[0])

    assert make() == make()


def test_a_broken_fluidsynth_library_does_not_stop_the_midi_file(
    jig: Performance, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``import pretty_midi`` fails with OSError where libfluidsynth is for another processor; ours must not."""
    expected = Score(jig).midi()
    for name in [name for name in sys.modules if name.partition(".")[0] in ("pretty_midi", "fluidsynth")]:
        monkeypatch.delitem(sys.modules, name)
    real = builtins.__import__

    def failing(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "fluidsynth" and sys.modules.get("fluidsynth", 0) is not None:
            raise OSError("invalid ELF header")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", failing)
    assert Score(jig).midi() == expected
    assert "fluidsynth" not in sys.modules


def test_a_long_part_written_in_cuts_is_whole(sheet_of: SheetMaker) -> None:
    """Thousands of notes, written some at a time: a reader finds each of them, and every pass's volume among them."""
    tempo = {"start": 60, "goal": 119, "passes": 60}
    track = perform(sheet_of(JIG, meter="6/8", pattern="jig-one-and-two", tempo=tempo))
    assert sum(len(g.notes) for g in track.part("melody").gestures) > 1200
    levels = tuple(-float(number % 3) for number in range(60))
    file = read(Score(track).midi(Mix("waves", (("melody", levels), ("backup", levels)))))
    for part, written in zip(track.parts, file.tracks[1:], strict=True):
        wanted = sorted(
            (int(note.start * 480), note.midi, velocity(note.level)) for g in part.gestures for note in g.notes
        )
        events = timed(written)
        assert sorted((at, m.note, m.velocity) for at, m in events if m.type == "note_on" and m.velocity) == wanted
        sounding: set[int] = set()
        for _, message in events:
            if message.type == "note_on":
                assert (message.note in sounding) == (message.velocity == 0)
                sounding ^= {message.note}
        assert not sounding
    begins = [0, *(int(one.start * 480) for one in track.passes[1:])]
    volumes = [(at, m.value) for at, m in timed(file.tracks[1]) if m.type == "control_change"]
    assert volumes == [(at, velocity(level)) for at, level in zip(begins, levels, strict=True)]


def test_a_silent_part_has_its_volumes_too(jig: Performance) -> None:
    silent = replace(jig, parts=(Part("backup", 110, ()),))
    mix = Mix("fading", (("backup", (0.0, -6.0, None)),))
    track = read(Score(silent).midi(mix)).tracks[1]
    assert [m.value for m in track if m.type == "control_change"] == [127, velocity(-6), 0]


def test_one_score_gives_every_mix_what_it_would_have_alone(jig: Performance) -> None:
    score = Score(jig)
    for mix in (*STANDARD_MIXES, None, STANDARD_MIXES[0]):
        assert score.midi(mix) == Score(jig).midi(mix)
