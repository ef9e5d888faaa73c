"""Track sheets for the bars that a take says need practice, with everything they name, ready to render."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import tomlkit

from underbow.files.whole import write_whole
from underbow.tables import read_table, read_text
from underbow.track.sheet.files import files_named


def write_practice_sheets(sheet: Path, bars: Sequence[str], folder: Path) -> list[str]:
    """Write a sheet for each line of advice that names bars.

    Parameters
    ----------
    sheet : Path
        The sheet that was played.
    bars : sequence of str
        Printed numbers, as ``"4, 8-9"``; empty where there are none.
    folder : Path
        Where the sheets go, with copies of the tune and the patterns they name.

    Returns
    -------
    list of str
        The name of each sheet, empty where no bars are named.
    """
    text = read_text(sheet, str(sheet))
    names: list[str] = []
    for wanted in bars:
        if not wanted:
            names.append("")
            continue
        document = tomlkit.parse(text)
        # bars are one stretch in a sheet: from the first that needs practice to the last
        numbers = re.findall(r"\d+", wanted)
        stretch = f"{numbers[0]}-{numbers[-1]}" if len(numbers) > 1 else numbers[0]
        document["bars"] = stretch
        name = f"{sheet.stem} bars {stretch}.toml"
        write_whole(folder / name, tomlkit.dumps(document))
        names.append(name)
    if any(names):
        for file in files_named(read_table(text, str(sheet))):
            source, target = sheet.parent / file, folder / file
            if target.resolve() != source.resolve():
                target.parent.mkdir(parents=True, exist_ok=True)
                write_whole(target, source.read_bytes())
    return names
