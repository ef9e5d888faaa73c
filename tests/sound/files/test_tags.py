"""Tags, read back by mutagen and ffprobe. Source: ID3v2.4.0."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import mutagen
import mutagen.id3
import numpy as np
import pytest
import soundfile

from underbow.sound.files.encode import encode
from underbow.sound.files.tags import Tags

from .encoding import KINDS, RATE, music, probe

TITLES = [
    "Lamplight on the landing",
    "Łódź, Ærø & Ñandú",
    "Ελληνικός χορός",
    "Осенний вальс",
    "秋の舞曲",
    "שיר ערב",
    "ðə ♯♭ 🎻",
]


@pytest.mark.parametrize("title", TITLES)
@pytest.mark.parametrize("format_", ["flac", "ogg", "mp3"])
def test_mutagen_reads_tags_in_every_script(tmp_path: Path, format_: Any, title: str) -> None:
    tags = Tags(
        title=title, artist=title, album="Round", number=2, key="Am", tempo="♩ = 60 to 104", bpm=104, mix="together"
    )
    found = mutagen.File(encode(tmp_path / f"a.{format_}", [music(1)], rate=RATE, format=format_, tags=tags).path).tags
    comment = "Key: Am. Tempo: ♩ = 60 to 104. Mix: together"
    if format_ == "mp3":
        assert found.version == (2, 4, 0)
        names = {name: str(found[name]) for name in ("TIT2", "TPE1", "TALB", "TRCK", "TKEY", "TBPM", "TIT3")}
        assert names == {
            "TIT2": title,
            "TPE1": title,
            "TALB": "Round",
            "TRCK": "2",
            "TKEY": "Am",
            "TBPM": "104",
            "TIT3": "together",
        }
        assert found.getall("COMM")[0].text == [comment]
    else:
        assert [found[name][0] for name in ("title", "artist", "album", "tracknumber", "comment")] == [
            title,
            title,
            "Round",
            "2",
            comment,
        ]


@pytest.mark.parametrize(("format_", "bits"), KINDS)
def test_ffprobe_reads_title_and_comment(
    program: Callable[[str], str], tmp_path: Path, format_: Any, bits: Any
) -> None:
    tags = Tags(title="秋の舞曲", key="G", mix="take turns")
    found = probe(
        program, encode(tmp_path / f"a.{format_}", [music(1)], rate=RATE, format=format_, bits=bits, tags=tags).path
    )
    read = found["format"].get("tags") or found["streams"][0]["tags"]
    read = {name.lower(): value for name, value in read.items()}
    assert (read["title"], read["comment"]) == ("秋の舞曲", "Key: G. Mix: take turns")


def test_an_mp3s_sound_is_the_same_with_and_without_tags(tmp_path: Path) -> None:
    plain = encode(tmp_path / "a.mp3", [music()], rate=RATE, format="mp3").path
    tagged = encode(tmp_path / "b.mp3", [music()], rate=RATE, format="mp3", tags=Tags(title="x" * 5000)).path
    assert tagged.read_bytes().endswith(plain.read_bytes())
    assert np.array_equal(soundfile.read(plain)[0], soundfile.read(tagged)[0])
    assert str(mutagen.id3.ID3(tagged)["TIT2"]) == "x" * 5000


def test_control_characters_never_reach_a_tag() -> None:
    assert Tags(title="A\x00 \nreel\ud800").title == "A reel"


HOSTILE = "A\r\nARTIST=somebody\0TPE1\x1b[2J\u202e\u2028\x85z"
IN_A_LINE = "A ARTIST=somebodyTPE1[2J z"


@pytest.mark.parametrize(("format_", "bits"), KINDS)
def test_what_a_title_holds_makes_no_other_tag(
    program: Callable[[str], str], tmp_path: Path, format_: Any, bits: Any
) -> None:
    """In Vorbis comments a field is NAME=value, in ID3 a NUL parts values, in RIFF's INFO it ends one."""
    plain, hostile = (Tags(title=text, artist=text, album=text, number=1, key="G", mix=text) for text in ("A", HOSTILE))
    found = []
    for name, tags in (("plain", plain), ("hostile", hostile)):
        path = tmp_path / f"{name}.{format_}"
        seen = probe(program, encode(path, [music(1)], rate=RATE, format=format_, bits=bits, tags=tags).path)
        tags_ = seen["format"].get("tags") or seen["streams"][0]["tags"]
        found.append({key.lower(): value for key, value in tags_.items()})
    assert found[1].keys() == found[0].keys()
    assert {found[1][name] for name in ("title", "artist")} == {IN_A_LINE}
    assert found[1]["comment"] == f"Key: G. Mix: {IN_A_LINE}"
    if format_ != "wav":
        its, others = (mutagen.File(tmp_path / f"{name}.{format_}").tags for name in ("hostile", "plain"))
        assert sorted(its.keys()) == sorted(others.keys())
        values = [its[key].text if format_ == "mp3" else its[key] for key in its.keys()]  # noqa: SIM118  a list of pairs too
        assert [len(value) for value in values] == [1] * len(values)
