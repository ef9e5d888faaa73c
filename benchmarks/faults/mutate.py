"""Mutation that knows a format's grammar: pieces are cut, doubled, moved, spliced and exchanged for others of their own kind."""

# ruff: noqa: E501  pieces in rows; large libraries where they are used

from __future__ import annotations

import io
import random
import re
import zipfile
from collections import defaultdict
from collections.abc import Iterable
from xml.etree import ElementTree

import mido

NUMBERS = ["0", "1", "2", "3", "7", "8", "9", "16", "63", "64", "65", "99", "100", "255", "999", "1000", "9999", "65536", "-1",
           "99999999", "0.5", "1e400", "nan", "inf", "9" * 30, "1/2", "3/8", "0/0", "1/0", "½", "０"]  # fmt: skip
ODD = ["\0", "\x1b[31m", "\x9b", "\u202e", "\u2028", "\ufeff", "\ud800", "é" * 50, "😀", "\r", "\r\n", "\t", "\\", '"', "'", '"""', "%", "&",
       " " * 300, "\n\n", "\x7f", "A" * 3000]  # fmt: skip


class Text:
    """A mutator of one text format.

    Parameters
    ----------
    pieces : str
        A regular expression with a named group for each kind of piece; together they must match any text.
    seeds : iterable of str
        Real inputs; their pieces are what others are exchanged for.
    odd : iterable of str
        Pieces, right and wrong, that no seed may hold.
    """

    def __init__(self, pieces: str, seeds: Iterable[str], odd: Iterable[str]) -> None:
        self._pieces = re.compile(pieces, re.DOTALL | re.MULTILINE)
        self.seeds = list(seeds)
        self.odd = [*odd, *ODD]
        kinds: dict[str, set[str]] = defaultdict(set)
        for seed in self.seeds:
            for kind, text in self.divided(seed):
                kinds[kind].add(text)
        self._kinds = {kind: sorted(texts) for kind, texts in kinds.items()}

    def divided(self, text: str) -> list[tuple[str, str]]:
        return [(match.lastgroup or "", match[0]) for match in self._pieces.finditer(text)]

    def mutated(self, chance: random.Random) -> str:
        pieces = self.divided(chance.choice(self.seeds))
        if len(pieces) > 60 and chance.random() < 0.95:  # mostly short inputs: more of them
            start = chance.randrange(len(pieces) - 40)
            pieces = pieces[: chance.randint(0, 20)] + pieces[start : start + chance.randint(8, 40)]
        for _ in range(min(chance.choice((0, 1, 1, 2, 2, 3, 5, 8, 13)), 1 + len(pieces) // 2)):
            self._change(pieces, chance)
        text = "".join(text for _, text in pieces)
        for _ in range(chance.choice((0, 0, 0, 0, 1, 2))):
            at = chance.randrange(len(text) + 1)
            text = text[:at] + chance.choice(self.odd) + text[at + chance.randint(0, 3) :]
        return text

    def _change(self, pieces: list[tuple[str, str]], chance: random.Random) -> None:
        at = chance.randrange(len(pieces)) if pieces else 0
        size = chance.choice((1, 1, 1, 2, 3, 5, 12))
        span = pieces[at : at + size]
        match chance.randrange(9):
            case 0:
                del pieces[at : at + size]
            case 1:
                pieces[at:at] = span * chance.choice((1, 1, 2, 3, 20))
            case 2:
                del pieces[at : at + size]
                to = chance.randrange(len(pieces) + 1)
                pieces[to:to] = span
            case 3 | 4 if span:
                kind = span[0][0]
                pieces[at] = (kind, chance.choice(self._kinds.get(kind, [""])))
            case 5:
                kind = chance.choice(list(self._kinds))
                pieces.insert(at, (kind, chance.choice(self._kinds[kind])))
            case 6 if span:
                text = re.sub(r"\d+", lambda _: chance.choice(NUMBERS), span[0][1])
                pieces[at] = (span[0][0], text)
            case 7:
                other = self.divided(chance.choice(self.seeds))
                start = chance.randrange(len(other)) if other else 0
                pieces[at : at + size] = other[start : start + chance.choice((1, 3, 10, 40))]
            case _:
                pieces.insert(at, ("", chance.choice(self.odd)))


def damaged(data: bytes, chance: random.Random, most: int = 6) -> bytes:
    """Change, cut, double and insert bytes."""
    out = bytearray(data)
    for _ in range(chance.randint(1, most)):
        at = chance.randrange(len(out) + 1)
        match chance.randrange(5):
            case 0:
                del out[at : at + chance.choice((1, 2, 4, 30))]
            case 1:
                out[at:at] = bytes(chance.choice((0, 1, 0x7F, 0x80, 0xFF)) for _ in range(chance.choice((1, 2, 4))))
            case 2:
                out[at : at + 1] = bytes([chance.randrange(256)])
            case 3:
                out[at:at] = out[at : at + chance.choice((1, 8, 40))]
            case _:
                out[at : at + 4] = chance.choice((0, 1, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF)).to_bytes(4, "big")
    return bytes(out)


def midi(chance: random.Random, seeds: list[bytes]) -> bytes:
    """Change messages of a MIDI file: their kind, place, pitch and channel; sometimes bytes too, or only those."""
    data = chance.choice(seeds)
    if chance.random() < 0.3:
        return damaged(data, chance)
    file = mido.MidiFile(file=io.BytesIO(data))
    file.ticks_per_beat = chance.choice((file.ticks_per_beat, 1, 24, 96, 480, 960, 32767))
    for _ in range(chance.choice((1, 2, 4, 8))):
        track = chance.choice(file.tracks) if file.tracks else file.add_track()
        at = chance.randrange(len(track) + 1)
        match chance.randrange(9):
            case 0:
                del track[at : at + chance.choice((1, 2, 8, 50))]
            case 1:
                track[at:at] = [message.copy() for message in track[at : at + chance.choice((1, 2, 8))]]
            case 2:
                pair = [
                    mido.Message(kind, note=chance.randrange(128), channel=chance.choice((0, 0, 9, 15)))
                    for kind in ("note_on", "note_off")
                ]
                pair[1].time = chance.choice((0, 1, 7, 120, 480, 481, 100_000, 0x0FFFFFFF))
                track[at:at] = pair
            case 3:
                numerator, denominator = chance.choice((1, 2, 3, 4, 6, 7, 9, 12, 64, 255)), 2 ** chance.randrange(9)
                track.insert(at, mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator))
            case 4:
                track.insert(at, mido.MetaMessage("key_signature", key=chance.choice(("C", "F#", "Cb", "Am", "D#m"))))
            case 5:
                track.insert(at, mido.MetaMessage("set_tempo", tempo=chance.choice((0, 1, 500_000, 0xFFFFFF))))
            case 6:
                name = chance.choice(("melody", "Fiddle", "", "\x1b[2J", "é" * 300))
                track.insert(at, mido.MetaMessage("track_name", name=name))
            case 7 if at < len(track):
                track[at].time = chance.choice((0, 1, 10, 239, 480, 1920, 10**6, 0x0FFFFFFF))
            case _:
                file.tracks.append(mido.MidiTrack(message.copy() for message in track))
    out = io.BytesIO()
    file.save(file=out)
    return damaged(out.getvalue(), chance, 2) if chance.random() < 0.2 else out.getvalue()


def musicxml(chance: random.Random, seeds: list[str]) -> bytes:
    """Change elements of a score: drop, double, move and exchange them, their texts and attributes; sometimes packed."""
    root = ElementTree.fromstring(chance.choice(seeds))
    for _ in range(chance.choice((1, 2, 4, 8))):
        parents = [element for element in root.iter() if len(element)]
        if not parents:
            break
        parent = chance.choice(parents)
        at = chance.randrange(len(parent))
        child = parent[at]
        match chance.randrange(7):
            case 0:
                parent.remove(child)
            case 1:
                for _ in range(chance.choice((1, 3, 30))):
                    parent.insert(at, child)
            case 2:
                parent.remove(child)
                chance.choice(parents).insert(0, child)
            case 3:
                leaves = [element for element in root.iter() if not len(element)]
                if leaves:
                    chance.choice(leaves).text = chance.choice([*NUMBERS, "G", "H", "major", "", "\u202e"])
            case 4:
                named = [element for element in root.iter() if element.attrib]
                if named:
                    element = chance.choice(named)
                    element.set(chance.choice(list(element.attrib)), chance.choice([*NUMBERS, "start", "stop", ""]))
            case 5:
                child.tag = chance.choice([element.tag for element in root.iter()])
            case _:
                parent.insert(
                    at, ElementTree.Element(chance.choice(("chord", "grace", "rest", "voice", "backup", "x")))
                )
    text = ElementTree.tostring(root, encoding="unicode")
    if chance.random() < 0.2:
        encoding = chance.choice(("UTF-8", "ISO-8859-1", "UF-8", "utf-16"))
        text = f'<?xml version="1.0" encoding="{encoding}"?>' + text
    data = text.encode("utf-8", errors="replace")
    if chance.random() < 0.2:
        data = damaged(data, chance)
    if chance.random() < 0.3:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("META-INF/container.xml", "<container/>")
            archive.writestr(chance.choice(("score.xml", "score.musicxml", "META-INF/score.xml", "a/b.xml")), data)
        data = damaged(packed.getvalue(), chance) if chance.random() < 0.4 else packed.getvalue()
    return data
