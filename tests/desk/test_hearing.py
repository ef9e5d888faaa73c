"""What is heard at the desk: from any bar, at once, in time, and as loud as the lesson will be."""

from __future__ import annotations

import json
import struct
import threading
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from typing import Any

import numpy as np
import pytest

from underbow.desk.hear.beside import Beside, a_thread
from underbow.desk.hear.loudness import estimate
from underbow.desk.hear.passes import Passes, Turn
from underbow.desk.hear.prompt import Hurried, Prompt
from underbow.desk.hear.stream import LEAD, Asked, listen
from underbow.desk.hear.voices import RATE, Voices, one_by_one
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.room import in_room
from underbow.sound.stems import Stems
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Remembered
from underbow.track.mixes import Mix
from underbow.track.ramp import Ramp
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import read_sheet

from .conftest import LEVELS, TRACKS, Opened, sheet
from .test_beside import Slow


def voice(of: Sheet) -> Hurried:
    """The quick voice alone: nobody works beside."""
    voices = Voices("builtin")
    voices.close()
    return Hurried(voices.voice(of))


def messages(data: bytes) -> Iterator[tuple[str, bytes]]:
    at = 0
    while at < len(data):
        (size,) = struct.unpack_from("<I", data, at)
        yield data[at + 4 : at + 5].decode(), data[at + 5 : at + 4 + size]
        at += 4 + size


class Heard:
    """A stream taken apart: what it says, and its parts as rows."""

    def __init__(self, stream: Iterator[bytes], most: int = 10_000) -> None:
        said = [message for piece in islice(stream, most) for message in messages(piece)]
        notes = [json.loads(body) for kind, body in said if kind == "J"]
        self.head, self.stretches = notes[0], notes[1:]
        sound = b"".join(body for kind, body in said if kind == "S")
        self.rows = np.frombuffer(sound, "<i2").reshape(-1, len(self.head["parts"])).T / 32767

    def row(self, part: str) -> np.ndarray:
        return self.rows[self.head["parts"].index(part)]

    @property
    def bars(self) -> list[list[int]]:
        return [bar for one in self.stretches for bar in one["bars"]]


@pytest.mark.parametrize("name", ["wet-socks", "lamplight", "gateposts", "snow-on-the-weir", "rushes"])
def test_the_clicks_lie_on_the_bar_lines(name: str) -> None:
    """The click's first sample is loudest on a bar's first beat: it lies where the stream says that the bar begins."""
    of = sheet(name)
    heard = Heard(listen(of, voice(of), Asked(bar=2, number=2)), most=60)
    click = np.abs(heard.row("click"))
    onsets = np.flatnonzero((click > 0.05) & (np.r_[0, click[:-1]] < 0.01))
    for frame, *_ in heard.bars[1:6]:
        if frame < len(click) - 100:
            assert np.abs(onsets - frame).min() <= 64, (name, frame)


def test_it_begins_at_the_bar_asked_for_and_goes_on_from_tempo_to_tempo_to_the_end() -> None:
    of = sheet(ramp=Ramp("steps", 60, 110, 3, sheet().ramp.beat, each=2))
    stream = listen(of, voice(of), Asked(bar=14, time=2, number=2))
    heard = Heard(stream)
    assert heard.bars[0][1:3] == [14, 2]
    assert abs(heard.bars[0][0] / RATE - LEAD) < 1e-3
    assert [(one["pass"], one["tempo"]) for one in heard.stretches] == [(2, 85), (2, 85), (3, 110), (3, 110)]
    first = heard.stretches[1]["bars"]
    assert [bar[1] for bar in first[:10]] == [*range(9), 1]  # the pickup, 1 to 8, and 1 again
    played = perform(of)
    seconds = played.tempo.seconds(played.passes[3].end) - played.tempo.seconds(played.passes[3].start)
    assert abs((heard.stretches[1]["end"] - heard.stretches[1]["at"]) / RATE - seconds) < 1e-3


@pytest.mark.parametrize("name", ["wet-socks", "gateposts"])  # with a pickup, and without
def test_it_is_counted_in_as_the_track_is(name: str) -> None:
    """The first clicks and the first bar lie as far apart as in the track, whose count-in is tested elsewhere."""
    of = sheet(name, count_in=2)
    played = perform(of)
    for bar, position in ((0, played.passes[0].start), (3, None)):
        heard = Heard(listen(of, voice(of), Asked(bar=bar, counted=True)), most=40)
        count, music = heard.stretches[:2]
        assert count["count"]
        assert "count" not in music
        seconds = (music["bars"][0][0]) / RATE
        wanted = played.tempo.seconds(position if position is not None else played.passes[0].downbeat)
        assert seconds == pytest.approx(wanted, abs=2e-3)
        clicks = np.abs(heard.row("click")[: music["at"]])
        onsets = np.flatnonzero((clicks > 0.05) & (np.r_[0, clicks[:-1]] < 0.01))
        assert onsets[0] < 0.005 * RATE
        assert np.abs(heard.rows[[part != "click" for part in heard.head["parts"]], : music["at"]]).max() == 0
        assert np.abs(heard.row("melody")[music["at"] :]).max() > 0.02


def test_clicks_come_between_the_tempos_where_the_sheet_asks_for_them() -> None:
    """From pass to pass as in the track: the same bar lines, and nothing but clicks in between."""
    of = sheet(ramp=Ramp("steps", 100, 120, 2, sheet().ramp.beat, between=1))
    heard = Heard(listen(of, voice(of), Asked()))
    first, count, second = heard.stretches
    played = perform(of)
    seconds = played.tempo.seconds(played.passes[1].start) - played.tempo.seconds(played.passes[0].start)
    assert (second["bars"][0][0] - first["bars"][0][0]) / RATE == pytest.approx(seconds, abs=2e-3)
    assert count["tempo"] == second["tempo"] == 120
    assert np.abs(heard.row("click")[count["at"] : count["end"]]).max() > 0.1
    ring = count["at"] + round(0.9 * (count["end"] - count["at"]))
    assert np.abs(heard.row("melody")[ring : count["end"]]).max() < 0.02


def test_what_goes_round_joins_in_time() -> None:
    of = sheet("gateposts")
    heard = Heard(listen(of, voice(of), Asked(bar=5, around=(5, 6))), most=90)
    assert [bar[1] for bar in heard.bars[:6]] == [5, 6, 5, 6, 5, 6]
    bar = 60 / 60 * 4  # four quarters at 60
    for before, after in zip(heard.bars, heard.bars[1:6], strict=False):
        assert abs((after[0] - before[0]) / RATE - bar) <= 1 / RATE


def test_it_stops_before_a_bar_that_is_wrong() -> None:
    of = sheet("gateposts")
    heard = Heard(listen(of, voice(of), Asked(bar=3, upto=7)))
    assert [bar[1] for bar in heard.bars] == [3, 4, 5, 6]
    assert len(heard.stretches) == 1


def test_every_note_that_is_followed_lies_where_it_sounds() -> None:
    """Where the melody plays alone, its level rises at each note that the stream names."""
    of = sheet("gateposts")
    heard = Heard(listen(of, voice(of), Asked(bar=1, parts=("melody",))), most=30)
    melody = heard.row("melody")
    power = np.convolve(melody**2, np.ones(441) / 441, "same")
    notes = [frame for frame, *_ in heard.stretches[0]["notes"] if 4410 < frame < len(melody) - 4410]
    assert len(notes) > 10
    for frame in notes:
        assert power[frame + 2000] > 1e-5


@pytest.mark.parametrize("name", ["wet-socks", "lamplight", "gateposts", "snow-on-the-weir"])
def test_its_gain_is_within_2_lu_of_the_lessons(name: str) -> None:
    """Against the whole pass mixed as the lesson mixes it, read by the project's BS.1770 meter (held to libebur128 elsewhere)."""
    of = sheet(name)
    gain = estimate(of, voice(of), LEVELS)
    one = perform(replace(of, ramp=Ramp("steady", of.ramp.start, of.ramp.start, 1, of.ramp.beat), count_in=0))
    stems = Stems(one, Remembered(BuiltinVoice(RATE, strings=of.tuning.midi)))
    mix = Mix("x", tuple((part, (level,)) for part, level in LEVELS.items()))
    meter = LoudnessMeter(RATE, 2)
    for block in Mixer(one, mix, stems.names, RATE).mixed(stems.blocks()):
        meter.add(block)
    assert abs(meter.integrated() + 20 * np.log10(gain) - of.loudness) < 2


def test_a_change_while_it_plays_is_in_the_next_stream(desk: Opened) -> None:
    before = Heard(iter([desk.post("/sheet/gateposts.toml/sound", {"bar": 16, "pass": 5}).content]))
    desk.change("gateposts.toml", (["changes", "16"], "F#m"))
    after = Heard(iter([desk.post("/sheet/gateposts.toml/sound", {"bar": 16, "pass": 5}).content]))
    assert not np.array_equal(before.row("backup"), after.row("backup"))
    assert np.array_equal(before.row("melody"), after.row("melody"))


@pytest.mark.parametrize(
    "wanted",
    [
        {"bar": "x"},
        {"bar": 10**9},
        {"bar": -5, "pass": 0},
        {"pass": 10**6},
        {"around": [1]},
        {"around": "x"},
        {"levels": []},
        {"time": None, "bar": 16, "pass": 5},
    ],
    ids=str,
)
def test_whatever_is_asked_something_sensible_is_heard(desk: Opened, wanted: dict[str, Any]) -> None:
    with desk.client.stream(
        "POST",
        "/sheet/gateposts.toml/sound",
        json={"bar": 16, "pass": 5, **wanted},
        headers={"Origin": "http://127.0.0.1:8765"},
    ) as answer:
        assert answer.status_code == 200


def test_two_bars_of_a_bowing_are_heard_at_a_touch(desk: Opened) -> None:
    rows = desk.sheet("gateposts.toml")["bow"]["sections"][0]["rows"]
    for wanted in ({"rows": rows}, {"pattern": "saw"}):
        heard = Heard(iter([desk.post("/sheet/gateposts.toml/sound", wanted).content]))
        assert heard.head["parts"] == ["backup", "click"]
        assert len(heard.bars) == 2
        assert np.abs(heard.row("backup")).max() > 0.02
    broken = desk.post("/sheet/gateposts.toml/sound", {"rows": {**rows, "bow": "d" * len(rows["bow"])}})
    assert broken.status_code == 400
    assert "a second down-bow" in broken.json()["problems"][0]["what"]


def test_a_stream_that_nobody_hears_any_more_stops_working() -> None:
    """Closing it ends it: no thread goes on sounding."""
    of = sheet()
    before = threading.active_count()
    stream = listen(of, voice(of), Asked())
    next(stream)
    stream.close()
    with pytest.raises(StopIteration):
        next(stream)
    assert threading.active_count() <= before + 1


@pytest.mark.parametrize("name", ["wet-socks", "lamplight", "rushes", "snow-on-the-weir"])
def test_the_first_bars_are_played_as_in_the_whole_pass(name: str) -> None:
    """Frame by frame, gain by gain and stroke by stroke, feel and all; and not a tenth of the pass is played for it."""
    of = read_sheet(TRACKS / f"{name}.toml")
    upto = of.melody.bars[3].end
    turn = Turn(number=2)
    begun, whole = Passes(RATE).begun(of, turn, upto), Passes(RATE).whole(of, turn)
    halt = whole.frame(of.melody.bars[2].end)
    for early, late in zip(begun.plans, whole.plans, strict=True):
        count = int(np.searchsorted(late.frames, halt))
        assert count >= 4
        assert np.array_equal(early.frames[:count], late.frames[:count])
        assert np.array_equal(early.gains[:count], late.gains[:count])
        strokes = [[one.actions[which] for which in one.which[:count].tolist()] for one in (early, late)]
        assert strokes[0] == strokes[1]
        assert len(early.frames) < 0.4 * len(late.frames)


def test_a_stream_sounds_alike_whether_its_pass_was_played_before() -> None:
    """From a bar in the midst, over the place where the whole pass takes over from its first bars."""
    of = read_sheet(TRACKS / "gateposts.toml")
    known = Passes(RATE)
    known.whole(of, Turn())
    quick = Prompt(one_by_one(Slow(0.0)), Slow(0.0), Beside(a_thread), slow=lambda action: False)
    streams = [listen(of, Hurried(quick), Asked(bar=5), passes=passes) for passes in (known, Passes(RATE))]
    one, other = (Heard(stream, most=40) for stream in streams)
    assert one.rows.shape[1] > 8 * RATE
    assert np.array_equal(one.rows, other.rows)
    assert one.stretches == other.stretches


def test_a_gain_that_is_known_later_is_said_on_the_way() -> None:
    of = sheet("gateposts")
    gains = iter([1.0, 1.0, 1.0])
    stream = listen(of, voice(of), Asked(bar=1, bars=1), lambda: next(gains, 0.5))
    said = [json.loads(body) for piece in stream for kind, body in messages(piece) if kind == "J"]
    assert [one["gain"] for one in said if "gain" in one] == [1.0, 0.5]
    assert set(said[-1]) == {"gain"}


def test_the_page_has_the_room_that_the_track_has(desk: Opened) -> None:
    """What the page is given, laid round a sound as its convolver does it, is what the mix's room makes of it."""
    sides = np.frombuffer(desk.get("/room").content, "<f4").reshape(2, -1).astype(float)
    sound = np.random.default_rng(1).normal(0, 0.1, (RATE, 2)).astype(np.float32)
    wanted = np.concatenate(list(in_room([sound], RATE)))
    both = sound.sum(axis=1, dtype=float)
    for side in (0, 1):
        mine = sound[:, side] + np.convolve(both, sides[side])[: len(sound)]
        off = 10 * np.log10(((mine - wanted[:, side]) ** 2).mean() / ((wanted - sound)[:, side] ** 2).mean())
        assert off < -20  # of the room alone: it is worked out at a lower rate, where a place counts a little
