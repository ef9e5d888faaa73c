"""Melodies from MusicXML, through music21; a score written here by hand."""

import contextlib
import io
import zipfile

import pytest

pytest.importorskip("music21")

from underbow.errors import InputError
from underbow.tune.abc.writer import to_abc
from underbow.tune.musicxml import read_musicxml
from underbow.tune.written_out import write_out


def note(step: str, octave: int, duration: int, extra: str = "", alter: int = 0) -> str:
    sign = f"<alter>{alter}</alter>" if alter else ""
    return f"<note><pitch><step>{step}</step>{sign}<octave>{octave}</octave></pitch><duration>{duration}</duration>{extra}</note>"


ENDING = '<barline location="left"><ending number="{}" type="start"/></barline>'
HARMONY = "<harmony><root><root-step>G</root-step></root><kind>dominant</kind></harmony>"
FLAT = "<harmony><root><root-step>B</root-step><root-alter>-1</root-alter></root><kind>major</kind></harmony>"
SCORE = f"""<?xml version="1.0"?>
<score-partwise version="3.1"><work><work-title>Hand made</work-title></work>
<part-list><score-part id="P1"><part-name>Fiddle</part-name></score-part></part-list>
<part id="P1">
<measure number="0" implicit="yes"><attributes><divisions>2</divisions><key><fifths>1</fifths><mode>major</mode></key>
<time><beats>2</beats><beat-type>4</beat-type></time></attributes>{note("D", 4, 1)}</measure>
<measure number="1"><barline location="left"><repeat direction="forward"/></barline>{HARMONY}
{note("G", 4, 2, '<notations><technical><down-bow/></technical><slur number="1" type="start"/></notations>')}
{note("B", 4, 2, '<notations><slur number="1" type="stop"/></notations>')}</measure>
<measure number="2"><barline location="left"><ending number="1" type="start"/></barline>{FLAT}{note("B", 4, 3, alter=-1)}
{note("D", 4, 1)}<barline location="right"><ending number="1" type="stop"/><repeat direction="backward"/></barline></measure>
<measure number="3"><barline location="left"><ending number="2" type="start"/></barline>{note("A", 4, 3, '<tie type="start"/>')}
<barline location="right"><ending number="2" type="stop"/><bar-style>light-heavy</bar-style></barline></measure>
</part></score-partwise>"""


def packed(text: str) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("META-INF/container.xml", "<container/>")
        archive.writestr("score.xml", text)
    return buffer.getvalue()


def damaged() -> bytes:
    """An archive whose directory is whole, its score's bytes upset."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("score.xml", SCORE)
    data = bytearray(buffer.getvalue())
    data[45:70] = bytes(byte ^ 0xA5 for byte in data[45:70])
    return bytes(data)


@pytest.mark.parametrize("data", [SCORE.encode(), packed(SCORE)], ids=["plain", "packed"])
def test_a_score(data: bytes) -> None:
    tune = read_musicxml(data, file="a.musicxml")
    assert (tune.title, str(tune.key), str(tune.meter)) == ("Hand made", "G", "2/4")
    melody = write_out(tune)
    assert "".join(n.pitch.letter for n in melody.notes) == "DGBBDGBA"
    assert [str(n.pitch) for n in melody.notes][3] == "Bb4"
    assert (melody.pickup, melody.notes[1].bow, melody.notes[2].slurred) == (pytest.approx(0.5), "d", True)
    assert [(str(s.start), str(s.chord)) for s in melody.chords][:3] == [("1/2", "G7"), ("5/2", "Bb"), ("9/2", "G7")]
    assert tune.told == ()


def test_the_words_under_the_notes_come_along() -> None:
    """Syllables as MusicXML 4.0 has them: ``syllabic`` says whether a word goes on; a verse is the lyric's number."""

    def sung(number: int, syllabic: str, text: str) -> str:
        return f'<lyric number="{number}"><syllabic>{syllabic}</syllabic><text>{text}</text></lyric>'

    first = note("G", 4, 2, sung(1, "begin", "mea") + sung(2, "single", "rain"))
    score = SCORE.replace(
        note("D", 4, 1) + "</measure>", first + note("A", 4, 2, sung(1, "end", "dow")) + "</measure>", 1
    )
    tune = read_musicxml(score.encode())
    assert [written.words for written in tune.measures[0].notes] == [("mea-", "rain"), ("dow",)]
    assert "w:mea-dow" in to_abc(tune)
    assert "w:rain" in to_abc(tune)


@pytest.mark.parametrize(("beats", "meter"), [("3+2", "(3+2)/8"), ("2+2+3", "(2+2+3)/8"), ("6", "6/8")])
def test_beats_that_are_added_up(beats: str, meter: str) -> None:
    score = SCORE.replace("<beats>2</beats><beat-type>4<", f"<beats>{beats}</beats><beat-type>8<")
    tune = read_musicxml(score.encode())
    assert str(tune.meter) == meter
    assert not tune.told


def test_parts_by_name() -> None:
    two = SCORE.replace(
        "</part-list>", '<score-part id="P2"><part-name>Bass</part-name></score-part></part-list>'
    ).replace(
        "</score-partwise>",
        '<part id="P2"><measure number="1"><attributes><divisions>2</divisions></attributes>'
        f"{note('C', 3, 2)}</measure></part></score-partwise>",
    )
    assert write_out(read_musicxml(two.encode(), part="bass")).notes[0].midi == 48
    assert "of the parts Fiddle, Bass, the first was used" in str(read_musicxml(two.encode()).told[0])
    with pytest.raises(InputError, match="no part is called 'oboe'; there are Fiddle, Bass"):
        read_musicxml(two.encode(), part="oboe")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"<?xml version='1.0'?><html/>", "not a MusicXML score"),
        (b"<?xml version='1.0'?><score-partwise>", "not a MusicXML score"),
        (b"PK\x03\x04nonsense", "not an archive"),
        (damaged(), "not an archive"),
        (b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><score-partwise/>', "defines entities"),
    ],
)
def test_files_that_can_not_be_read(data: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_musicxml(data, file="a.xml")


@pytest.mark.parametrize(("count", "tempo"), [("92.5", "1/4 = 92.5"), ("0.001", "None"), ("-5", "None")])
def test_a_tempo_that_can_not_be_counted_is_none(count: str, tempo: str) -> None:
    beat = f"<metronome><beat-unit>quarter</beat-unit><per-minute>{count}</per-minute></metronome>"
    mark = f"<direction><direction-type>{beat}</direction-type></direction>"
    assert str(read_musicxml(SCORE.replace(HARMONY, mark + HARMONY).encode()).tempo) == tempo


def long(measures: int, notes: int, extra: str = "") -> str:
    """A score of so many measures with so many notes in each."""
    begin, end = SCORE.index('<measure number="0"'), SCORE.index("</part></score")
    return SCORE[:begin] + f"<measure>{note('G', 4, 1) * notes}{extra}</measure>" * measures + SCORE[end:]


class TestLimits:
    """Each is looked at before music21 reads: its time goes by the square of the measures."""

    @pytest.mark.parametrize(
        ("score", "says"),
        [
            (long(2_001, 1), "2001 measures, the maximum is 2000; save the melody's part alone"),
            (long(1_001, 20), "20020 notes, the maximum is 20000; save the melody's part alone"),
            (long(2, 1, HARMONY * 10_001), "measures, chord symbols and directions, the maximum is 20000"),
            (SCORE.replace("<beats>2<", "<beats>9999<"), "9999 beats in a bar, the maximum is 64"),
            (SCORE.replace("<beats>2<", "<beats>9<!-- -->9<"), "99 beats in a bar"),
            (SCORE.replace("<duration>", "<duration>9999999", 1), "measure 1 is longer than 256 quarter notes"),
            (SCORE.replace("<beats>2<", f"<beats>{'9' * 5000}<"), "9999999999 beats in a bar"),
            (long(1, 1, ENDING.format("9" * 12)), "9999999999 as an ending's number, the maximum is 99"),
            (long(1, 1, ENDING.format("1-100")), "100 as an ending's number"),
            (long(1, 1, ENDING.format("&#57;&#57;&#57;")), "100 as an ending's number"),
            (long(1, 1, "<x/>" * 500_000), "elements, the maximum is 500000"),
            (long(1, 1, " " * 8_000_000), "the score is larger than 8 MB; save the melody's part alone"),
        ],
    )
    def test_a_score_beyond_them_is_refused(self, score: str, says: str) -> None:
        with pytest.raises(InputError, match=says):
            read_musicxml(score.encode(), file="a.musicxml")

    def test_what_an_archive_unpacks_to_counts(self) -> None:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("score.xml", long(1, 1, " " * 8_000_000))
        assert len(buffer.getvalue()) < 20_000
        with pytest.raises(InputError, match="the score in it is larger than 8 MB"):
            read_musicxml(buffer.getvalue(), file="a.mxl")


@pytest.mark.parametrize(("encoding", "codec"), [("UF-8", "utf-8"), ("ISO-8859-1", "latin-1"), ("UTF-8", "utf-8")])
def test_an_encoding_is_believed_where_there_is_such_a_one(encoding: str, codec: str) -> None:
    score = SCORE.replace('version="1.0"', f'version="1.0" encoding="{encoding}"').replace("Hand made", "Seán")
    assert read_musicxml(score.encode(codec), file="a.musicxml").title == "Seán"


@pytest.mark.parametrize(
    ("whole", "damaged"),
    [("<duration>1<", "<duration>inf<"), ("<duration>2<", "<duration>nan<"), ("<octave>4<", "<octave>99999999999<"),
     ("<divisions>2<", "<divisions>1e400<"), ("<beats>2<", "<beats>0<"), ("<fifths>1<", "<fifths>inf<")],
)  # fmt: skip
def test_numbers_that_are_none_are_no_traceback(whole: str, damaged: str) -> None:
    assert whole in SCORE
    with contextlib.suppress(InputError):
        read_musicxml(SCORE.replace(whole, damaged).encode(), file="a.musicxml")


def test_an_octave_beyond_every_instrument_is_refused() -> None:
    with pytest.raises(InputError, match="octave 99 lies beyond every instrument"):
        read_musicxml(SCORE.replace("<octave>4<", "<octave>99<", 1).encode(), file="a.musicxml")


def test_a_second_ending_that_begins_the_tune_can_be_written_as_abc() -> None:
    ending = '<barline location="{}"><ending number="2" type="{}"/></barline>'
    first = "<measure><attributes><divisions>1</divisions></attributes>" + ending.format("left", "start")
    score = long(4, 2).replace("<measure>", first, 1)
    tune = read_musicxml(score.replace("</measure>", ending.format("right", "stop") + "</measure>", 1).encode())
    assert len(to_abc(tune)) < 1000
