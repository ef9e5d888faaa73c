"""Chords for bare tunes: the model's arithmetic against brute force, what a musician expects, and hard cases."""

import itertools
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.theory.chord import Chord
from underbow.theory.meter import Meter
from underbow.theory.progression import divided
from underbow.track.sheet.form import lay_under
from underbow.tune.abc.insert import chords_into_abc
from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.harmonise import Harmony, chosen_chords, harmonise
from underbow.tune.harmony.model import CHORDS, NAMES, NUMBER, model_of, name_of, solve
from underbow.tune.harmony.seen import see
from underbow.tune.harmony.units import RINGS, starts, units_of
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

# Tunes of our own, one for each mode; every bar spells its chord out.
SPELLED = {
    "G": ("GBdB GBdB|cegc ecGc|dfaf dAFA|GBdg G4|", "G C D G"),
    "Dmix": ("dfaf dAFA|cegc ecGE|dfaf dAFA|DFAF D4|", "D C D D"),
    "Edor": ("EGBe BGEG|DFAd AFDF|EGBe BGEB|EGBG E4|", "Em D Em Em"),
    "Am": ("Aceg aecA|Aceg aecA|B^GEG B2^G2|A2ce A4|", "Am Am E Am"),
}


def bare(body: str, key: str = "G", meter: str = "4/4") -> Tune:
    return read_abc(f"X:1\nT:T\nM:{meter}\nL:1/8\nK:{key}\n{body}\n")[0]


def roots(found: Harmony) -> list[str]:
    return [str(bar.chords[0]).rstrip("7") for bar in found.bars]


@pytest.mark.parametrize("key", SPELLED)
def test_bars_that_spell_a_chord_get_it(key: str) -> None:
    body, chords = SPELLED[key]
    assert roots(harmonise(bare(body * 2, key))) == chords.split() * 2


def test_transposed_tunes_get_transposed_chords() -> None:
    names = [
        [str(chord) for bar in harmonise(bare(body, key)).bars for chord in bar.chords]
        for key, body in (
            ("C", "CEGE c2G2|FAcA f2c2|GBdB g2d2|cGEG C4|"),
            ("D", "DFAF d2A2|GBdB g2d2|Acec a2e2|dAFA D4|"),
        )
    ]
    assert [str(Chord.parse(name).transposed(2)) for name in names[0]] == names[1]


def brute(fits: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, float]:
    """Sum over every path one by one."""
    n, states = fits.shape
    probabilities, total = np.zeros((n, states)), 0.0
    for path in itertools.product(range(states), repeat=n):
        weight = math.exp(sum(fits[i, c] for i, c in enumerate(path)))
        weight *= math.prod(steps[i, path[i - 1], path[i]] for i in range(1, n))
        total += weight
        for i, c in enumerate(path):
            probabilities[i, c] += weight
    return probabilities / total, math.log(total)


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 6))
@settings(max_examples=30, deadline=None)
def test_probabilities_are_exact(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    fits, steps = rng.normal(0, 3, (n, 4)), np.exp(rng.normal(0, 2, (n, 4, 4)))
    solved = solve(fits, steps.copy())
    probabilities, total = brute(fits, steps)
    np.testing.assert_allclose(solved.probabilities, probabilities, rtol=1e-9, atol=1e-12)
    assert solved.total == pytest.approx(total, rel=1e-9)


def test_chosen_is_the_likeliest_root_of_each_unit_and_its_likelier_third() -> None:
    tune = bare(SPELLED["G"][0])
    seen = see(tune)
    model = model_of("major")
    solved = solve(model.fits(seen), model.steps(seen))
    p = solved.probabilities
    np.testing.assert_allclose(p.sum(axis=1), 1)
    for unit, chord in enumerate(chosen_chords(solved)):
        by_root = p[unit].reshape(12, 2).sum(1)
        assert chord // 2 == by_root.argmax()
        assert p[unit, chord] == p[unit, chord // 2 * 2 : chord // 2 * 2 + 2].max()


def test_sureness_is_a_share_and_no_runner_up_is_better() -> None:
    found = harmonise(bare("GBdB gdBG|ceAc dfaf|edcB AGFA|GBAF G4|"))
    for bar in found.bars:
        assert 0 < bar.sureness <= 1
        assert 1 <= len(bar.runners_up) <= 3
        assert bar.chords not in [other.chords for other in bar.runners_up]
        shares = [other.sureness for other in bar.runners_up]
        assert shares == sorted(shares, reverse=True)
        assert shares[0] <= bar.sureness + 1e-9
    assert found.sureness == pytest.approx(sum(bar.sureness for bar in found.bars) / 4)


def test_a_bar_of_a_chord_alone_is_surer_than_a_scale() -> None:
    found = harmonise(bare("GBdB GBdB|ABcd efga|GBdB GBdB|G8|"))
    assert found.bars[0].sureness > found.bars[1].sureness


def test_modes_keep_their_chords() -> None:
    """Common practice: mixolydian I bVII, dorian i bVII, both without a dominant; the minor's dominant with its leading note."""
    mix, dor = (harmonise(bare(SPELLED[key][0] * 2, key)).progression.chords for key in ("Dmix", "Edor"))
    assert {str(chord) for chord in mix} == {"D", "C"}
    assert {str(chord) for chord in dor} == {"Em", "D"}
    assert "E" in {str(chord)[:1] for chord in harmonise(bare(SPELLED["Am"][0], "Am")).progression.chords}


def test_styles() -> None:
    tune = bare("GBdB gdBG|ceAc dfaf|eBGB EGBe|AcEA DFAd|GBdB gdBG|ceAc d2^c2|dfAf dcBA|GBAF G4|")
    few = harmonise(tune, style="few").progression.chords
    assert len({(chord.root, chord.is_minor) for chord in few}) <= 3
    opened = harmonise(tune, style="open").progression.chords
    assert {chord.quality for chord in opened} == {"5"}


def test_seventh_only_where_it_leads_on() -> None:
    found = harmonise(bare("GBdB GBdB|dfaf dcAF|GBdB GBdB|dfaf dcAF|GBdg G4|"))
    assert [str(bar.chords[-1]) for bar in found.bars] == ["G", "D7", "G", "D7", "G"]


def test_a_chord_beside_its_own_seventh_is_no_other_choice() -> None:
    found = harmonise(bare("GBdB GBdB|dfaf AFdc|GBdB GBdB|dfaf d2c2|GBdg G4|"))
    assert [[str(chord) for chord in bar.chords] for bar in found.bars[1::2]] == [["D", "D7"]] * 2
    for bar in found.bars[1::2]:
        assert ["D"] not in [[str(chord) for chord in other.chords] for other in bar.runners_up]


HARD = {
    "one note": ("G|]", "G", "4/4", 1),
    "pickup": ("D2|G2B2d2B2|c2A2F2D2|G6|]", "G", "4/4", 3),
    "no bars": ("G2B2d2B2 c2A2F2D2 G8", "G", "4/4", 3),
    "free": ("D2F2A2d2 c2A2G2E2 D8", "D", "none", 3),
    "rests": ("z8|z8|G2B2d4|]", "G", "4/4", 3),
    "five": ("G2B2d2 c2A2|G2B2d2 D4|", "G", "5/4", 2),
    "uneven": ("GA Bc dcB|AB cd efg|", "G", "(2+2+3)/8", 2),
    "three halves": ("D4F4A4|d4A4F4|", "D", "3/2", 2),
    "six halves": ("D4F4A4 d4A4F4|d12 D12|", "D", "6/2", 2),
    "one in a bar": ("GAB|cde|dcA|G3|]", "G", "3/8", 4),
    "other modes": ("FABc dcBA|GBdf c4|", "Flyd", "4/4", 2),
    "phrygian": ("EFGA BAGF|EGBG E4|", "Ephr", "4/4", 2),
    "locrian": ("Bcde fedc|B8|", "Bloc", "4/4", 2),
    "seven flats": ("CEGE cGEC|FAcA C4|", "Cb", "4/4", 2),
    "endings": ("|:G2B2d2g2|1 f2d2A2D2:|2 f2A2G4|]", "G", "4/4", 3),
    "bar too long": ("G2B2d2B2g2|G8|", "G", "4/4", 2),
}


@pytest.mark.parametrize("name", HARD)
def test_hard_cases_get_a_chord_for_every_bar(name: str) -> None:
    body, key, meter, bars = HARD[name]
    tune = bare(body, key, meter)
    found = harmonise(tune)
    assert len(found.bars) == bars
    assert all(bar.chords for bar in found.bars)
    assert write_out(found.tune).chords
    assert lay_under(write_out(tune), found.progression).chords


def test_without_notes_there_is_nothing_to_do() -> None:
    with pytest.raises(InputError, match="no notes"):
        harmonise(bare("z8|"))
    with pytest.raises(InputError, match="did you mean 'few'"):
        harmonise(bare("G8|"), style="fev")  # type: ignore[arg-type]


def test_repeats_are_alike_and_endings_begin_afresh() -> None:
    tune = bare("|:GBdB GBdB|dfaf dfaf|1 cege cege:|2 GBdB G4|]")
    units = units_of(tune)
    assert [unit.cut for unit in units] == [True, False, False, False, False, False, True, False]
    melody = write_out(harmonise(tune).tune)
    by_bar = [next(s.chord for s in reversed(melody.chords) if s.start <= bar.start) for bar in melody.bars]
    assert by_bar[:2] == by_bar[3:5]


def test_a_change_of_key_is_followed() -> None:
    found = harmonise(bare("GBdB GBdB|dfaf dfaf|GBdB G4|[K:D]dfaf dfaf|egae ceac|dfaf d4|"))
    assert [str(bar.chords[0]).rstrip("7") for bar in found.bars] == ["G", "D", "G", "D", "A", "D"]


def test_ten_thousand_bars() -> None:
    two = bare("G2B2d2B2|c2A2F2D2|")
    long = replace(two, measures=two.measures * 5000, order=tuple(range(10_000)))
    assert len(harmonise(long).bars) == 10_000


def test_units_are_where_chords_change() -> None:
    two = (Chord.parse("G"), Chord.parse("D"))
    for text in ("4/4", "2/2", "3/4", "2/4", "6/8", "9/8", "12/8", "5/4", "6/4", "6/2", "9/2"):
        meter = Meter.parse(text)
        assert [Fraction(start) for start in starts(meter)] == [start for start, _, _ in divided(two, meter)]


def test_the_table_is_whole() -> None:
    assert len(set(NAMES)) == CHORDS == len(NUMBER)
    assert name_of(NUMBER["bVII"]) == "bVII"
    for mode in ("major", "minor", "dorian", "mixolydian", "phrygian", "lydian", "locrian"):
        model = model_of(mode)
        assert model.tones.shape == (len(RINGS) * 12, CHORDS)
        assert np.isfinite(model.tones).all()
        assert np.isfinite(model.moves).all()


def test_chords_into_abc_touch_nothing_else() -> None:
    text = (
        "% a book\nX:1\nT:Two\nM:4/4\nL:1/8\nK:G\nD2|:!trill!G>B {c}~d2 (3gfe d2|[FA]2 z2 .D4 |\\\n"
        "w:la la\n G8:| % end\n\nX:2\nK:D\nd8|\n"
    )
    tune = read_abc(text)[0]
    found = harmonise(tune)
    written = chords_into_abc(text, found.tune)
    assert '"G"!trill!G>B' in written
    out = written
    for chord in found.progression.chords:
        out = out.replace(f'"{chord}"', "")
    assert out == text
    again = read_abc(written)[0]
    assert write_out(again).notes == write_out(tune).notes
    assert write_out(again).chords == write_out(found.tune).chords


def test_chords_go_into_abc_text_only() -> None:
    tune = harmonise(bare("G8|")).tune
    measures = tuple(replace(m, notes=tuple(replace(n, source=None) for n in m.notes)) for m in tune.measures)
    with pytest.raises(InputError, match="not read from ABC"):
        chords_into_abc("", replace(tune, measures=measures))


def test_every_tenth_tune_of_ryans_collection_gets_chords_that_fit_under_it() -> None:
    """The 1,059 tunes of Ryan's Mammoth Collection (1883) as music21 carries them; all of them in benchmarks/chords."""
    music21 = pytest.importorskip("music21")
    folder = Path(music21.__file__).parent / "corpus" / "ryansMammoth"
    files = sorted(folder.glob("*.abc"))
    assert len(files) > 1000
    for path in files[::40]:
        for tune in read_abc(path.read_bytes().decode("latin-1")):
            found = harmonise(tune)
            laid = lay_under(write_out(tune), found.progression)
            assert laid.chords
            assert {span.chord for span in laid.chords} <= set(found.progression.chords)
