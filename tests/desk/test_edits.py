"""Changes to a sheet's own file: what is meant changes, and nothing else does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.desk.paper.edits import Edit, edited, read_edits
from underbow.errors import InputError

from .conftest import TRACKS

SHEETS = sorted(TRACKS.glob("*.toml"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    ("key", "value"),
    [
        (("title",), "Another"),
        (("tempo", "start"), 44),
        (("tempo", "each"), 2),
        (("changes", "3"), "D Bm"),
        (("shapes", "G"), "0-3"),
        (("key",), "F"),
        (("to_learner",), "Two\nlines"),
        (("pattern",), {"A": "saw", "B": "saw"}),
        (("tuning",), "AEAE"),
    ],
    ids=str,
)
def test_only_the_key_that_is_meant_changes(path: Path, key: tuple[str, ...], value: Any) -> None:
    """Every line of the file that doesn't hold the key stays, remarks and blanks and order; tomllib reads what was meant."""
    before = path.read_text("utf-8")
    after = edited(before, [Edit(key, value)])
    wanted = tomllib.loads(before)
    target = wanted
    for name in key[:-1]:
        target = target.setdefault(name, {})
    target[key[-1]] = value
    assert tomllib.loads(after) == wanted
    kept = [line for line in before.splitlines() if not re.match(rf"{key[-1]}\s*=", line)]
    rest = iter(after.splitlines())
    assert all(line in rest for line in kept)  # in this order
    assert tomllib.loads(edited(after, [Edit(key, None)])) == tomllib.loads(edited(before, [Edit(key, None)]))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                [
                    ("title",),
                    ("key",),
                    ("tempo", "start"),
                    ("changes", "2"),
                    ("changes", "17"),
                    ("shapes", "C"),
                    ("bars",),
                    ("sound", "seed"),
                ]
            ),
            st.one_of(st.none(), st.integers(-5, 500), st.text(max_size=12), st.booleans()),
        ),
        max_size=8,
    ),
    st.sampled_from(
        [path.read_text("utf-8") for path in SHEETS]
        + ["", "title='x'", "# only a remark", "[tempo]\nstart=5", "a=1\r\n[tempo]\r\nstart = 5\r\n"]
    ),
)
def test_any_row_of_changes_leaves_what_was_meant(edits: list[tuple[tuple[str, ...], Any]], before: str) -> None:
    wanted = tomllib.loads(before.replace("\r\n", "\n"))
    text = before
    for key, value in edits:
        text = edited(text, [Edit(key, value)])
        target = wanted.setdefault(key[0], {}) if len(key) == 2 and (value is not None or key[0] in wanted) else wanted
        if len(key) == 2 and key[0] not in wanted:
            continue
        if value is None:
            target.pop(key[-1], None)
        else:
            target[key[-1]] = value
        if len(key) == 2 and not target:
            del wanted[key[0]]
    assert tomllib.loads(text.replace("\r\n", "\n")) == wanted
    if "\r\n" in before:
        assert "\n" not in text.replace("\r\n", "")


@pytest.mark.parametrize(
    "wanted",
    [
        None,
        [],
        {},
        "x",
        [1],
        [{"key": ["title"]}],
        [{"key": "title", "value": 1}],
        [{"key": ["a.b"], "value": 1}],
        [{"key": [], "value": 1}],
        [{"key": ["tempo", "start", "x"], "value": 1}],
        [{"key": ["__class__"], "value": 1}],
        [{"key": ["title", "x"], "value": 1}],
        [{"key": ["title"], "value": float("nan")}],
        [{"key": ["title"], "value": 10**30}],
        [{"key": ["title"], "value": "x" * 300_000}],
        [{"key": ["title"], "value": "\ud800"}],
        [{"key": ["title"], "value": "a\x00b"}],
        [{"key": ["changes", "\n"], "value": "G"}],
        [{"key": ["mix"], "value": [[[[[1]]]]]}],
        [{"key": ["title"], "value": 1}] * 101,
    ],
)
def test_what_is_no_change_to_a_sheet_is_refused(wanted: Any) -> None:
    with pytest.raises(InputError):
        read_edits(wanted)


# --- by the page's requests, and by the command line ---
