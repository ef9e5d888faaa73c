"""Melodies from Standard MIDI Files, given as commented bytes (RP-001) or made with mido."""

import io
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.tune.abc.reader import read_abc
from underbow.tune.abc.writer import to_abc
from underbow.tune.midi.reader import read_midi
from underbow.tune.written_out import write_out

# Format 0, 96 ticks a quarter: 3/4, one flat, minor, 500 000 microseconds a quarter; D5 quarter, F5 eighth, A5 dotted quarter.
PLAIN = bytes.fromhex(
    "4D546864 00000006 0000 0001 0060"  # MThd, 6 bytes, format 0, one track, 96
    "4D54726B 00000039"  # MTrk
    "00 FF03 03 41 69 72"  # name: Air
    "00 FF58 04 03021808"  # 3/4
    "00 FF59 02 FF01"  # one flat, minor
    "00 FF51 03 07A120"  # 120 quarters a minute
    "00 90 4A 50 60 80 4A 40"  # D5, 96 ticks
    "00 90 4D 50 30 80 4D 40"  # F5, 48
    "00 90 51 50 8110 80 51 40"  # A5, 144
    "00 FF2F 00"
)


def made(
    notes: list[tuple[int, int, int]],
    *,
    ticks: int = 480,
    name: str = "",
    meter: tuple[int, int] | None = (4, 4),
    key: str = "D",
) -> bytes:
    """A file of one track; notes are (start, length, MIDI number) in ticks."""
    return several([(name, notes)], ticks=ticks, meter=meter, key=key)


def several(
    tracks: list[tuple[str, list[tuple[int, int, int]]]],
    *,
    ticks: int = 480,
    meter: tuple[int, int] | None = (4, 4),
    key: str = "",
) -> bytes:
    midi = mido.MidiFile(type=1, ticks_per_beat=ticks)
    for n, (name, notes) in enumerate(tracks):
        track = mido.MidiTrack()
        midi.tracks.append(track)
        if name:
            track.append(mido.MetaMessage("track_name", name=name))
        if n == 0 and meter:
            track.append(mido.MetaMessage("time_signature", numerator=meter[0], denominator=meter[1]))
        if n == 0 and key:
            track.append(mido.MetaMessage("key_signature", key=key))
        events = sorted([(s, 1, m) for s, _, m in notes] + [(s + length, 0, m) for s, length, m in notes])
        at = 0
        for time, on, midi_number in events:
            track.append(mido.Message("note_on", note=midi_number, velocity=80 * on, time=time - at))
            at = time
    buffer = io.BytesIO()
    midi.save(file=buffer)
    return buffer.getvalue()


def line(data: bytes, **options: str) -> list[tuple[int, str, str]]:
    return [(n.midi, str(n.start), str(n.length)) for n in write_out(read_midi(data, **options)).notes]  # type: ignore[arg-type]


def test_a_plain_file() -> None:
    tune = read_midi(PLAIN)
    assert (tune.title, str(tune.key), str(tune.meter), str(tune.tempo)) == ("Air", "Dm", "3/4", "1/4 = 120")
    assert line(PLAIN) == [(74, "0", "1"), (77, "1", "1/2"), (81, "3/2", "3/2")]
    assert tune.told == ()
    assert [str(fault) for fault in tune.passed_over] == [
        "Air: notes were moved to the grid by 0.000 of a quarter on average, 0.000 at most"
    ]


def test_a_hand_played_line_is_put_on_the_grid() -> None:
    """Eighths, a triplet and a dotted pair, each some ticks off and shortened."""
    starts = [0, 240, 480, 640, 800, 960, 1320, 1440]
    played = [
        (max(start + off, 0), 130, 62 + i)
        for i, (start, off) in enumerate(zip(starts, [4, -9, 7, -5, 8, 6, -12, 3], strict=True))
    ]
    found = line(made(played))
    assert [start for _, start, _ in found] == ["0", "1/2", "1", "4/3", "5/3", "2", "11/4", "3"]
    assert [length for *_, length in found[:6]] == ["1/2", "1/2", "1/3", "1/3", "1/3", "1/4"]


def test_the_highest_track_or_the_one_named() -> None:
    tracks = [
        ("Bass", [(0, 480, 40), (480, 480, 43)]),
        ("Piano", [(0, 480, 60), (0, 480, 64), (0, 480, 67), (480, 480, 72)]),
        ("Harmony", [(0, 480, 69), (480, 480, 71)]),
    ]
    tune = read_midi(several(tracks), file="song.mid")
    assert [note.midi for note in write_out(tune).notes] == [69, 71]
    assert "song.mid: of the tracks Bass, Piano, Harmony, Harmony was chosen as the highest one" in map(str, tune.told)
    assert line(several(tracks), track="piano") == [(67, "0", "1"), (72, "1", "1")]
    named = [("Flute high", [(0, 480, 90), (480, 480, 91)]), ("Melody", [(0, 480, 70), (480, 480, 71)])]
    assert [note.midi for note in write_out(read_midi(several(named), track="melody")).notes] == [70, 71]
    with pytest.raises(InputError, match="no track is called 'tuba'; there are Bass, Piano, Harmony"):
        read_midi(several(tracks), track="tuba")


def test_notes_below_the_melody_are_kept() -> None:
    tune = read_midi(several([("Piano", [(0, 480, 60), (0, 480, 64), (480, 480, 72)])]))
    assert [[p.midi for p in note.under] for note in tune.measures[0].notes] == [[60], []]


def test_a_pickup_after_silence() -> None:
    """Three beats of rest, then a beat: bar 0."""
    notes = [(1440, 480, 69), (1920, 960, 74), (2880, 960, 78), (3840, 1440, 74)]
    melody = write_out(read_midi(made(notes)))
    assert melody.pickup == 1
    assert [(bar.number, str(bar.length)) for bar in melody.bars] == [(0, "1"), (1, "4"), (2, "3")]


def test_a_pickup_at_the_very_beginning() -> None:
    """No silence: the long notes show where the bars begin."""
    notes, at = [(0, 480, 69)], 480
    for i in range(8):
        for length in (960, 480, 480):
            notes.append((at, length, 74 - i % 3 + length // 960))
            at += length
    tune = read_midi(made(notes))
    assert write_out(tune).pickup == 1
    assert "1 quarters before the first strong beat are a pickup" in tune.told[0].what


def test_a_note_over_the_bar_line_is_tied() -> None:
    tune = read_midi(made([(0, 1440, 62), (1440, 960, 64), (2400, 1440, 66)]))
    assert [(str(n.length), n.tied) for m in tune.measures for n in m.notes] == [
        ("3", False),
        ("1", True),
        ("1", False),
        ("3", False),
    ]
    assert [str(n.length) for n in write_out(tune).notes] == ["3", "2", "3"]


def test_meters_that_change() -> None:
    midi = mido.MidiFile(type=1, ticks_per_beat=480)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("time_signature", numerator=6, denominator=8))
    for length in (1440, 1440):
        track.append(mido.Message("note_on", note=70, velocity=80))
        track.append(mido.Message("note_off", note=70, time=length))
    track.append(mido.MetaMessage("time_signature", numerator=4, denominator=4))
    track.append(mido.Message("note_on", note=72, velocity=80))
    track.append(mido.Message("note_off", note=72, time=1920))
    buffer = io.BytesIO()
    midi.save(file=buffer)
    assert [(str(bar.meter), bar.length) for bar in write_out(read_midi(buffer.getvalue())).bars] == [
        ("6/8", 3),
        ("6/8", 3),
        ("4/4", 4),
    ]


@pytest.mark.parametrize(
    ("notes", "key"),
    [
        ([62, 64, 66, 67, 69, 71, 73, 74], "D"),
        ([69, 71, 72, 74, 76, 77, 79, 69], "Am"),
        ([64, 67, 71, 67, 64, 67, 71, 73, 62, 66, 69, 66, 71, 73, 74, 71, 64, 71, 64, 64], "Edor"),
        ([69, 73, 76, 73, 69, 73, 76, 73, 67, 71, 74, 71, 79, 76, 73, 71, 69, 73, 69, 69], "Amix"),
        ([67, 69, 70, 72, 74, 75, 77, 67], "Gm"),
    ],
)
def test_the_key_is_found_from_the_notes(notes: list[int], key: str) -> None:
    tune = read_midi(made([(480 * i, 480, midi) for i, midi in enumerate(4 * notes)], key=""))
    assert str(tune.key) == key
    assert f"no key signature; the notes fit {key}" in [fault.what for fault in tune.told]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "it ends too early"),
        (b"RIFF1234WAVEfmt ", "not a Standard MIDI File"),
        (PLAIN[:40], "it ends too early"),
        (PLAIN[:12] + b"\xe7\x28" + PLAIN[14:], "counts time in film frames"),
        (PLAIN.replace(b"\xff\x59\x02\xff\x01", b"\xff\x59\x02\x08\x00"), "not a Standard MIDI File .* 8 sharps"),
        (made([]), "no notes in it"),
        (made([(0, 480, 60), (480 * 50_000, 480, 62)]), "longer than 40000 quarter notes or 10000 bars"),
    ],
)
def test_files_that_can_not_be_read(data: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        read_midi(data, file="a.mid")
    assert str(caught.value).startswith("a.mid: ")


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("Seán".encode(), "Seán"),  # what most programs write today
        ("Seán".encode("latin-1"), "Seán"),  # what older ones do
        (b"Re\x1b[31md\x00", "Re[31md"),  # nothing that a terminal would obey, or that XML can't hold
    ],
)
def test_names_in_both_encodings_and_without_control_characters(name: bytes, title: str) -> None:
    assert read_midi(made([(0, 480, 62)], name=name.decode("latin-1"))).title == title


def long_note(quarters: int) -> bytes:
    """A file of 43 bytes: one note of so many quarters, in ticks of a quarter note each."""
    midi = mido.MidiFile(ticks_per_beat=1)
    midi.add_track().extend([mido.Message("note_on", note=69), mido.Message("note_off", note=69, time=quarters)])
    data = io.BytesIO()
    midi.save(file=data)
    return data.getvalue()


def test_a_note_longer_than_any_tune_is_refused_before_bars_are_laid() -> None:
    assert len(long_note(4_000_000)) < 60
    for quarters in (4_000_000, 400_000, 40_001):
        with pytest.raises(InputError, match="longer than 40000 quarter notes or 10000 bars; take one tune of it"):
            read_midi(long_note(quarters))
    assert len(read_midi(long_note(39_996)).measures) == 9_999


def test_a_file_larger_than_any_tune_is_refused() -> None:
    with pytest.raises(InputError, match="larger than 4 MB; take one tune of it"):
        read_midi(long_note(4) + bytes(4_000_000))


def with_meters(*meters: tuple[int, int, int]) -> bytes:
    """Eight quarters, and time signatures at places in ticks of a 480th of a quarter."""
    midi = mido.MidiFile(ticks_per_beat=480)
    track = midi.add_track()
    at = 0
    for place, above, below in meters:
        track.append(mido.MetaMessage("time_signature", numerator=above, denominator=below, time=place - at))
        at = place
    for _ in range(8):
        track += [mido.Message("note_on", note=69), mido.Message("note_off", note=69, time=480)]
    data = io.BytesIO()
    midi.save(file=data)
    return data.getvalue()


def test_bars_shorter_than_an_eighth_are_read() -> None:
    assert len(read_midi(with_meters((0, 1, 16))).measures) == 32


def test_a_meter_that_changes_off_the_grid_cuts_no_note_into_lengths_that_nobody_writes() -> None:
    midi = mido.MidiFile(file=io.BytesIO(with_meters((0, 4, 4))))
    midi.tracks.append(mido.MidiTrack([mido.MetaMessage("time_signature", numerator=3, denominator=4, time=501)]))
    midi.type = 1
    data = io.BytesIO()
    midi.save(file=data)
    notes = [note for measure in read_midi(data.getvalue()).measures for note in measure.notes]
    assert {note.length.denominator for note in notes} <= {1, 2, 4}


def test_strict() -> None:
    with pytest.raises(InputError, match="no time signature"):
        read_midi(made([(0, 480, 62)], meter=None), strict=True)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from([1, 2, 3, 4, 6]), min_size=4, max_size=30), st.integers(-20, 20))
def test_what_is_on_the_grid_comes_back(eighths: list[int], seed: int) -> None:
    """A line in eighths, jittered by at most 20 of 480 ticks, comes back exactly."""
    notes, at, expected = [], 0, []
    for i, length in enumerate(eighths):
        jitter = (seed * (i + 3) * 7919) % 21
        notes.append((at * 240 + jitter, length * 240 - 30, 60 + i % 12))
        expected.append((Fraction(at, 2), Fraction(length, 2)))
        at += length
    found = write_out(read_midi(made(notes))).notes
    assert [(note.start, note.length) for note in found][:-1] == expected[:-1]


@pytest.mark.parametrize("key", ["C", "C#", "Cb", "C#m", "Abm", "F#", "D#m"])
def test_all_notes_of_midi_come_back_from_abc_in_every_key(key: str) -> None:
    tune = read_midi(made([(240 * number, 240, number) for number in range(128)], key=key))
    again, *others = read_abc(to_abc(tune))
    assert not others
    assert [note.midi for note in write_out(again).notes] == list(range(128))
