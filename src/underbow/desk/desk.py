"""The desk itself: what the page can ask for, in the page's words, plain data in and out.

Every method may raise InputError (what was asked can't be), UnderbowError (it failed) or ElsewhereError (somebody else has
changed the files); nothing is half done then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from starlette.responses import FileResponse, PlainTextResponse, Response

from underbow.desk import begin
from underbow.desk.folder import Folder
from underbow.desk.guard import HANDED_OUT
from underbow.desk.hear.passes import Passes
from underbow.desk.hear.prompt import Hurried
from underbow.desk.hear.ready import Ready
from underbow.desk.hear.stream import Asked, listen
from underbow.desk.hear.voices import RATE, Voices
from underbow.desk.lessons import HOME, Lessons
from underbow.desk.news import Underway
from underbow.desk.paper import bow
from underbow.desk.paper.book import page_of
from underbow.desk.paper.drawing import NARROW, WIDE, staff
from underbow.desk.paper.edits import read_edits
from underbow.desk.paper.reading import read_as_text, read_trial
from underbow.desk.paper.rekey import rekeyed
from underbow.desk.paper.view import choices, problems_shown, version
from underbow.desk.played.laid import read_lines
from underbow.desk.played.melodies import Melodies
from underbow.desk.played.tape import Arrived
from underbow.desk.played.writings import Writings
from underbow.desk.shelf import Shelf, shown
from underbow.desk.store import Store
from underbow.desk.takes import Takes
from underbow.errors import InputError
from underbow.fiddle.pattern import read_pattern
from underbow.lesson.options import LessonOptions
from underbow.lesson.print.staff import staff_tune
from underbow.lesson.video.options import VideoOptions
from underbow.sound.options import RenderOptions
from underbow.track.sheet.model import Sheet

__all__ = ["Desk"]

MOST_TUNE = 1_000_000  # characters
MOST_TUNES = 200  # of a book that become sheets at once
_LEVELS = {
    "melody": 0.0,
    "backup": -3.0,
    "rhythm": -6.0,
    "click": -9.0,
    "drone": -15.0,
}  # at which the gain is estimated


@dataclass(slots=True)
class Desk:
    """A teacher's folder, open.

    Parameters
    ----------
    folder : Folder
    voices : Voices
    on_close : callable
        What ends the program.
    prepares : bool
        Whether what will be heard is made ready as soon as a sheet is shown.
    """

    folder: Folder
    voices: Voices = field(default_factory=Voices)
    on_close: Callable[[], None] = lambda: None
    prepares: bool = True
    store: Store = field(init=False)
    shelf_: Shelf = field(init=False)
    lessons: Lessons = field(init=False)
    takes: Takes = field(init=False)
    melodies: Melodies = field(init=False)
    writings: Writings = field(default_factory=Writings)
    _books: dict[str, begin.Book] = field(default_factory=dict)
    _passes: Passes = field(default_factory=lambda: Passes(RATE))
    _ready: Ready = field(init=False)

    def __post_init__(self) -> None:
        self.store, self.shelf_, self.lessons = Store(self.folder), Shelf(self.folder), Lessons(self.folder)
        self._ready = Ready(self._sheet, self.voices, self._passes, _LEVELS)
        self.takes = Takes(self.folder, self.voices.kind)
        self.melodies = Melodies(self.folder)

    # the shelf

    def shelf(self) -> dict[str, Any]:
        """Give the folder's name, its sheets as small papers, and which were put away."""
        papers = [shown(paper) for paper in self.shelf_.papers()]
        if self.prepares:
            self._ready.warm()
        away = [{"name": paper["name"], "title": paper["title"]} for paper in self.shelf_.papers(away=True)]
        return {"folder": self.folder.path.name or str(self.folder.path), "sheets": papers, "away": away}

    def shelf_chords(self) -> dict[str, Any]:
        """Read the tunes of some sheets that wait for it; give their papers, and how many wait still."""
        papers, waiting = self.shelf_.work_out()
        return {"sheets": [shown(paper) for paper in papers], "waiting": waiting}

    def begin(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Make a new sheet: ``{"abc"}``, ``{"chords", "meter", "dance"}``, ``{"written", "title"}`` or ``{"book", "tune"}``.

        With ``{"book", "tunes"}`` one of each; give all ``names``, and in ``problems`` those tunes that can't be read.
        """
        if isinstance(wanted.get("tunes"), list):
            return self._begin_several(wanted)
        if isinstance(wanted.get("abc"), str):
            new = begin.from_tune(self.folder, wanted["abc"][: MOST_TUNE + 1])
        elif isinstance(wanted.get("chords"), str):
            new = begin.from_chords(
                self.folder, wanted["chords"][:2000], str(wanted.get("meter") or ""), str(wanted.get("dance") or "")
            )
        elif isinstance(wanted.get("written"), str):
            new = begin.from_tune(self.folder, self.writings.text(wanted["written"], str(wanted.get("title") or "")))
        else:
            new = begin.from_tune(self.folder, self._of_book(wanted))
        self.store.begin(new.name, new.files)
        return {"name": new.name}

    def _begin_several(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        if not 0 < len(wanted["tunes"]) <= MOST_TUNES:
            raise InputError(f"choose some tunes of the book, {MOST_TUNES} at most")
        names: list[str] = []
        problems: list[str] = []
        for text in [self._of_book({**wanted, "tune": tune}) for tune in wanted["tunes"]]:
            try:
                new = begin.from_tune(self.folder, text)
            except InputError as wrong:
                problems += [str(fault) for fault in wrong.faults]
                continue
            self.store.begin(new.name, new.files)
            names.append(new.name)
        if not names:
            raise InputError(*problems)
        return {"names": names, "problems": problems}

    def write_down(self, arrived: Arrived, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Write a tune down from a recording (``{"meter", "recorded"}``: kept, for it was made here); give its key."""
        with arrived.kept_open():
            recorded = wanted.get("recorded") is True
            kept = self.folder.add("recording", arrived.path.suffix, arrived.path) if recorded else None
            return {"listening": self.writings.begin(arrived, wanted), "kept": kept}

    def book(self, name: str, data: bytes) -> dict[str, Any]:
        """Open a file of tunes; give a key for it and its list."""
        book = begin.open_book(Path(name.replace("\\", "/")).name[:200] or "tune.abc", data)
        key = str(len(self._books) + 1)
        self._books = {key: book}  # the latest alone is kept
        return {"book": key, "tunes": [[number, title] for number, title in book.tunes]}

    def book_tune(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Give the text of a tune of the book that is open (``{"book", "tune"}``)."""
        return {"abc": self._of_book(wanted)}

    def put(self, name: str, way: str) -> dict[str, Any]:
        """Put a copy beside a sheet (``copy``), take it off the shelf (``away``), or put it ``back`` there."""
        ways = {"copy": self.shelf_.copy, "away": self.shelf_.put_away, "back": self.shelf_.put_back}
        if way not in ways:
            raise InputError("copy, away or back")
        return ways[way](name)

    def _of_book(self, wanted: Mapping[str, Any]) -> str:
        book, tune = self._books.get(str(wanted.get("book"))), wanted.get("tune")
        if book is None or not isinstance(tune, int) or not 0 <= tune < len(book.texts):
            raise InputError("choose a tune of the book")
        return book.texts[tune]

    # one sheet

    def show(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Lay a sheet out (``{"narrow"}``: for a narrow paper)."""
        shown = self.store.show(name, narrow=bool(wanted.get("narrow")))
        if self.prepares:
            self._ready.begin(name)
        return shown

    def version(self, name: str) -> dict[str, Any]:
        """Say which state of a sheet the folder holds."""
        return {"version": version(read_as_text(self.folder, name))}

    def change(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Write ``{"version", "edits"}``, or the sheet's own ``{"version", "text"}``; give the sheet as it is then."""
        seen = str(wanted.get("version"))
        if isinstance(wanted.get("text"), str):
            self.store.write(name, seen, {name: wanted["text"]})
        else:
            edits = list(read_edits(wanted.get("edits")))
            for edit in [edit for edit in edits if edit.path == ("key",)]:
                edits.remove(edit)
                key = edit.value if isinstance(edit.value, str) else None
                edits += rekeyed(self.folder, self.store.read(name), key)
            self.store.change(name, seen, edits)
        return self.show(name, wanted)

    def tune(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Write the tune (``{"version", "abc"}``); give the sheet as it is then."""
        abc = wanted.get("abc")
        if not isinstance(abc, str) or len(abc) > MOST_TUNE:
            raise InputError("a tune's text is needed, of a million characters at most")
        self.store.change_tune(name, str(wanted.get("version")), abc)
        return self.show(name, wanted)

    def trial(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Engrave a tune that is still being typed (``{"abc", "narrow"}``); nothing is written."""
        abc = wanted.get("abc")
        if not isinstance(abc, str) or len(abc) > MOST_TUNE:
            raise InputError("a tune's text is needed, of a million characters at most")
        book = page_of(read_as_text(self.folder, name))
        reading = read_trial(self.folder, name, book.with_text(abc))
        drawn = ""
        if reading.sheet is not None:
            drawn = staff(staff_tune(reading.sheet), NARROW if wanted.get("narrow") else WIDE)
        return {"staff": drawn, "problems": problems_shown(reading, book.before.lstrip("\n").count("\n"))}

    def move(self, name: str, way: Literal["back", "forth"], wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Take the last change back, or do it again; give the sheet as it is then."""
        if way not in ("back", "forth"):
            raise InputError("back or forth")
        self.store.move(name, way)
        return self.show(name, wanted)

    def fingers(self, name: str, chord: str) -> dict[str, Any]:
        """Draw the shapes that a chord may take."""
        return {"choices": choices(self._sheet(name), chord[:30])}

    def bowings(self, name: str) -> dict[str, Any]:
        """Draw the patterns that can be laid under a sheet's tune."""
        sheet = self._sheet(name)
        own: list[dict[str, Any]] = []
        for file in self.folder.names(".toml"):
            if len(own) < 30 and (found := self._own_bowing(file, sheet)):
                own.append(found)
        return {"bowings": [*own, *bow.fitting(sheet.tune.meter, sheet.tune.rhythm)]}

    def _own_bowing(self, file: str, sheet: Sheet) -> dict[str, Any] | None:
        """Draw a pattern of the folder, if it is one and lies beside the sheet."""
        try:
            data = self.folder.read(file)
            if b"bow" not in data or b"accent" not in data:
                return None
            pattern = read_pattern(data.decode("utf-8-sig"), file)
            return bow.drawn(pattern.fitted(sheet.tune.meter), file) if pattern.suits(sheet.tune.meter) else None
        except (InputError, UnicodeDecodeError):
            return None

    def try_bow(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Draw rows that are being changed, or say why the bow can't do them."""
        return bow.tried(bow.read_rows(wanted.get("rows")), narrow=bool(wanted.get("narrow")))

    def keep_bow(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Keep rows as a pattern file and let the sheet play it (``{"version", "rows", "title", "section"}``)."""
        sheet = self._sheet(name)
        rows, title = bow.read_rows(wanted.get("rows")), str(wanted.get("title") or "")[:100]
        section = wanted.get("section") if isinstance(wanted.get("section"), str) else None
        now = (
            sheet.pattern(section) if section in dict(sheet.patterns) and section is not None else sheet.patterns[0][1]
        )
        like = {"beat": now.tempo.beat, "low": now.tempo.low, "high": now.tempo.high}
        file = wanted.get("file")
        if not (isinstance(file, str) and file.endswith(".toml") and "/" not in file):
            file = self.folder.free_name(title or "my bowing", ".toml")
        self.store.keep_pattern(name, str(wanted.get("version")), file, section, bow.pattern_text(title, rows, like))
        return self.show(name, wanted)

    def _sheet(self, name: str) -> Sheet:
        reading = self.store.read(name)
        if reading.sheet is None:
            raise InputError(*(problem.what for problem in reading.problems))
        return reading.sheet

    # hearing

    def hear(self, name: str, wanted: Mapping[str, Any]) -> Iterator[bytes]:
        """Stream ``{"bar", "time", "pass", "around", "counted"}``, or two bars of a bowing (``rows`` or ``pattern``)."""
        reading = self.store.read(name)
        if reading.sheet is None:
            raise InputError(*(problem.what for problem in reading.problems))
        sheet, asked = reading.sheet, Asked.read(wanted, reading.until)
        melody = self.melodies.sounding(name, sheet, read_lines(wanted.get("lines")))
        sheet, recorded = (sheet, None) if melody is None else (melody.sheet, melody.recorded)
        if "rows" in wanted or "pattern" in wanted:
            sheet = bow.trial_sheet(sheet, wanted)
            asked = Asked(bar=1, number=asked.number, parts=("backup", "click"), bars=bow.TRIAL_BARS)
        if asked.number > sheet.ramp.passes:
            asked = replace(asked, number=sheet.ramp.passes)
        self._ready.still()
        voice = Hurried(self.voices.voice(sheet))
        return listen(sheet, voice, asked, lambda: self._ready.gain(name), self._passes, recorded)

    # a recording as the melody

    def listening(self, key: str) -> Underway | None:
        """Give what is being listened to, by its key."""
        return self.melodies.progress(key) or self.writings.get(key)

    def leave(self, key: str) -> None:
        """Listen to it no longer."""
        self.melodies.leave(key)
        writing = self.writings.get(key)
        if writing is not None:
            writing.give_up()

    def recording(self, name: str) -> dict[str, Any]:
        """Say how a sheet's recording lies on its tune, as far as that is known."""
        sheet = self.store.read(name).sheet
        return {"state": "none"} if sheet is None else self.melodies.state(name, sheet)

    def hand_in(self, name: str, arrived: Arrived, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Listen to a recording of a sheet's tune (``{"recorded"}``: made here); give the key of the listening."""
        with arrived.kept_open():
            return self.melodies.hand_in(name, self._sheet(name), arrived, recorded=wanted.get("recorded") is True)

    def put_recording(self, name: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Let a recording that was listened to play the melody (``{"version", "listening", "by"}``); give the sheet."""
        key, by = str(wanted.get("listening")), str(wanted.get("by") or "")[:100]
        self.store.change(name, str(wanted.get("version")), self.melodies.put(name, self._sheet(name), key, by))
        self.melodies.settle(name, self._sheet(name), key)
        return self.show(name, wanted)

    # takes

    def take(self, name: str, arrived: Arrived, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Hold a recording against a sheet, and keep it beside the sheet where it was made here."""
        with closing(arrived):
            return self.takes.judge(name, self._sheet(name), arrived, wanted)

    def history(self, name: str, wanted: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Say what is remembered of a sheet's takes; ``{"remember": page}`` adds one, ``{"forget": true}`` takes all away."""
        sheet = self._sheet(name)
        if wanted and isinstance(wanted.get("remember"), str):
            return self.takes.remember(name, sheet, wanted["remember"])
        return (
            self.takes.forget(name, sheet)
            if wanted and wanted.get("forget") is True
            else self.takes.history(name, sheet)
        )

    def heard(self, path: str) -> Response:
        """Serve a page on a take that this run has made."""
        if not self.takes.has_page(path):
            return PlainTextResponse("no such page", 404)
        headers = {"Content-Security-Policy": HANDED_OUT}
        return FileResponse(self.folder.place(path), headers=headers, content_disposition_type="inline")

    # lessons

    def make_lesson(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Begin a lesson (``{"sheets", "title", "paper", "video"}``); give its key."""
        names = wanted.get("sheets")
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names) or len(names) > 200:
            raise InputError("choose the sheets of the lesson")
        options = LessonOptions(
            RenderOptions(formats=("mp3",), voices=self.voices.kind, mono=True),
            "us-letter" if wanted.get("paper") == "letter" else "a4",
        )
        videos = {"phone": VideoOptions(), "screen": VideoOptions(wide=True)}
        video = videos.get(str(wanted.get("video")))
        return {"lesson": self.lessons.begin(names, str(wanted.get("title") or ""), options, video)}

    def made(self, path: str) -> Response:
        """Serve a file of a lesson that was made."""
        try:
            found = self.folder.place(f"{HOME}/{path}")
        except InputError:
            return PlainTextResponse("no such file", 404)
        if not found.is_file():
            return PlainTextResponse("no such file", 404)
        shown = found.suffix.lower() in {".html", ".pdf", ".txt"}
        headers = {"Content-Security-Policy": HANDED_OUT if found.suffix.lower() == ".html" else "default-src 'none'"}
        if found.suffix.lower() == ".pdf":
            headers = {"Content-Security-Policy": "frame-ancestors 'none'"}
        return FileResponse(
            found, headers=headers, filename=found.name, content_disposition_type="inline" if shown else "attachment"
        )

    def stop(self) -> None:
        """Stop whatever is on its way."""
        self.lessons.stop()
        self.melodies.stop()
        self.writings.stop()
        self._ready.close()
        self.voices.close()

    def close(self) -> None:
        """End the desk."""
        self.stop()
        self.on_close()
