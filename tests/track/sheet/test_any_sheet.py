"""Whatever a sheet says, it is read or refused with one clear line a fault; nothing else happens."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet
from underbow.track.sheet.table import MixTable, SheetTable, SoundTable, TempoTable

ABC = 'X:1\nT:E\nM:C|\nL:1/4\nK:G\nP:A\nD|"G"GABc|"C"edcB|"D"ABAF|"G"G3D||\nP:B\n"G"dBdB|"C"cecA|"D"FAdA|"G"G3|]\n'
ODD: list[Any] = [
    0, 1, -1, 2.5, float("nan"), float("inf"), 10**30, "", "x", "A", "AB", "1-2", "1/4", "0/0", "3/8", "G | C", "A: G", "%", "|",
    [], [1], ["off"], [[]], {}, {"A": "saw"}, {"seed": 1}, {"G": "0-0"}, True, "saw", "GDAE", "low", "\0", "a/b", "../x",
    {"7": "D Bm", "1": "G"}, {"1": "%"},
    "two\nlines \x1b[31m",
    "é" * 300, "9" * 400, "glide", "steady", 60, 100,
]  # fmt: skip
values = st.sampled_from(ODD) | st.text(max_size=8) | st.integers(-5, 500)


def tables(model: type[Any], most: int) -> st.SearchStrategy[dict[str, Any]]:
    return st.dictionaries(st.sampled_from([*(one.name for one in fields(model)), "other"]), values, max_size=most)


sheets = st.builds(
    lambda top, tempo, sound, mix: {"abc": ABC, "pattern": "saw"} | top | tempo | sound | mix,
    tables(SheetTable, 3),
    st.just({}) | tables(TempoTable, 3).map(lambda table: {"tempo": table}),
    st.just({}) | tables(SoundTable, 2).map(lambda table: {"sound": table}),
    st.just({}) | st.lists(tables(MixTable, 3), max_size=2).map(lambda table: {"mix": table}),
)


@given(sheets)
@settings(max_examples=150, deadline=None)
def test_it_is_read_or_refused(table: dict[str, Any]) -> None:
    try:
        sheet = build_sheet(table, None, "s.toml")
    except InputError as error:
        lines = [str(fault) for fault in error.faults]
    else:
        assert isinstance(sheet, Sheet)
        lines = [str(fault) for fault in sheet.told]
        assert sheet.ramp.passes >= 1
        assert all(text and text.isprintable() for text in (sheet.title, *(mix.name for mix in sheet.mixes)))
    assert all(line.startswith("s.toml") and line.isprintable() and len(line) < 700 for line in lines)
