"""The text of a TOML file: read from the disk, in whatever encoding an editor has left it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from underbow.errors import Fault, InputError
from underbow.files.trouble import plain_file

MOST_BYTES = 500_000  # of a sheet or a pattern; a long tune in place is a few thousand
_MARKS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))


def read_text(path: Path, file: str = "", *, missing: str = "check its name and its folder") -> str:
    """Read a TOML file's text, with plain line ends.

    UTF-8, as TOML has it; UTF-16 with its mark and Windows Latin-1, which old editors write, are taken as well.

    Parameters
    ----------
    path : Path
    file : str
        The name told in faults; by default the path.
    missing : str
        The cure told where there is no such file.

    Raises
    ------
    InputError
        Where there is none, or it is no text.
    """
    file = file or str(path)
    try:
        with plain_file(path, file).open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(Fault(f"no such file; {missing}", file=file)) from None
    except IsADirectoryError:
        raise InputError(Fault("a folder; name the file in it, which ends in .toml", file=file)) from None
    except (OSError, ValueError) as error:
        why = (isinstance(error, OSError) and error.strerror) or error
        raise InputError(Fault(f"can't be read: {why}", file=file)) from None
    if len(data) > MOST_BYTES:
        what = f"more than {MOST_BYTES:,} bytes; a sheet or a pattern is a page of text"
        raise InputError(Fault(what, file=file))
    text = _decoded(data)
    if text is None or "\0" in text:
        cure = "open it in a text editor and save it again with the encoding UTF-8"
        raise InputError(Fault(f"not a text file; {cure}", file=file))
    return text.replace("\r\n", "\n")


def _decoded(data: bytes) -> str | None:
    mark, encoding = next((pair for pair in _MARKS if data.startswith(pair[0])), (b"", "utf-8"))
    for name in (encoding,) if mark else (encoding, "cp1252"):
        with suppress(UnicodeDecodeError):
            return data[len(mark) :].decode(name)
    return None
