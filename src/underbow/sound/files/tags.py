"""What a player shows of a file, and the header that tells it to an MP3.

Source: ID3v2.4.0 (id3.org, 2000): main structure and native frames.
"""

from __future__ import annotations

from dataclasses import dataclass

from underbow.text import one_line

__all__ = ["Tags", "id3_header"]


@dataclass(frozen=True, slots=True)
class Tags:
    """What a player shows.

    Attributes
    ----------
    title, artist, album : str
        The album groups the mixes of a track.
    number : int or None
        Place in the album, from 1.
    key : str
        As the trade writes it: ``G``, ``Am``, ``D dorian``.
    tempo : str
        In words, the beat's note value included.
    bpm : int or None
        Beats a minute for players that show a number; the goal where the tempo rises.
    mix : str
        Which mix or pass this is.
    """

    title: str = ""
    artist: str = ""
    album: str = ""
    number: int | None = None
    key: str = ""
    tempo: str = ""
    bpm: int | None = None
    mix: str = ""

    def __post_init__(self) -> None:
        for name in ("title", "artist", "album", "key", "tempo", "mix"):
            object.__setattr__(self, name, one_line(getattr(self, name)))

    def comment(self) -> str:
        """Give key, tempo and mix in one line, for formats that have no field of their own for them.

        >>> Tags(title="A reel", key="G", mix="together").comment()
        'Key: G. Mix: together'
        """
        named = (("Key", self.key), ("Tempo", self.tempo), ("Mix", self.mix))
        return ". ".join(f"{name}: {value}" for name, value in named if value)


def id3_header(tags: Tags) -> bytes:
    """Give an ID3v2.4 header, texts in UTF-8."""
    number = "" if tags.number is None else str(tags.number)
    bpm = "" if tags.bpm is None else str(tags.bpm)
    texts = {"TIT2": tags.title, "TPE1": tags.artist, "TALB": tags.album, "TRCK": number, "TBPM": bpm}
    texts |= {"TKEY": _id3_key(tags.key), "TIT3": tags.mix}
    frames = [_id3_frame(name, b"\x03" + text.encode()) for name, text in texts.items() if text]
    if comment := tags.comment():
        frames.append(_id3_frame("COMM", b"\x03eng\x00" + comment.encode()))
    body = b"".join(frames)
    return b"ID3\x04\x00\x00" + _sevens(len(body)) + body


def _id3_frame(name: str, content: bytes) -> bytes:
    return name.encode() + _sevens(len(content)) + b"\x00\x00" + content


def _sevens(number: int) -> bytes:
    """Give a size as ID3 wants it, seven bits a byte."""
    return bytes(number >> shift & 0x7F for shift in (21, 14, 7, 0))


def _id3_key(key: str) -> str:
    """Give the key where ID3 can say it, in at most three characters: ``A``, ``F#m``, ``Bb``; else nothing.

    >>> _id3_key("F♯m"), _id3_key("A minor"), _id3_key("D dorian")
    ('F#m', 'Am', '')
    """
    short = key.replace("♯", "#").replace("♭", "b").replace(" major", "").replace(" minor", "m").strip()
    return short if len(short) <= 3 and short[:1] in tuple("ABCDEFG") else ""
