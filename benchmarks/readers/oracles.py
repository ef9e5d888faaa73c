"""The readers compared: ours, abc2midi (Debian's abcmidi), abcnotes and music21, each giving the notes it would play.

Every reader gives a list of (onset, pitch, length) in quarter notes, sorted; an exception counts as no answer.

What has to be evened out, or the figures measure the harness instead of the readers: abc2midi starts the notes of a chord
10 ticks apart, plays trills and rolls as extra notes, swings hornpipes, loses a broken rhythm before a staccato dot and reads
quoted words; so its text is cleaned of ornaments, dots, words and the R: line first. Graces are left out everywhere.
"""

from __future__ import annotations

import re
import struct
import subprocess
import tempfile
import warnings
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import abcnotes as reader

from underbow.tune.abc.reader import read_abc
from underbow.tune.written_out import write_out

Notes = list[tuple[float, int, float]]
_STRING = re.compile(r'"[^"\n]*"')
_MARK = re.compile(r"![^!\s|\[\]:]*!")
_SHORT = re.compile(r"\.(?=[\^_=A-Ga-g(\[{~TuvH-S])|[~H-Wh-w](?![:\]])")


def ours(text: str) -> Notes:
    (tune,) = read_abc(text, jumps=False)
    melody = write_out(tune, exact=True)
    return sorted(
        (float(note.start), pitch.midi, float(note.length))
        for note in melody.notes
        for pitch in (note.pitch, *note.under)
    )


def evened(text: str) -> str:
    """Prepare a text for the readers that take files as they should be: undo what mail programs did, keep one voice.

    Some tunes came through mail that marked its line ends (quoted-printable, RFC 2045) or broke lines at 72 characters in the
    middle of a note; and where a tune has several voices we compare the first.
    """
    if re.search(r"^(?![A-Za-z]:).*(?:=3D|=20$|=$)", text, re.MULTILINE):
        text = re.sub(r"=20$", "", re.sub(r"=\n", "", text), flags=re.MULTILINE).replace("=3D", "=")
    text = re.sub(r"(?<=[^|\s\\:%])\n(?=[/\d\]])", "", text)
    text = re.sub(r"\[\n", "[", text)
    if not re.search(r"^(?:V:|\[V:)", text, re.MULTILINE):
        return text
    out, first, now = [], "", ""
    body = False
    for line in text.split("\n"):
        found = re.match(r"\[?V:\s*([^\s\]]+)", line)
        if found:
            first = first or found[1]
            now = found[1] if body else ""
        rest = re.sub(r"^\[V:[^\]]*\]|^V:.*", "", line)
        body = body or rest.startswith("K:")
        if rest.strip() and (not now or now == first):
            out.append(rest)
    return "\n".join(out)


def cleaned(text: str) -> str:
    """Take off what abc2midi plays in its own way."""
    out = []
    body = False
    for line in evened(text).split("\n"):
        if line[:2] in ("R:", "w:", "W:"):
            continue
        if body and not re.match(r"%|[A-Za-z+]:(?![|:])", line):
            pieces = re.split(r"(\[[A-Za-z]:[^\]]*\])", _MARK.sub("", _STRING.sub("", line)))
            out.append("".join(piece if i % 2 else _SHORT.sub("", piece) for i, piece in enumerate(pieces)))
        else:
            out.append(line)
        body = body or line.startswith("K:")
    return "\n".join(out)


def abc2midi(texts: Iterable[str]) -> list[Notes | None]:
    """Run abc2midi over many tunes, each renumbered: fifty a run, and one by one where it crashes on one of them."""
    texts = list(texts)
    out: list[Notes | None] = []
    for i in range(0, len(texts), 50):
        batch = _run(texts[i : i + 50])
        out += [notes if notes is not None else _run([text])[0] for notes, text in zip(batch, texts[i:], strict=False)]
    return out


def _run(texts: list[str]) -> list[Notes | None]:
    with tempfile.TemporaryDirectory() as scratch:
        numbered = [re.sub(r"^X:.*", f"X:{i + 1}", cleaned(text), count=1) for i, text in enumerate(texts)]
        Path(scratch, "b.abc").write_text("\n\n".join(numbered) + "\n", encoding="latin-1", errors="replace")
        command = ["abc2midi", "b.abc", "-quiet", "-silent", "-NFNP", "-NFER", "-NGUI", "-NGRA"]
        subprocess.run(command, cwd=scratch, capture_output=True, timeout=600, check=False)
        return [_smf(Path(scratch, f"b{i + 1}.mid")) for i in range(len(texts))]


def _smf(path: Path) -> Notes | None:
    """Read the notes of a Standard MIDI File; chord notes set apart by abc2midi's 10 ticks are put together."""
    data = path.read_bytes() if path.exists() else b""
    if len(data) < 22:  # it crashed before or while writing
        return None
    ticks = struct.unpack(">H", data[12:14])[0]
    at, notes = 14, []
    while at + 8 <= len(data):
        size = struct.unpack(">I", data[at + 4 : at + 8])[0]
        notes = notes or _track(data[at + 8 : at + 8 + size])  # the first voice
        at += 8 + size
    notes.sort()
    out: Notes = []
    group = before = -100
    for start, midi, end in notes:
        if start - before > 12:
            group = start
        before = start
        out.append(((group - 1) / ticks, midi, (end - group + 1) / ticks))
    return sorted(out)


def _track(data: bytes) -> list[tuple[int, int, int]]:
    at = time = status = 0
    sounding: dict[int, list[int]] = {}
    notes = []
    while at < len(data):
        delta = 0
        while True:
            delta = delta << 7 | data[at] & 127
            at += 1
            if data[at - 1] < 128:
                break
        time += delta
        if data[at] >= 128:
            status = data[at]
            at += 1
        if status >= 0xF0:
            at += status == 0xFF
            size = 0
            while True:
                size = size << 7 | data[at] & 127
                at += 1
                if data[at - 1] < 128:
                    break
            at += size
            continue
        kind = status >> 4
        if kind == 9 and data[at + 1]:
            sounding.setdefault(data[at], []).append(time)
        elif kind in (8, 9) and sounding.get(data[at]):
            notes.append((sounding[data[at]].pop(0), data[at], time))
        at += 1 if kind in (12, 13) else 2
    return notes


def abcnotes(text: str, *, strict: bool = True) -> Notes:
    """Abcnotes: graces left out, ties joined here; strict, or with its likeliest reading of what is ambiguous."""
    tune = reader.Tune(abc=evened(text), strict=strict)
    out: list[list[Fraction | int]] = []
    at = Fraction(0)
    tied: dict[int, int] = {}
    inside: list[reader.Note] | None = None

    def put(notes: list[reader.Note]) -> None:
        nonlocal at, tied
        now: dict[int, int] = {}
        for note in notes:
            midi = 60 + note.pitch.abs_value
            length = Fraction(*note.length) * Fraction(*note.time_sig._unit_len) * 4
            if midi in tied:
                index = tied[midi]
                out[index][2] += length
            else:
                index = len(out)
                out.append([at, midi, length])
            if note.tie:
                now[midi] = index
        at += Fraction(*notes[0].length) * Fraction(*notes[0].time_sig._unit_len) * 4
        tied = now

    for bar in tune.expand_repeats(strict=strict):
        for token in bar:
            if isinstance(token, reader.ChordBracket):
                if token._text == "[":
                    inside = []
                elif inside:
                    put(inside)
                    inside = None
            elif isinstance(token, reader.Note) and not token.grace:
                if inside is None:
                    put([token])
                else:
                    inside.append(token)
            elif isinstance(token, reader.Rest):
                whole = token.symbol in "XZ" and token.time_sig._meter is not None
                unit = Fraction(*token.time_sig._meter) if whole else Fraction(*token.time_sig._unit_len)
                at += Fraction(*token.length) * unit * 4
                tied = {}
    return sorted((float(a), int(m), float(n)) for a, m, n in out)


def music21(text: str) -> Notes:
    from music21 import chord, converter, harmony, note, repeat, stream  # noqa: PLC0415  slow to load

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(evened(text), format="abc")
        if isinstance(score, stream.Opus):
            score = score.scores[0]
        part = score.parts[0]
        if any(True for _ in part.recurse().getElementsByClass("RepeatMark")):
            part = repeat.Expander(part).process()
        flat = part.stripTies().flatten()
    out: Notes = []
    for item in flat.notes:
        if isinstance(item, harmony.ChordSymbol) or item.duration.isGrace:
            continue
        members = item.notes if isinstance(item, chord.Chord) else [item]
        for member in members:
            if isinstance(member, note.Note):
                out.append((float(item.offset), member.pitch.midi, float(item.quarterLength)))
    return sorted(out)


def same(first: Notes | None, second: Notes | None, *, onsets: bool = True, lengths: bool = True) -> bool:
    """Whether two readers play the same notes: pitches, onsets and lengths within a sixteenth of an eighth note."""
    if first is None or second is None or len(first) != len(second):
        return False
    return all(
        a[1] == b[1] and (not onsets or abs(a[0] - b[0]) < 0.03) and (not lengths or abs(a[2] - b[2]) < 0.03)
        for a, b in zip(first, second, strict=True)
    )
