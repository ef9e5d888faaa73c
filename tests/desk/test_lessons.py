"""What the page asks of a lesson reaches the one who makes it, and what is made comes back a click away."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from underbow.desk.folder import Folder
from underbow.desk.lessons import Making
from underbow.jobs.gather import gather
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions

from .conftest import Opened

TUNE = 'X:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]\n'


@pytest.mark.parametrize(
    ("asked", "made"), [("", None), ("phone", VideoOptions()), ("screen", VideoOptions(wide=True)), ([1], None)]
)
def test_a_video_is_made_where_it_is_chosen(
    asked: object, made: VideoOptions | None, desk: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    monkeypatch.setattr(
        "underbow.desk.lessons.Lessons.begin", lambda self, names, title, options, video: seen.append(video) or "key"
    )
    answer = desk.post("/lessons", {"sheets": ["gateposts.toml"], "title": "", "video": asked})
    assert answer.json() == {"lesson": "key"}
    assert seen == [made]


def test_what_breaks_off_because_the_desk_ends_is_stopped_and_anything_else_is_told(
    lessons: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an interpreter ends, it begins no more threads: a lesson that is still being made comes upon that."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("cannot schedule new futures after interpreter shutdown")

    monkeypatch.setattr("underbow.desk.lessons.make_lesson", broken)
    gathered = gather([lessons / "gateposts.toml"], LessonOptions())
    ended, going_on = Making("a"), Making("b")
    ended.stop()
    ended.run(Folder(lessons), gathered)
    assert (ended.state, ended.what) == ("stopped", "")
    with pytest.raises(RuntimeError):
        going_on.run(Folder(lessons), gathered)
    assert going_on.state == "failed"


def test_the_video_lies_beside_the_zip(desk: Opened, lessons: Path) -> None:
    (lessons / "short.toml").write_text(
        f'title = "Short"\nabc = """{TUNE}"""\npattern = "saw"\n[tempo]\nstart = 200\ngoal = 200\npasses = 1\ncount_in = 1\n'
    )
    key = desk.post("/lessons", {"sheets": ["short.toml"], "title": "Short", "video": "phone"}).json()["lesson"]
    making = desk.desk.lessons.get(key)
    assert making is not None
    end = time.monotonic() + 300
    while making.state == "making" and time.monotonic() < end:
        time.sleep(0.1)
    assert (making.state, making.what) == ("made", "")
    kinds = {file["kind"]: file["path"] for file in making.files}
    assert kinds.keys() == {"zip", "handout", "page", "video"}
    served = desk.get(f"/made/{kinds['video']}")
    assert served.status_code == 200
    assert served.headers["content-type"] == "video/mp4"
    assert served.headers["content-disposition"].startswith("attachment")
    assert served.content[4:8] == b"ftyp"
