"""A sample of real tunes against abcnotes and abc2midi; all 12,947 of them are compared in benchmarks/readers.

The tunes are those of music21's corpus (its own licence.txt; collections of 1782 to 1907), read where it is installed.
"""

import importlib.util
import shutil
import tomllib

import pytest

from ...readers import READERS, module

pytest.importorskip("abcnotes")
if importlib.util.find_spec("music21") is None:
    pytest.skip("music21's corpus is not installed", allow_module_level=True)

corpora, oracles = module("corpora"), module("oracles")
EXPLAINED = set(tomllib.loads((READERS / "remaining.toml").read_text(encoding="utf-8")))
# Of the sample, what abcnotes reads in another way and abc2midi as we do.
ABC2MIDI_ALONE = {
    "ryansMammoth": {"ryansMammoth/42dHighlandRegimentStrathspey:1"},
    "oneills1850": {"oneills1850/0701-0720:717"},
    "airdsAirs": {"airdsAirs/book1:0041", "airdsAirs/book3:0521", "airdsAirs/book4:0701"},
    "miscFolk": {
        *(f"miscFolk/americanfifeopus:{number}" for number in (16, 20, 108, 116, 120, 124, 128)),
        "miscFolk/northumbrianminstrelsyopus:33",
    },
}
SAMPLES = {"ryansMammoth": 15, "oneills1850": 30, "airdsAirs": 20, "essenFolksong": 200, "miscFolk": 4}  # every nth


def lenient(text: str) -> object:
    try:
        return oracles.abcnotes(text)
    except Exception:
        try:
            return oracles.abcnotes(text, strict=False)
        except Exception:
            return None


@pytest.mark.parametrize("collection", SAMPLES)
def test_real_tunes_are_read_as_by_abcnotes_or_abc2midi(collection: str) -> None:
    items = corpora.items(collection)[:: SAMPLES[collection]]
    assert len(items) >= 40
    unlike = {
        f"{collection}/{item.name}": item
        for item in items
        if not oracles.same(oracles.ours(item.text), lenient(item.text))
    }
    assert {name.partition(" ")[0] for name in unlike.keys() - EXPLAINED} == ABC2MIDI_ALONE.get(collection, set())
    if shutil.which("abc2midi"):
        played = dict(zip(unlike, oracles.abc2midi([item.text for item in unlike.values()]), strict=True))
        differ = {name for name, item in unlike.items() if not oracles.same(oracles.ours(item.text), played[name])}
        assert differ <= EXPLAINED
