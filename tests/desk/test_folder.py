"""Nothing outside the folder, nothing half written, nothing of anybody's overwritten."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

import pytest

from underbow.desk.folder import ChangedElsewhereError, Folder
from underbow.errors import InputError, UnderbowError

from .conftest import HOME, Opened

OUTSIDE = [
    "..", "../secret.toml", "a/../../secret.toml", "/etc/passwd", "//etc/passwd", "./gateposts.toml", "a//b.toml", "a/./b.toml",
    "C:/windows/win.ini", "..\\secret.toml", "a\\b.toml", ".hidden.toml", "a/.hidden/b.toml", "", ".", "/", "a\x00.toml",
    "x\n.toml", "nul:stream", "~/a:b", "a" * 600, "/".join("abcdefgh"),
]  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_name_that_leads_out_is_none(lessons: Path, name: str) -> None:
    with pytest.raises(InputError, match="no file of this folder"):
        Folder(lessons).place(name)


@pytest.mark.parametrize(
    "name",
    [
        "%2e%2e%2fsecret.toml",
        "..%2fsecret.toml",
        "%2e%2e/secret.toml",
        "%2fetc%2fpasswd",
        "..%5csecret.toml",
        "a%00.toml",
    ],
)
def test_no_request_leads_out(desk: Opened, lessons: Path, name: str) -> None:
    (lessons.parent / "secret.toml").write_text('title = "secret"', "utf-8")
    for where in (
        f"/sheet/{name}",
        f"/sheet/{name}/version",
        f"/sheet/{name}/fingers?chord=G",
        f"/made/{name}",
        f"/page/{name}",
    ):
        answer = desk.get(where)
        assert answer.status_code in (400, 404), where
        assert "secret" not in answer.text.replace("secret.toml", "")
    for where in (
        f"/sheet/{name}/changes",
        f"/sheet/{name}/tune",
        f"/sheet/{name}/trial",
        f"/sheet/{name}/sound",
        f"/sheet/{name}/bow",
    ):
        answer = desk.post(
            where, {"version": "", "edits": [{"key": ["title"], "value": "x"}], "abc": "X:1", "rows": {}, "text": "x"}
        )
        assert answer.status_code in (400, 404, 409), where
    assert (lessons.parent / "secret.toml").read_text("utf-8") == 'title = "secret"'


def test_a_link_that_leads_out_is_neither_listed_nor_read_nor_written(desk: Opened, lessons: Path) -> None:
    secret = lessons.parent / "secret.toml"
    secret.write_text('title = "secret"\nabc = "X:1"', "utf-8")
    (lessons / "link.toml").symlink_to(secret)
    (lessons / "tune.abc").symlink_to("/etc/passwd")
    (lessons / "up").symlink_to(lessons.parent)
    (lessons / "round.toml").symlink_to("round.toml")
    (lessons / "asks.toml").write_text('title = "asks"\ntune = "tune.abc"', "utf-8")
    assert "secret" not in desk.get("/shelf").text
    for name in ("link.toml", "up/secret.toml", "round.toml"):
        assert desk.get(f"/sheet/{name}").status_code == 400
        answer = desk.post(f"/sheet/{name}/changes", {"version": "", "text": "x"})
        assert answer.status_code == 400
    shown = desk.sheet("asks.toml")
    assert "root:" not in str(shown)
    assert desk.post("/sheet/asks.toml/tune", {"version": shown["version"], "abc": "X:1\nK:G\nG4|"}).status_code == 400
    assert secret.read_text("utf-8").startswith('title = "secret"')


def test_a_lesson_is_served_apart_from_the_desk_and_nothing_else_is(desk: Opened, lessons: Path) -> None:
    made = lessons / "lessons" / "tuesday"
    made.mkdir(parents=True)
    (made / "page.html").write_text("<script>1</script>", "utf-8")
    (lessons / "lessons" / "tuesday.zip").write_bytes(b"PK")
    answer = desk.get("/made/tuesday/page.html")
    assert answer.headers["content-security-policy"].startswith(
        "sandbox allow-scripts"
    )  # no origin, so no cookie and no desk
    assert "allow-same-origin" not in answer.headers["content-security-policy"]
    assert desk.get("/made/tuesday.zip").headers["content-disposition"].startswith("attachment")
    for where in ("/made/../gateposts.toml", "/made/%2e%2e/gateposts.toml", "/made/tuesday", "/made/none.zip"):
        assert desk.get(where).status_code == 404


def test_a_file_that_changed_meanwhile_is_left_alone(lessons: Path) -> None:
    folder = Folder(lessons)
    seen = folder.read("gateposts.toml")
    (lessons / "gateposts.toml").write_bytes(b"theirs")
    with pytest.raises(ChangedElsewhereError, match="gateposts"):
        folder.write({"gateposts.toml": b"mine", "new.abc": b"x"}, {"gateposts.toml": seen, "new.abc": None})
    assert (lessons / "gateposts.toml").read_bytes() == b"theirs"
    assert not (lessons / "new.abc").exists()


def test_the_next_change_clears_away_what_a_killed_desk_left_and_leaves_no_lock(
    lessons: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    (lessons / "reels").mkdir()
    left = [home / ".underbow-0123456789ab.part" for home in (lessons, lessons / "reels")]
    for path in left:
        path.write_text("half")
    Folder(lessons).write({"new.toml": b"a", "reels/new.toml": b"b"}, {"new.toml": None, "reels/new.toml": None})
    assert not any(path.exists() for path in left)
    assert list(place.iterdir()) == []


def test_a_file_that_was_not_there_is_not_replaced(lessons: Path) -> None:
    (lessons / "new.toml").write_bytes(b"theirs")
    with pytest.raises(ChangedElsewhereError):
        Folder(lessons).write({"new.toml": b"mine"}, {"new.toml": None})
    assert (lessons / "new.toml").read_bytes() == b"theirs"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_that_can_only_be_read_says_so(lessons: Path) -> None:
    lessons.chmod(0o500)
    try:
        with pytest.raises(UnderbowError, match="allow writing in its properties"):
            Folder(lessons).write({"new.toml": b"x"}, {"new.toml": None})
    finally:
        lessons.chmod(0o700)


@pytest.mark.parametrize(
    ("number", "cure"),
    [
        (errno.ENOSPC, "the disk is full; delete something that you don't need any more"),
        (errno.EACCES, "the folder lets you read, but not write; allow writing in its properties"),
        (errno.EIO, "Input/output error"),
    ],
)
def test_what_cannot_be_saved_is_told_with_what_a_teacher_can_do_and_loses_nothing(
    number: int, cure: str, desk: Opened, lessons: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (lessons / "gateposts.toml").read_bytes()
    shown = desk.sheet("gateposts.toml")

    def full(*_: object) -> None:
        raise OSError(number, "Input/output error")

    monkeypatch.setattr(os, "fsync", full)
    answer = desk.post(
        "/sheet/gateposts.toml/changes", {"version": shown["version"], "edits": [{"key": ["title"], "value": "New"}]}
    )
    monkeypatch.undo()
    assert answer.status_code == 500
    said = answer.json()["problems"][0]["what"]
    assert said == f"gateposts.toml can't be saved: {cure}"
    assert (lessons / "gateposts.toml").read_bytes() == before
    assert (
        sorted(path.suffix for path in lessons.iterdir()) == [".abc"] * 5 + [".toml"] * 5
    )  # nothing half written stays
    assert desk.change("gateposts.toml", (["title"], "New"))["title"]["text"] == "New"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff" * 50,
        b"MThd" + b"\x00" * 40,
        b"<?xml version='1.0'?><a/>",
        b"PK\x03\x04" + b"\x00" * 99,
        b"%PDF-1.4",
        b"X:1\n",
    ],
)
@pytest.mark.parametrize("name", ["x.abc", "x.mid", "x.musicxml", "..%2f..%2fx.abc", "x.exe", "\x00", "C:\\x.mid"])
def test_a_book_that_is_none_says_so(desk: Opened, lessons: Path, data: bytes, name: str) -> None:
    before = sorted(lessons.rglob("*"))
    headers = {"Origin": HOME, "X-File-Name": name.replace("\x00", "%00")}
    answer = desk.client.post("/book", content=data, headers=headers)
    assert answer.status_code in (200, 400)
    if answer.status_code == 400:
        assert answer.json()["problems"][0]["what"]
    assert sorted(lessons.rglob("*")) == before
