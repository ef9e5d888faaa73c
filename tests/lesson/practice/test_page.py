"""The page as a file: what is in it, the same bytes every time, hostile text kept as text."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files

import pytest

from underbow.errors import UnderbowError
from underbow.lesson.practice.page import _SCRIPTS, make_page, sound_files
from underbow.lesson.practice.words import ENGLISH

from .conftest import Track

PIECES = 6  # of ten seconds and less, of each part of the short track
ASSETS = ("page.html", "page.css", *(f"{name}.js" for name in _SCRIPTS))


class Elements(HTMLParser):
    """The page as an HTML parser that isn't a browser reads it."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        if self.found:
            tag, attributes, text = self.found[-1]
            self.found[-1] = (tag, attributes, text + data)


def read(track: Track) -> list[tuple[str, dict[str, str | None], str]]:
    parser = Elements()
    parser.feed(track.path.read_text(encoding="utf-8"))
    return parser.found


@pytest.mark.parametrize("which", ["track", "hostile"])
def test_the_file_has_its_own_scripts_and_no_others(request: pytest.FixtureRequest, which: str) -> None:
    found = read(request.getfixturevalue(which))
    scripts = [(attributes.get("type"), attributes.get("id")) for tag, attributes, _ in found if tag == "script"]
    sounds = [
        ("text/plain", f"sound-{part}-{number}") for part in ("melody", "backup", "rhythm") for number in range(PIECES)
    ]
    assert scripts == [("application/json", "timeline"), *sounds, (None, None)]
    assert not [
        tag for tag, attributes, _ in found if any(name.startswith("on") or name == "style" for name in attributes)
    ]
    assert {tag for tag, _, _ in found} & {"iframe", "object", "embed", "form", "base", "img"} == set()
    names = [attributes["id"] for _, attributes, _ in found if "id" in attributes]
    assert len(names) == len(set(names))


def test_the_policy_names_the_hashes_of_script_and_style(track: Track) -> None:
    found = read(track)
    policy = next(
        a["content"] for tag, a, _ in found if tag == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    text = track.path.read_text(encoding="utf-8")
    for element, directive in ((r"<style>(.*?)</style>", "style-src"), (r"<script>(.*?)</script>", "script-src")):
        (inside,) = re.findall(element, text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    assert "http" not in policy


def test_the_sound_in_the_page_is_the_sound_that_was_given(track: Track) -> None:
    inside = [
        text for tag, attributes, text in read(track) if tag == "script" and attributes.get("type") == "text/plain"
    ]
    assert [base64.b64decode(text) for text in inside] == [content for _, content in sound_files(track.audio)]


def test_a_page_for_a_web_server_has_its_sound_beside_it(track: Track) -> None:
    page = make_page(track.sheet, track.performance, track.sheet.mixes, track.audio, beside="sound").decode()
    assert "connect-src 'self'" in page
    assert '<script type="text/plain"' not in page
    assert '"files":"sound"' in page
    assert [name for name, _ in sound_files(track.audio)][: PIECES + 1] == [
        *(f"melody-{number}.mp3" for number in range(PIECES)), "backup-0.mp3",
    ]  # fmt: skip


def test_the_same_sheet_gives_the_same_page(track: Track) -> None:
    again = make_page(track.sheet, track.performance, track.sheet.mixes, track.audio)
    assert again == track.path.read_bytes()


def test_hostile_text_can_not_end_the_data(hostile: Track) -> None:
    (text,) = [text for tag, attributes, text in read(hostile) if attributes.get("id") == "timeline"]
    assert not set(text) & set("<>&\u2028\u2029\u202e")
    data = json.loads(text)
    assert data["mixes"][0]["name"].startswith("backup turn</script><img src=x onerror='window.caught=1'> wide")


def test_a_page_without_a_mix_is_refused(track: Track) -> None:
    with pytest.raises(UnderbowError, match="no mix to play"):
        make_page(track.sheet, track.performance, (), track.audio)


def test_every_word_asked_for_is_in_the_table_and_every_word_in_it_is_used() -> None:
    texts = {name: files("underbow.lesson.practice").joinpath(name).read_text(encoding="utf-8") for name in ASSETS}
    asked = set(re.findall(r"\{w_(\w+)\}", texts["page.html"]))
    asked |= {name for text in texts.values() for name in re.findall(r"words\.(\w+)", text)}
    asked |= {name for name in ENGLISH if name.startswith(("beat_", "about_", "player_"))}
    asked |= {
        name for text in texts.values() for name in re.findall(r'"((?:pick|held|broken|opening|failed|mic_)\w*)"', text)
    }
    asked |= {"lang", "page_title", "ramp", "near", "middle", "far", "out", "learner", "played_by"}
    assert asked == set(ENGLISH)


def test_the_words_say_what_to_beware_of_and_leave_the_rest_to_teacher_and_doctor() -> None:
    for word in ("ear", "rest", "hurts", "doctor", "teacher"):
        assert word in ENGLISH["care_text"].lower()


def test_only_the_mixes_that_everybody_gets_are_explained(track: Track) -> None:
    """A teacher's own mix may have the name of one of them and be another."""
    own = replace(track.sheet.mixes[0], levels=(("click", (0.0,)),))
    page = make_page(track.sheet, track.performance, (own, *track.sheet.mixes[1:]), track.audio).decode()
    assert '"mixes":[{"name":"backup turn","about":"","levels"' in page
    assert '{"name":"tune turn","about":"' + ENGLISH["about_tune turn"] in page


def test_placings_fade_pass_by_pass_as_the_sheets_mixes_do(track: Track) -> None:
    (text,) = [text for tag, attributes, text in read(track) if attributes.get("id") == "timeline"]
    placings = {mix["name"]: mix["levels"] for mix in json.loads(text)["mixes"]}
    assert placings["backup turn"] == {"melody": [0], "backup": [-6, -12, -18], "rhythm": [-6], "click": [-9]}
    assert placings["take turns"]["melody"] == [0, None, 0]
    assert placings["click alone"] == {"melody": [None], "backup": [None], "rhythm": [None], "click": [0]}
