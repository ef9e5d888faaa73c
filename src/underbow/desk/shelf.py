"""The shelf: the folder's sheets at a glance, without reading any of them whole; a copy of one, and putting one away.

A thousand sheets are looked at within a second: of a tune's file only the headings and the chords written over the notes are
taken, and what hasn't changed since the last time isn't opened again. Where a tune has no chords, or doesn't say its meter, the
tune has to be read and its chords found: that is done afterwards, a few sheets at a time, while the shelf is looked at, and
kept for the next time that the desk is started.

Nothing is ever deleted: what is taken off the shelf lies in the folder ``put away``, and comes back to where it was.
"""

from __future__ import annotations

import hashlib
import re
import time
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from threading import Lock
from typing import Any

from underbow.desk.folder import AWAY, Folder
from underbow.desk.kept import Kept
from underbow.desk.paper.edits import Edit, edited
from underbow.errors import InputError
from underbow.fiddle.pattern import Pattern, default_pattern, find_pattern
from underbow.jobs.versions import versions
from underbow.tables import is_pattern
from underbow.text import signs
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.track.sheet.ramp import ramp_of
from underbow.track.sheet.table import checked
from underbow.track.sheet.tune import Source, tune_of
from underbow.tune.abc.encoding import decoded
from underbow.tune.abc.fields import plain_text
from underbow.tune.bars import printed_numbers
from underbow.tune.harmony.harmonise import harmonise
from underbow.tune.tune import Tune

__all__ = ["Shelf"]

_FIELD = re.compile(r"^([A-Za-z]):[ \t]*(.*?)[ \t]*(?:(?<!\\)%.*)?$", re.MULTILINE)
_CHORD = re.compile(r'"([A-G][#b♯♭]?(?:m|min|maj|dim|aug|sus|add|[0-9(])?[^"\s]{0,8})"')
_SYMBOL = re.compile(r"[A-G][#b♯♭]?[A-Za-z0-9#+()/°ø-]*")
MOST_STAIRS = 40
MOST_CHORDS = 24


@dataclass(slots=True)
class Shelf:
    """The sheets of a folder, as small papers.

    A paper is a dict of ``name title key meter dance chords stairs``; ``readable``, whether it is TOML; and ``waiting``, whether
    its tune has to be read for the rest.

    Parameters
    ----------
    folder : Folder
    kept : Kept
        What was found out about tunes before.
    """

    folder: Folder
    kept: Kept = field(default_factory=Kept.usual)
    _known: dict[str, tuple[tuple[int, ...], dict[str, Any]]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def papers(self, *, away: bool = False) -> list[dict[str, Any]]:
        """Give every sheet, by title.

        Parameters
        ----------
        away : bool
            Those that were put away instead of those on the shelf.
        """
        with self._lock:
            entries = self.folder.entries(".toml", ".abc", ".txt", away=away)
            stamps = {name: (stat.st_mtime_ns, stat.st_size) for name, stat in entries}
            out = []
            for name in stamps:
                if name.lower().endswith(".toml"):
                    paper = self._paper(name, stamps)
                    if paper:
                        out.append(paper)
            self._known = {name: kept for name, kept in self._known.items() if name in stamps or _is_away(name) != away}
        return sorted(out, key=lambda paper: (paper["title"].casefold(), paper["name"]))

    def work_out(self, seconds: float = 0.2) -> tuple[list[dict[str, Any]], int]:
        """Read the tunes of sheets that wait for it; give their papers, and how many sheets wait still.

        Parameters
        ----------
        seconds : float
            After so long, the sheet in hand is the last one.
        """
        end = time.monotonic() + seconds
        with self._lock:
            waiting = [(name, *known) for name, known in self._known.items() if known[1]["waiting"]]
        out = []
        for name, stamp, paper in waiting:
            whole = paper | {"waiting": False} | self._worked_out(name, paper.get("_tune", ""))
            with self._lock:
                if self._known.get(name) == (stamp, paper):
                    self._known[name] = (stamp, whole)
            out.append(whole)
            if time.monotonic() > end:
                break
        return out, len(waiting) - len(out)

    def _worked_out(self, name: str, tune: str) -> dict[str, Any]:
        """Give what the paper has when its tune was read: as it was found before, where sheet, tune and program are the same."""
        try:
            texts = [self.folder.read(file) for file in (name, tune) if file]
        except InputError:
            return {}
        code = dict(versions(fluidsynth=False))["code"]
        key = hashlib.sha256(repr((code, texts)).encode()).hexdigest()[:40]
        found = self.kept.get(key)
        if found is None:
            found = _worked_out(self.folder, name)
            self.kept.keep(key, found)
        return found

    def copy(self, name: str) -> dict[str, Any]:
        """Put a copy beside a sheet, which shares its tune's file; give its ``name`` and ``title``, and the ``tune`` they share.

        Raises
        ------
        InputError, UnderbowError
            Where there is no such sheet, or it can't be read or written.
        """
        papers = self.papers()
        paper = _of(papers, name)
        if not paper["readable"]:
            raise InputError(f"{paper['title']} can't be read; open it to see why")
        titles = {one["title"].casefold() for one in papers}
        base = re.sub(r", copy( \d+)?$", "", paper["title"])
        numbered = (f"{base}, copy{'' if number == 1 else f' {number}'}" for number in count(1))
        title = next(title for title in numbered if title.casefold() not in titles)
        above, slash, _ = name.rpartition("/")
        text = edited(self.folder.read(name).decode("utf-8-sig"), [Edit(("title",), title)])
        new = self.folder.free_name(title, ".toml", above + slash)
        self.folder.write({new: text.encode()}, {new: None})
        return {"name": new, "title": title, "tune": paper.get("_tune", "")}

    def put_away(self, name: str) -> dict[str, Any]:
        """Take a sheet off the shelf; give its new ``name`` and ``title``.

        Its tune and its recording go with it, unless another sheet has them too, and the takes that were recorded with it.

        Raises
        ------
        InputError, UnderbowError
            Where there is no such sheet, or it can't be moved.
        """
        papers = self.papers()
        paper = _of(papers, name)
        others = [one for one in [*papers, *self.papers(away=True)] if one is not paper]
        needed = {file.removeprefix(f"{AWAY}/") for one in others for file in _files(one)}
        own = [file for file in _files(paper) if file != paper["_tune"] or not self._is_of_book(name)]
        if not all(one["readable"] for one in others):  # who knows what those play
            own, needed = [], {*needed, *self._takes(name)}
        names = [name, *(file for file in dict.fromkeys([*own, *self._takes(name)]) if file not in needed)]
        self.folder.move({file: f"{AWAY}/{file}" for file in names if self._is_there(file)})
        return {"name": f"{AWAY}/{name}", "title": paper["title"]}

    def put_back(self, name: str) -> dict[str, Any]:
        """Put a sheet back to where it was on the shelf, with what went with it; give its ``name`` there.

        Raises
        ------
        InputError, UnderbowError
            Where it wasn't put away, its place is taken, or it can't be moved.
        """
        paper = _of(self.papers(away=True), name)
        names = dict.fromkeys([name, *_files(paper), *self._takes(name)])
        self.folder.move(
            {file: file.removeprefix(f"{AWAY}/") for file in names if _is_away(file) and self._is_there(file)}
        )
        return {"name": name.removeprefix(f"{AWAY}/")}

    def _takes(self, name: str) -> list[str]:
        """Give the takes that were recorded with a sheet and what was said of them: they have its name and a number."""
        above, slash, file = name.rpartition("/")
        own = re.compile(rf"{re.escape(file.rpartition('.')[0])}-take-\d+\.(?!toml|abc|txt)\w+")
        found = self.folder.place(name).parent.iterdir()
        return sorted(above + slash + path.name for path in found if own.fullmatch(path.name))

    def _is_there(self, name: str) -> bool:
        try:
            return self.folder.place(name).is_file()
        except InputError:
            return False

    def _is_of_book(self, name: str) -> bool:
        """Whether a sheet's tune is one among others in its file."""
        return "number" in _table(self.folder, name)

    def _paper(self, name: str, stamps: Mapping[str, tuple[int, int]]) -> dict[str, Any]:
        known = self._known.get(name)
        tune = known[1].get("_tune", "") if known else ""
        if known is not None and known[0] == (*stamps[name], *stamps.get(tune, ())):
            return known[1] if known[1].get("title") else {}
        paper = self._look(name)
        stamp = (*stamps[name], *stamps.get(paper.get("_tune", ""), ()))
        self._known[name] = (stamp, paper)
        return paper if paper.get("title") else {}

    def _look(self, name: str) -> dict[str, Any]:
        try:
            table = _table(self.folder, name)
        except (InputError, ValueError, RecursionError):
            return _plain(name, readable=False)
        if is_pattern(table):
            return {"waiting": False}
        return _described(name, table, *self._tune(name, table))

    def _tune(self, name: str, table: Mapping[str, Any]) -> tuple[str, str]:
        """Give the name and the text of a sheet's tune, as far as it can be looked at."""
        written = table.get("tune")
        if not isinstance(written, str):
            return "", str(table.get("abc") or "")
        above, slash, _ = name.rpartition("/")
        tune = above + slash + written
        if not tune.lower().endswith((".abc", ".txt")):
            return tune, ""
        try:
            text = decoded(self.folder.read(tune))
        except InputError:
            return tune, ""
        number = table.get("number")
        return tune, _one_of(text, number) if isinstance(number, int) else text


def _files(paper: Mapping[str, Any]) -> list[str]:
    """Give the names of the files beside a sheet that it plays from."""
    return [paper[key] for key in ("_tune", "_recording") if paper.get(key)]


def _is_away(name: str) -> bool:
    return name.startswith(f"{AWAY}/")


def _of(papers: Sequence[dict[str, Any]], name: str) -> dict[str, Any]:
    found = next((paper for paper in papers if paper["name"] == name), None)
    if found is None:
        raise InputError(f"no sheet of that name is there any more: {name[:80]!r}")
    return found


def _one_of(text: str, number: int) -> str:
    """Cut the tune of a number out of a book."""
    found = re.search(rf"^X:\s*{number}\s*$(.*?)(?=^X:|\Z)", text, re.MULTILINE | re.DOTALL)
    return found[0] if found else text


def _plain(name: str, *, readable: bool) -> dict[str, Any]:
    stem = name.rpartition("/")[2].rpartition(".")[0]
    return {
        "name": name,
        "title": stem,
        "key": "",
        "meter": "",
        "dance": "",
        "chords": [],
        "stairs": [],
        "readable": readable,
        "waiting": False,
    }


def shown(paper: Mapping[str, Any]) -> dict[str, Any]:
    """Give what the page shows of a small paper."""
    return {key: value for key, value in paper.items() if not key.startswith("_")}


def _worked_out(folder: Folder, name: str) -> dict[str, Any]:
    """Read a sheet's tune, and find chords where it has none; give what the paper then has, nothing where it can't be read."""
    try:
        written = _table(folder, name)
        table, _ = checked(written, name)
        if table.tune is None and table.abc is None and table.compose is None:
            return {}
        key = Key.parse(table.key) if table.key is not None else None
        tune = tune_of(Source(table, folder.place(name).parent, name, None, key, None, None))
        chords = _chords(tune, table.changes)
    except (InputError, ValueError, RecursionError):
        return {}
    return {
        "key": f"{signs(str(tune.key.tonic))} {tune.key.mode}",
        "meter": str(tune.meter),
        "dance": tune.rhythm.lower()[:40],
        "chords": chords,
        "stairs": _stairs(written, tune.meter, tune.rhythm),
    }


def _table(folder: Folder, name: str) -> dict[str, Any]:
    return tomllib.loads(folder.read(name).decode("utf-8-sig").replace("\r\n", "\n"))


def _chords(tune: Tune, changes: Mapping[str, str]) -> list[str]:
    """Name the chords of a tune, suggested where it has none, in the order of its bars; decided bars have their own."""
    numbers = printed_numbers(tune)
    if any(span.chord for measure in tune.measures for span in measure.chords):
        bars = [(numbers[index], measure.chords) for index, measure in enumerate(tune.measures)]
    else:
        bars = [(numbers[bar.measure], bar.spans) for bar in harmonise(tune).bars]
    found: list[str] = []
    for number, spans in bars:
        own = changes.get(str(number))
        found += _SYMBOL.findall(own) if own is not None else [str(span.chord) for span in spans if span.chord]
    return [signs(chord) for chord in dict.fromkeys(found)][:MOST_CHORDS]


def _described(name: str, table: Mapping[str, Any], tune: str, text: str) -> dict[str, Any]:
    fields: dict[str, str] = {}
    for letter, value in _FIELD.findall(text[:20_000]):
        fields.setdefault(letter, value)
        if letter == "K":
            break
    title = table.get("title") if isinstance(table.get("title"), str) else plain_text(fields.get("T", ""))
    progression = table.get("progression")
    changes = table.get("changes")
    written = [progression] if isinstance(progression, str) else _CHORD.findall(text)
    recording = table.get("recording")
    played = recording.get("file") if isinstance(recording, dict) else None
    bare = not written and "compose" not in table
    if isinstance(changes, dict):
        written += [one for one in changes.values() if isinstance(one, str)]
    chords = dict.fromkeys(signs(one) for line in written for one in _SYMBOL.findall(line))
    key, meter = _key(table, fields), _meter(table, fields)
    return _plain(name, readable=True) | {
        "title": " ".join(str(title or "").split())[:200] or name.rpartition("/")[2].rpartition(".")[0],
        "key": key,
        "meter": "" if meter is None else str(meter),
        "dance": plain_text(fields.get("R", "")).lower()[:40],
        "chords": list(chords)[:MOST_CHORDS],
        "stairs": _stairs(table, meter, fields.get("R", "")),
        "waiting": bare or meter is None,
        "_tune": tune,
        "_recording": f"{name[: name.rfind('/') + 1]}{played}" if isinstance(played, str) else "",
    }


def _key(table: Mapping[str, Any], fields: Mapping[str, str]) -> str:
    for written in (
        table.get("key"),
        fields.get("K", "").partition(" ")[0] if " " in fields.get("K", "") else None,
        fields.get("K"),
    ):
        if isinstance(written, str) and written:
            try:
                key = Key.parse(written)
            except ValueError:
                continue
            return f"{signs(str(key.tonic))} {key.mode}"
    return ""


def _meter(table: Mapping[str, Any], fields: Mapping[str, str]) -> Meter | None:
    written = table.get("meter") if isinstance(table.get("meter"), str) else fields.get("M")
    if written is None and "compose" in table:
        pattern = _pattern(table)
        return pattern.grid.meter if pattern else Meter((4,), 4)
    try:
        return Meter.parse(written) if written else None
    except ValueError:
        return None


def _pattern(table: Mapping[str, Any]) -> Pattern | None:
    written = table.get("pattern")
    if isinstance(written, dict):
        written = next(iter(written.values()), None)
    if not isinstance(written, str) or written.lower().endswith(".toml"):
        return None
    try:
        return find_pattern(written)
    except InputError:
        return None


def _stairs(table: Mapping[str, Any], meter: Meter | None, dance: str) -> list[int]:
    """The tempos of the ramp, from the slowest."""
    if meter is None:
        return []
    model, _ = checked({"tempo": table["tempo"]} if "tempo" in table else {}, "")
    try:
        pattern = _pattern(table) or default_pattern(meter, dance.lower())
        ramp = ramp_of(model.tempo, meter, pattern.fitted(meter))
    except InputError:
        return []
    return [round(tempo.count) for tempo in ramp.tempos][:MOST_STAIRS]
