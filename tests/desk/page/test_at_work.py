"""The page in headless Chromium, driven as a teacher's hands drive it."""

from __future__ import annotations

import tomllib
from itertools import pairwise

import numpy as np
import pytest

from underbow.sound.room import in_room
from underbow.tune.abc.reader import read_one

from .conftest import At
from .jobs_by_hand import REEL, Job, look_into, only_bars_by_keys, paste_tune


def test_the_whole_way_by_keyboard_alone(empty: At) -> None:
    job = Job("only bars 5 to 8", only_bars_by_keys, written=('bars = "5-8"',))
    empty.hands.patience = 300
    job.do(empty.hands)
    look_into(empty.folder, job)
    assert empty.complaints() == []
    assert empty.browser.run("return document.activeElement.matches('a.made')")


def test_what_is_typed_into_the_tune_is_engraved_and_kept_and_its_problems_marked(at: At) -> None:
    text, place = at.write_in_bar_4()
    before = at.browser.run("return document.querySelectorAll('.music [data-note]').length")
    at.hands.type("A")
    at.until(lambda: at.browser.run("return document.querySelectorAll('.music [data-note]').length") == before + 1)
    at.until(lambda: (at.folder / "wet-socks.abc").read_text("utf-8") == text[:place] + "A" + text[place:])
    at.hands.see(".faults .word")
    line = text[:place].count("\n") + 1
    assert f"line {line}, bar 4" in at.browser.run("return document.querySelector('.faults').textContent")
    assert at.browser.run("return document.querySelector('.numbers .bad').textContent").strip() == str(line)
    assert "ecAA" in at.browser.run("return document.querySelector('.marks u').textContent")
    at.until(lambda: at.browser.run("return document.querySelectorAll('.music .bad').length") > 0)
    assert at.browser.run("return document.activeElement.id") == "abc"  # still under her hands
    at.browser.keys("Escape")
    at.browser.keys("Control+z")
    at.until(lambda: (at.folder / "wet-socks.abc").read_text("utf-8") == text)
    assert at.complaints() == []


def test_how_a_tune_is_written_in_letters_stands_beside_it_and_all_of_it_is_read(empty: At) -> None:
    browser, hands = empty.browser, empty.hands
    hands.press("#begin-tune")
    hands.tab_to(".slip summary")
    browser.keys("Enter")
    hands.see(".letters dt")
    signs = browser.run("return [...document.querySelectorAll('.letters dt')].map((one) => one.textContent)")
    assert signs[0] == "T: M: L: K:"
    tune = read_one("T:All of it\nM:none\nL:1/8\nK:Ddor\n" + " ".join(signs[1:]) + "\n", 0)
    assert (tune.told, tune.passed_over) == ((), ())
    opened = [str(note.pitch) for note in tune.measures[0].notes[:4]]
    assert opened == ["G3", "D4", "A4", "E5"]  # the open strings
    hands.press("#new-tune")
    hands.paste("T:Dusk\nM:3/4\nL:1/4\nK:G\nG,DA|e3|\n")
    hands.press("#to-the-stand")
    hands.on_the_stand()
    hands.press("#write-tune")
    hands.press("#part-tune summary")
    hands.see("#part-tune .letters dt")
    assert empty.complaints() == []


def test_one_step_back_too_many_says_so_and_leaves_the_new_sheet(empty: At) -> None:
    paste_tune(empty.hands, REEL)
    name = "moss-on-the-lintel.toml"
    empty.hands.press("#title")
    empty.browser.keys("End", "!")
    empty.browser.keys("Enter")
    empty.until(lambda: empty.table(name)["title"] == "Moss on the Lintel!")
    empty.hands.kept()
    empty.browser.run("document.activeElement.blur()")
    empty.browser.keys("Control+z", "Control+z")
    empty.hands.see("#said.seen")
    assert "nothing left to undo" in empty.browser.run("return document.querySelector('#said').textContent")
    assert empty.table(name)["title"] == "Moss on the Lintel"
    assert (empty.folder / "moss-on-the-lintel.abc").read_text("utf-8") == REEL
    empty.browser.keys("Control+Shift+z")
    empty.until(lambda: empty.table(name)["title"] == "Moss on the Lintel!")
    assert empty.complaints() == []


def test_a_chord_is_typed_on_its_bar_taken_from_the_suggestions_and_rubbed_out(empty: At) -> None:
    paste_tune(empty.hands, REEL)
    name = "moss-on-the-lintel.toml"
    browser, hands = empty.browser, empty.hands
    assert browser.run("return [...document.querySelectorAll('.bar')].every((b) => b.classList.contains('pencil'))")
    browser.keys("ArrowRight", "d")  # on to bar 2, and a letter begins a chord
    hands.see("#chord-field")
    hands.type(" Bm")
    browser.keys("Enter")
    empty.until(lambda: empty.table(name).get("changes") == {"2": "D Bm"})
    hands.see('.bar.ink[data-bar="2"]')
    hands.press('.bar[data-bar="7"]')
    suggestion = browser.run("const b = document.querySelectorAll('.hints .word')[1]; b.click(); return b.textContent")
    empty.until(lambda: empty.table(name)["changes"].get("7", "?") in suggestion.replace("♯", "#").replace("♭", "b"))
    browser.run("location.reload()")
    hands.see('.bar.ink[data-bar="7"]')
    hands.press("#back")
    empty.until(lambda: empty.table(name)["changes"] == {"2": "D Bm"})  # also after the page was loaded anew
    hands.see('.bar.pencil[data-bar="7"]')
    hands.press('.bar[data-bar="2"]')
    browser.run("[...document.querySelectorAll('.hints .word')].at(-1).click()")
    empty.until(lambda: "changes" not in empty.table(name))
    assert (empty.folder / "moss-on-the-lintel.abc").read_text("utf-8") == REEL
    assert empty.complaints() == []


def test_what_was_chosen_from_a_list_is_taken_back_by_the_keys(at: At) -> None:
    """A list has no letters to take back: the keys are the desk's."""
    at.open("gateposts.toml")
    for chosen, value, written in (("#tuning", "AEAE", "tuning"), ("#room", "off", "sound"), ("#key", "D", "key")):
        at.browser.run("document.querySelector(arguments[0]).focus()", chosen)
        at.hands.choose(chosen, value)
        at.until(lambda written=written: written in at.table("gateposts.toml"))
        at.hands.kept()
        at.browser.keys("Control+z")
        at.until(lambda written=written: written not in at.table("gateposts.toml"))
        at.until(lambda chosen=chosen: at.browser.run("return document.activeElement.id") == chosen[1:])


def test_a_wrong_chord_stands_in_red_with_the_cure_in_the_margin(at: At) -> None:
    at.write_no_chord_in_bar_7()
    note, bar, paper = at.browser.run(
        "const box = (s) => { const b = document.querySelector(s).getBoundingClientRect();"
        "return [b.left, b.top, b.right, b.bottom] };"
        "return [box('.red.beside'), box('.bar.wrong'), box('.paper')]"
    )
    assert note[0] > paper[2]  # beside the paper, not on it
    assert note[1] < bar[3]
    assert note[3] > bar[1]
    assert "not a chord: 'H7'" in at.browser.run("return document.querySelector('.red.beside').textContent")
    assert at.browser.run("return document.querySelector('.bar.wrong .chords').textContent") == "H7"
    assert "up to bar 6" in at.browser.run("return document.querySelector('.more').textContent")


def test_pressing_hear_sounds_at_once_on_one_clock_and_is_followed(at: At) -> None:
    at.open("gateposts.toml")
    at.browser.keys("ArrowRight", "ArrowRight", "Space")
    at.until(lambda: at.browser.run("return spy.starts.length") >= 4)
    starts = at.browser.run("return spy.starts")
    assert {one["channels"] for one in starts} == {4}  # every player a part of his own
    for before, after in pairwise(starts):
        assert after["when"] > after["now"]  # none too late
        if (
            before["when"] + before["frames"] / 44_100 > after["now"]
        ):  # joined to the sample, unless the machine was too busy
            assert abs(before["when"] + before["frames"] / 44_100 - after["when"]) < 1e-9
    at.hands.see(".sounding")
    assert at.browser.run("return document.querySelector('.sounding').dataset.bar") == "3"
    at.hands.see(".music .bar-mark")
    at.hands.see(".music .played")
    at.until(lambda: at.browser.run("return document.querySelector('.sounding')?.dataset.bar") == "4")
    at.browser.keys("Space")
    at.hands.see(".sounding", gone=True)
    assert at.complaints() == []


def test_what_is_changed_while_it_plays_is_heard_from_the_next_bar_on(at: At) -> None:
    at.open("gateposts.toml")
    at.browser.keys("ArrowRight", "Space")  # where nothing is counted in
    at.hands.see(".sounding")
    at.until(lambda: at.browser.run("return spy.starts.length") >= 3)
    first = at.browser.run("return spy.starts[0].when")
    at.browser.run(
        "import('/page/stage.js').then(({ state }) => state.now.change([{ key: ['changes', '6'], value: 'F#m' }]))"
    )
    at.until(lambda: at.table("gateposts.toml").get("changes") == {"6": "F#m"})
    bar = 4.0  # seconds at 60

    def joined() -> bool:
        """A second stream that begins at a bar line of the first."""
        starts = at.browser.run("return spy.starts")
        breaks = [b["when"] for a, b in pairwise(starts) if abs(a["when"] + a["frames"] / 44_100 - b["when"]) > 1e-6]
        return any(abs((place - first) / bar - round((place - first) / bar)) < 1e-3 for place in breaks)

    at.until(joined)
    at.browser.keys("Space")


def test_players_stand_nearer_or_farther_at_once_and_bars_go_round(at: At) -> None:
    at.open("gateposts.toml")
    at.browser.keys("Space")
    at.hands.see(".sounding")
    gain = "import('/page/stage.js').then(({ state }) => done(state.now.hearing.takes[0].out.gains.melody.gain.value))"
    at.until(lambda: at.promised(gain) == pytest.approx(1))
    at.browser.run("document.querySelector('#at-melody-far').click()")
    at.until(lambda: at.promised(gain) == pytest.approx(10 ** (-12 / 20), abs=1e-3))
    at.browser.run("document.querySelector('#at-melody-out').click()")
    at.until(lambda: at.promised(gain) == pytest.approx(0, abs=1e-3))
    at.hands.press("#round")
    assert "bars 1 to 4" in at.browser.run("return document.querySelector('#round').textContent")
    assert at.browser.run("return document.querySelectorAll('.ringed').length") == 4
    at.browser.keys("Escape")
    assert at.browser.run("return document.querySelectorAll('.ringed').length") == 0


def test_the_bow_is_changed_by_hand_and_says_what_it_cannot_do(at: At) -> None:
    at.open("gateposts.toml")
    at.take_the_bow()
    cells = ".cell-hand:nth-of-type({})".format
    rows = "import('/page/stage.js').then(({ state }) => done(state.now.view.bow.sections[0].rows))"
    at.until(lambda: (at.promised(rows) or {}).get("bow") == "d-udu-du")
    at.browser.drag(cells(1), 0, 28)  # thinner
    at.until(lambda: (at.promised(rows) or {"accent": "9"})["accent"][0] < "7")
    own = [path for path in at.folder.glob("*.toml") if "my-way" in path.name]
    assert len(own) == 1
    assert at.table("gateposts.toml")["pattern"] == own[0].name
    at.browser.drag(cells(3), -40, 0, top=True)  # the turn a cell earlier
    at.until(lambda: (at.promised(rows) or {}).get("bow") == "du-du-du")
    at.browser.run("document.querySelectorAll('.cell-hand')[1].focus()")
    at.browser.keys("d")
    at.hands.see(".red[role=alert] p")
    assert "a second down-bow" in at.browser.run("return document.querySelector('.red[role=alert]').textContent")
    assert at.browser.run("return document.querySelectorAll('.cell-hand.bad').length") >= 1
    assert tomllib.loads(own[0].read_text("utf-8"))["bow"] == "d u - d u - d u"  # nothing impossible is kept
    at.browser.keys("u", "x")
    at.browser.keys("8", "ArrowRight", "ArrowRight", "x")  # faster than they are kept
    at.until(lambda: tomllib.loads(own[0].read_text("utf-8"))["bow"].count("x") == 2)
    assert len(list(at.folder.glob("*.toml"))) == 6  # one file, changed again and again
    assert at.complaints() == []


def test_a_drag_where_no_turn_is_leaves_nothing_behind_and_no_sheet_opens_what_another_had_open(at: At) -> None:
    at.open("gateposts.toml")
    at.hands.press("#write-tune")
    at.hands.see("#abc")
    at.take_the_bow()
    at.browser.drag(".cell-hand:nth-of-type(2)", 60, 0, top=True)
    assert at.browser.run("return document.querySelectorAll('.cell-hand.aim').length") == 0
    assert "1 &: held" in at.browser.run("return document.querySelector('.strokes').textContent")
    at.open("rushes.toml")
    at.hands.see("#part-bow")
    at.until(lambda: "Rushes" in at.browser.run("return document.querySelector('#title').value"))
    assert at.browser.run("return document.querySelectorAll('#abc, .board').length") == 0


def test_the_stairs_are_typed_and_dragged(at: At) -> None:
    at.open("gateposts.toml")
    at.hands.press("#tempo-start")
    at.browser.run("document.activeElement.select()")
    at.hands.type("52")
    at.browser.keys("Enter")
    at.until(lambda: at.table("gateposts.toml")["tempo"]["start"] == 52)
    at.hands.kept()
    at.browser.run("document.querySelector('.knob.goal').scrollIntoView({block: 'center'})")
    at.browser.drag(".knob.goal", 0, -30)
    at.until(lambda: at.table("gateposts.toml")["tempo"]["goal"] > 100)
    at.browser.run("document.querySelector('#each').focus()")
    at.browser.run("document.activeElement.select()")
    at.hands.type("2")
    at.browser.keys("Enter")
    at.until(lambda: at.table("gateposts.toml")["tempo"].get("each") == 2)
    assert "two bars of click first" in (at.folder / "gateposts.toml").read_text("utf-8")  # her remarks


def test_the_room_is_chosen_on_the_sheet_and_heard_round_the_players(at: At) -> None:
    """What the page lays round a sound is the room of the track's mix; and each stream goes into it, or doesn't."""
    at.open("gateposts.toml")
    heard = np.array(
        at.promised("""
        import('/page/hear.js').then(async (hear) => {
          const context = new OfflineAudioContext(2, 14000, 44100), source = new AudioBufferSourceNode(context);
          source.buffer = new AudioBuffer({ length: 8, numberOfChannels: 2, sampleRate: 44100 });
          source.buffer.getChannelData(0)[0] = 1;
          source.connect(hear.roomRound(context, context.destination));
          await hear.response;
          source.start();
          const made = await context.startRendering();
          done([[...made.getChannelData(0)], [...made.getChannelData(1)]]);
        })
        """)
    )
    clap = np.zeros((14_000, 2), np.float32)
    clap[0, 0] = 1
    wanted = (np.concatenate(list(in_room([clap], 44_100))) - clap).T
    assert np.abs(heard - wanted).max() < 1e-4 * np.abs(wanted).max()
    at.browser.run("""
      window.rooms = 0;
      const connect = AudioNode.prototype.connect;
      AudioNode.prototype.connect = function (to, ...more) {
        if (to instanceof GainNode && to.channelCountMode === 'explicit' && to.channelCount === 1) rooms++;
        return connect.call(this, to, ...more);
      };
    """)
    for room, sheets, streams in (("off", {"room": "off"}, 0), ("small", {}, 1)):
        at.browser.run(
            "const one = document.querySelector('#room'); one.value = arguments[0]; one.dispatchEvent(new Event('change'))",
            room,
        )
        at.until(lambda sheets=sheets: at.table("gateposts.toml").get("sound", {}) == sheets)
        at.hands.kept()
        at.until(
            lambda room=room: at.browser.run("return document.querySelector('#room.ink') !== null") == (room == "off")
        )
        at.hands.kept()
        at.browser.keys("Space")
        at.hands.see(".sounding")
        assert at.browser.run("return rooms") == streams
        at.browser.keys("Escape")
    assert at.complaints() == []
