"""Who sounds at the desk: nobody is kept waiting, and who works beside comes after everything else and ends with it."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from concurrent.futures import BrokenExecutor
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
from underbow.desk.hear.stream import Asked, listen
from underbow.desk.hear.voices import RATE, Voices, one_by_one
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote, Samples
from underbow.track.instruments import Manner

from .conftest import LEVELS, Opened, sheet


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
    """A process of its own, nicer than this one; it ends with the desk, also in the middle of an answer."""
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


def test_a_desk_that_is_closed_while_an_answer_is_handed_over_does_not_wait_for_the_rest() -> None:
    """The answer is larger than a pipe; of the process that was ended in the middle of it nothing more comes."""
    beside, closed = Beside(a_process), threading.Event()
    process: Any = beside()
    take = process._pipe.recv
    process._pipe.recv = lambda: closed.wait(60) and take()
    answer = process.submit(bytes, 20_000_000)
    while process._pipe.poll(0.05) is False:
        assert not answer.done()
    beside.close()
    closed.set()
    assert isinstance(answer.exception(60), BrokenExecutor)


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
