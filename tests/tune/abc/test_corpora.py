"""A sample of real tunes against abcnotes and abc2midi; all 12,947 of them are compared in benchmarks/readers.

The tunes are those of music21's corpus (its own licence.txt; collections of 1782 to 1907), read where it is installed.
"""

import importlib.util
import shutil
import tomllib

import pytest

from ...readers import READERS, module  # noqa: TID252  tests are no installed package

pytest.importorskip("abcnotes")
if importlib.util.find_spec("music21") is None:
    pytest.skip("music21's corpus is not installed", allow_module_level=True)

corpora, oracles = module("corpora"), module("oracles")
EXPLAINED = set(tomllib.loads((READERS / "remaining.toml").read_text(encoding="utf-8")))
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
    texts = [item.text for item in items]
    midi = oracles.abc2midi(texts) if shutil.which("abc2midi") else [None] * len(texts)
    differ = [
        f"{collection}/{item.name}"
        for item, text, played in zip(items, texts, midi, strict=True)
        if not oracles.same(ours := oracles.ours(text), played) and not oracles.same(ours, lenient(text))
    ]
    if shutil.which("abc2midi"):
        assert set(differ) <= EXPLAINED
    else:  # abcnotes alone
        assert len(differ) <= len(items) / 10
