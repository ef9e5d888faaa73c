"""What is heard at the desk: from any bar, at once, in time, and as loud as the lesson will be."""

from __future__ import annotations

import json
import os
import struct
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from underbow.desk.hear.beside import Beside, a_process, a_thread
from underbow.desk.hear.loudness import USUAL, estimate
from underbow.desk.hear.passes import Passes, Turn
from underbow.desk.hear.prompt import Hurried, Prompt
from underbow.desk.hear.ready import Ready
from underbow.desk.hear.stream import LEAD, Asked, listen
from underbow.desk.hear.voices import RATE, Voices, one_by_one
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.room import in_room
from underbow.sound.stems import Stems
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote, Remembered, Samples
from underbow.track.instruments import Manner
from underbow.track.mixes import Mix
from underbow.track.ramp import Ramp
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import read_sheet

from .conftest import TRACKS, Opened

LEVELS = {"melody": 0.0, "backup": -3.0, "rhythm": -6.0, "click": -9.0}


def sheet(name: str = "wet-socks", **changes: Any) -> Sheet:
    return replace(read_sheet(TRACKS / f"{name}.toml"), feel_ms=0.0, feel_db=0.0, **changes)


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


class Slow:
    """A voice that takes its time, as one does that works out how a string moves."""

    name, rate = "slow", RATE

    def __init__(self, seconds: float) -> None:
        self.seconds, self.asked = seconds, 0

    def sounds(self, action: Action) -> Samples:
        self.asked += 1
        time.sleep(self.seconds)
        return np.full(action.frames, 0.5, np.float32)


def test_a_slow_voice_keeps_nobody_waiting_and_is_there_the_next_time() -> None:
    of = sheet("gateposts")
    slow = Slow(0.15)
    beside = Beside(a_thread)
    prompt = Prompt(one_by_one(slow), BuiltinVoice(RATE), beside)
    begun = time.perf_counter()
    first = Hurried(prompt)
    stream = listen(of, first, Asked(bar=1, parts=("melody",)))
    next(stream)
    next(stream)
    sound = next(stream)
    waited = time.perf_counter() - begun
    assert len(sound) > 100
    assert first.stepped_in >= 1
    stream.close()
    calls = slow.asked
    for _ in range(100):
        time.sleep(0.02)
        second = Hurried(prompt)
        again = listen(of, second, Asked(bar=1, parts=("melody",)))
        for _ in range(3):
            sound = next(again)
        if second.stepped_in == 0:
            break
    assert second.stepped_in == 0  # the slow one's own sound by now
    assert calls >= 1
    assert waited < 20  # and not the hundreds of notes of the pass at 0.15 s each
    beside.close()


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


class Counted:
    """Whoever works beside: nothing is done before it is let go."""

    def __init__(self) -> None:
        self.begun, self.let = threading.Event(), threading.Event()
        self.done: list[int] = []

    def __call__(self, actions: Sequence[Action]) -> dict[Action, Samples]:
        self.begun.set()
        self.let.wait(20)
        self.done.append(len(actions))
        return {action: np.full(action.frames, 0.5, np.float32) for action in actions}


def test_strokes_are_made_together_the_next_ones_first_and_what_nobody_wants_any_more_is_left() -> None:
    of = sheet("gateposts")
    plan = next(one for one in Passes(RATE).whole(of, Turn()).plans if one.name == "melody")
    first, second = plan.actions[:60], plan.actions[60:90]
    work, beside = Counted(), Beside(a_thread)
    prompt = Prompt(work, Slow(0.0), beside, together=48)
    prompt.ask(first)
    assert work.begun.wait(20)
    assert prompt.sounds_within(first[0], 0.0) == (pytest.approx(0.5), False)  # stepped in for, at once
    prompt.ask(second)
    work.let.set()
    for _ in range(500):
        if prompt.sounds_within(second[-1], 0.0)[1]:
            break
        time.sleep(0.02)
    assert work.done == [12, 12, 18]
    assert prompt.sounds_within(first[0], 0.0)[1]  # had been begun
    assert not prompt.sounds_within(first[-1], 0.0)[1]  # had not
    beside.close()
    prompt.ask(first)  # nobody works any more: nothing comes of it
    assert not prompt.sounds_within(first[-1], 0.0)[1]


def test_the_fiddle_that_is_worked_out_beside_is_the_one_that_the_lesson_has() -> None:
    of, voices = sheet("gateposts"), Voices("builtin")
    prompt = voices.voice(of)
    stroke = Action(Manner.BOW, (ActionNote(0, 4410, 69, 0.0, 2),), bow="d")
    pluck = Action(Manner.PLUCK, (ActionNote(0, 4410, 45),), program=25)
    assert prompt.sounds_within(pluck, 0.0)[1]  # the same with either
    prompt.ask([pluck, stroke])
    for _ in range(3000):
        sound, own = prompt.sounds_within(stroke, 0.0)
        if own:
            break
        time.sleep(0.02)
    lesson = BuiltinVoice(RATE, of.concert_pitch, of.tuning.midi, computed=True)
    assert np.array_equal(sound, lesson.sounds(stroke))
    voices.close()


def test_who_works_beside_comes_after_everything_else_and_does_not_outlive_the_desk() -> None:
    """A process of its own, nicer than this one; it ends as soon as the desk's end of its pipe is closed."""
    beside = Beside(a_process)
    number = beside().submit(os.getpid).result(60)
    priority = beside().submit(os.getpriority, os.PRIO_PROCESS, 0).result(60)
    assert number != os.getpid()
    assert priority > os.getpriority(os.PRIO_PROCESS, 0) or priority == 19
    again = Beside(a_process)
    died = again().submit(os._exit, 3)
    assert isinstance(died.exception(60), BrokenExecutor)
    assert again().submit(os.getpid).result(60) != number  # another in its place
    for one in (beside, again):
        one.close()
        with pytest.raises(RuntimeError):
            one()
    for _ in range(500):
        if not Path(f"/proc/{number}").exists():
            break
        time.sleep(0.02)
    else:
        os.kill(number, 0)  # still there: fails by saying nothing
        pytest.fail("it goes on")


def test_what_was_opened_is_made_ready_and_a_change_takes_its_place(desk: Opened) -> None:
    """Its pass is played and its gain known before anybody asks; the latest state is what counts."""
    voices, passes = Voices("builtin"), Passes(RATE)
    sheets = {"one": sheet("gateposts"), "two": sheet("wet-socks")}
    ready = Ready(sheets.__getitem__, voices, passes, LEVELS)
    assert ready.gain("two") == USUAL
    ready.still()
    begun = time.perf_counter()
    ready.begin("one")
    ready.begin("two")
    while ready.gain("two") == USUAL and time.perf_counter() - begun < 120:
        time.sleep(0.02)
    assert time.perf_counter() - begun > 1.0  # it stood still for whoever began to hear
    assert ready.gain("two") == estimate(sheets["two"], voices.voice(sheets["two"]).quick, LEVELS)
    assert ready.gain("one") == USUAL
    ready.close()
    voices.close()
    with patch("underbow.desk.hear.passes.perform", side_effect=AssertionError("played again")):
        assert passes.whole(sheets["two"], Turn()).rate == RATE
        with pytest.raises(AssertionError):
            passes.whole(sheets["one"], Turn())


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
