"""The board's pieces set by typst, with the fonts of the print, each kept packed until it is shown."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from underbow.errors import InputError, UnderbowError
from underbow.lesson.typeset import SettingError, typeset
from underbow.lesson.video.layout import LEAST

__all__ = ["Board", "pillow"]

_NEEDS_PILLOW = "a video needs Pillow to be drawn; install it with pip install 'underbow[video]'"
_AT_ONCE = 40  # pieces
_UNPACKED = 24

Piece = Mapping[str, Any]


class Board:
    """Draws pieces.

    Parameters
    ----------
    colours : mapping of str to str
        By name, as ``#rrggbb``.
    system_fonts : bool
        Whether the fonts that come along are not enough.
    """

    def __init__(self, colours: Mapping[str, str], *, system_fonts: bool = False) -> None:
        self._colours, self._system_fonts = dict(colours), system_fonts
        self._packed: dict[str, bytes] = {}
        self._unpack = lru_cache(_UNPACKED)(self._unpacked)

    def prepare(self, pieces: Iterable[Piece]) -> None:
        """Set pieces that are new, many at once."""
        waiting = {key: piece for piece in pieces if (key := _key(piece)) not in self._packed}
        keys = list(waiting)
        for start in range(0, len(keys), _AT_ONCE):
            some = keys[start : start + _AT_ONCE]
            self._packed |= dict(zip(some, self._set([waiting[key] for key in some]), strict=True))

    def picture(self, piece: Piece) -> npt.NDArray[np.uint8]:
        """Give a piece's pixels: red, green, blue and how far it covers, of shape (height, width, 4)."""
        key = _key(piece)
        if key not in self._packed:
            self.prepare([piece])
        return self._unpack(key)

    def _unpacked(self, key: str) -> npt.NDArray[np.uint8]:
        with pillow().open(io.BytesIO(self._packed[key])) as image:
            pixels: npt.NDArray[np.uint8] = np.asarray(image.convert("RGBA"))
        return pixels

    def _set(self, pieces: list[Piece]) -> list[bytes]:
        data = json.dumps({"pieces": pieces, "colours": self._colours, "least": LEAST}, ensure_ascii=False)
        template = files("underbow.lesson.video").joinpath("board.typ").read_bytes()
        try:
            return typeset(template, data, "drawing the board of a video", form="png", system_fonts=self._system_fonts)
        except SettingError as error:
            raise UnderbowError(f"the video's board could not be drawn: {error}") from error


def pillow() -> Any:
    """Load Pillow, which unpacks pictures.

    Raises
    ------
    InputError
        If it isn't there.
    """
    try:
        from PIL import Image  # noqa: PLC0415  an extra
    except ImportError as error:
        raise InputError(_NEEDS_PILLOW) from error
    return Image


def _key(piece: Piece) -> str:
    return json.dumps(piece, sort_keys=True, ensure_ascii=False)
