"""The engraved notes are the tune's: the engraver's own reading, played back, is compared note by note.

The outside judge is verovio (it reads MEI and renders its MIDI itself); mido reads that MIDI file.
"""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree as Xml

import mido
import pytest
import verovio

from underbow.lesson.print.engrave import engrave
from underbow.lesson.print.mei import MEI, to_mei
from underbow.tune.abc.reader import read_abc
from underbow.tune.tune import Tune

ID = "{http://www.w3.org/XML/1998/namespace}id"
TRACKS = Path(__file__).parents[3] / "tracks"

HARD = """X:1
T:Everything at once
M:4/4
L:1/8
K:Bb
F2 | "Bb"B2>c2 (3ddd {e}d2 | ^c2 =e4- e2- | e5 z3 | "F/A"[Ac]4 (Bc de) | uG4 vF4 | ~A2 .B2 Tc2 Hd2 |
K:D
M:6/8
"D"d3- dcB | [1 A6 :|[2 A3 z3 |]
"""


def tunes() -> list[Tune]:
    shipped = [read_abc(path.read_text())[0] for path in sorted(TRACKS.glob("*.abc"))]
    return [*shipped, read_abc(HARD)[0]]


def heard(tune: Tune) -> list[tuple[Fraction, Fraction, int]]:
    """Start, length and pitch of every note as written, once through the page, ties joined."""
    found: list[tuple[Fraction, Fraction, int]] = []
    at = Fraction(0)
    open_ties: dict[int, int] = {}
    for measure in tune.measures:
        for note in measure.notes:
            start = at + note.start
            for pitch in (*note.under, note.pitch):
                index = open_ties.pop(pitch.midi, None) if pitch == note.pitch else None
                if index is not None:
                    begun, length, midi = found[index]
                    found[index] = (begun, length + note.length, midi)
                else:
                    index = len(found)
                    found.append((start, note.length, pitch.midi))
                if note.tied and pitch == note.pitch:
                    open_ties[pitch.midi] = index
        at += measure.length
    return sorted(found)


def engraved(tune: Tune) -> list[tuple[Fraction, Fraction, int]]:
    """What verovio plays from our MEI, repeats not taken."""
    kit = verovio.toolkit()
    kit.setOptions({"expandNever": True})
    # the engraver plays ornaments out in notes of its own; here the tune's notes are compared
    plain = [
        replace(measure, notes=tuple(replace(note, marks=(), graces=()) for note in measure.notes))
        for measure in tune.measures
    ]
    assert kit.loadData(to_mei(replace(tune, measures=tuple(plain))))
    data = base64.b64decode(kit.renderToMIDI())
    midi = mido.MidiFile(file=io.BytesIO(data))
    sounding: dict[int, Fraction] = {}
    found = []
    for track in midi.tracks:
        now = Fraction(0)
        for message in track:
            now += Fraction(message.time, midi.ticks_per_beat)
            if message.type == "note_on" and message.velocity:
                sounding[message.note] = now
            elif message.type in ("note_off", "note_on") and message.note in sounding:
                start = sounding.pop(message.note)
                found.append((start, now - start, message.note))
    return sorted(found)


@pytest.mark.parametrize("tune", tunes(), ids=lambda tune: tune.title)
def test_the_engravers_notes_are_the_tunes(tune: Tune) -> None:
    written = heard(tune)
    read_back = engraved(tune)
    assert [note[2] for note in read_back] == [note[2] for note in written]
    for (start, length, _), (own_start, own_length, _) in zip(read_back, written, strict=True):
        assert abs(start - own_start) < Fraction(1, 60)  # the engraver's MIDI file rounds to its ticks
        assert abs(length - own_length) < Fraction(1, 60)


def test_every_chord_symbol_bow_mark_and_ending_is_there() -> None:
    mei = Xml.fromstring(to_mei(read_abc(HARD)[0]).encode())
    assert [harm.text for harm in mei.iter(f"{{{MEI}}}harm")] == ["B♭", "F/A", "D"]
    assert [artic.get("artic") for artic in mei.iter(f"{{{MEI}}}artic")][:2] == ["upbow", "dnbow"]
    assert [ending.get("n") for ending in mei.iter(f"{{{MEI}}}ending")] == ["1", "2"]
    names = [element.get(ID) for element in mei.iter() if element.get(ID)]
    assert len(names) == len(set(names)) > 20


def test_a_page_is_the_same_bytes_every_time_and_text_is_escaped() -> None:
    tune = read_abc('X:1\nT:<b>&"\nM:4/4\nL:1/4\nK:G\n"^<script>"GABc|"G"d4|]\n')[0]
    first, second = engrave(tune).pages, engrave(tune).pages
    assert first == second
    assert "<script" not in first[0]
    Xml.fromstring(first[0].encode())


SUNG = """X:1
T:Lamp in the Loft
M:4/4
L:1/4
K:G
GABc|d2 B2|G4|]
w:Hang the lan-tern up_ oh
w:Dry the kit-ten's paws - too
"""


def test_words_stand_under_their_notes_verse_by_verse() -> None:
    """MEI 5, chapter 11 (verse, syl): its place in the word, and what joins it to the next one."""
    tune = read_abc(SUNG)[0]
    mei = Xml.fromstring(to_mei(tune).encode())
    verses = [
        [(syl.text, syl.get("wordpos"), syl.get("con")) for verse in mei.iter(f"{{{MEI}}}verse") if verse.get("n") == n
         for syl in verse]
        for n in "12"
    ]  # fmt: skip
    assert verses[0] == [
        ("Hang", "s", None), ("the", "s", None), ("lan", "i", "d"), ("tern", "t", None), ("up", "s", "u"), ("oh", "s", None),
    ]  # fmt: skip
    assert [text for text, *_ in verses[1]] == ["Dry", "the", "kit", "ten's", "paws", "too"]
    drawn = "".join(engrave(tune).pages)
    assert all(word in drawn for word in ("Hang", "tern", "ten's", "too"))


def test_every_printed_line_begins_with_the_chord_in_force() -> None:
    """Where the tune says where its lines end, and where they end as the paper has room."""
    bars = "|".join("GABc dedB" for _ in range(16))
    (told,) = read_abc('X:1\nM:4/4\nL:1/8\nK:G\n"G"GABc dedB|GABc dedB|\nGABc dedB|"C"c8|\nd8|]')
    (free,) = read_abc(f'X:1\nM:4/4\nL:1/8\nK:G\n"G"{bars}|]')
    free = replace(free, measures=tuple(replace(measure, new_line=False) for measure in free.measures))
    for tune, lines in ((told, 3), (free, None)):
        svg = "".join(engrave(tune).pages)
        systems = svg.split('class="system"')[1:]
        assert lines in (None, len(systems))
        assert len(systems) > 1
        firsts = [system.split('class="measure"')[1] for system in systems]
        assert all('class="harm"' in first for first in firsts)
        harmonies = svg.count('class="harm"')
        assert harmonies == len(systems) + (tune is told)
