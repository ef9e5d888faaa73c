"""The order of play, from signs alone: a letter a measure, by the ABC standard 2.1, sections 3.1.9 and 4.8 to 4.10."""

from __future__ import annotations

import re

import pytest

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.tune.page.draft import Draft
from underbow.tune.page.repeats import MOST_PLAYED, TooManyMeasuresError, order_of

NO_FIRST = "a second ending without a first one; it replaces as many bars before the repeat sign"
KEY, METER = Key.parse("G"), Meter.parse("4/4")


def drafts(signs: str) -> list[Draft]:
    """``|:`` and ``:|`` with as many colons, ``[1,2`` an ending, ``||`` a double bar, ``P:A`` a part, ``a!fine!`` a word."""
    measures: list[Draft] = []
    opening, part, ending, fresh = 0, "", (), False
    for place, sign in enumerate(signs.split()):
        if re.fullmatch(r"\|:+", sign):
            opening, ending = len(sign) - 1, ()
        elif re.fullmatch(r":+\|", sign):
            measures[-1].repeat_end, ending = len(sign) - 1, ()
        elif sign == "||":
            measures[-1].final, ending = sign, ()
        elif sign.startswith("["):
            ending, fresh = tuple(map(int, sign[1:].split(","))), True
        elif sign.startswith("P:"):
            part = sign[2:]
        else:
            jumps = {word.replace("_", " "): 0 for word in sign[1:].split("!") if word}
            measures.append(
                Draft(
                    KEY, METER, place, repeat_start=opening, part=part, ending=ending, ending_start=fresh, jumps=jumps
                )
            )
            opening, part, fresh = 0, "", False
    return measures


def played(signs: str, parts: str = "", *, jumps: bool = True) -> tuple[str, list[str]]:
    """The letters in the order played, and what was assumed."""
    said: list[str] = []
    letters = [sign[0] for sign in signs.split() if sign[0].islower()]
    order = order_of(drafts(signs), tuple(parts), lambda what, _: said.append(what), jumps=jumps)
    return "".join(letters[i] for i in order), said


@pytest.mark.parametrize(
    ("signs", "expected"),
    [
        ("", ""),
        ("a b c", "abc"),
        ("a b :|", "abab"),
        ("|: a b :| c", "ababc"),
        ("|: a :| b |: c :|", "aabcc"),
        ("a b || [1 c :|", "abcab"),
        ("a b || [1 c :| [2 d", "abcabd"),  # an ending belongs to what stands before its double bar
        ("a |: b :| c", "abbc"),
        ("|:: a ::| b", "aaab"),
        ("|:: a :| b", "aaab"),  # the larger number of colons counts
        ("|: a ::| b", "aaab"),
        ("a || b :| c", "abbc"),  # back to the latest double bar
        ("a b || c d :| e", "abcdcde"),
        ("a :| b :| c", "aabbc"),  # back to the end of the repeat before
        ("|: a || b :| c", "ababc"),  # an open |: is not closed by a double bar
        ("|: a [1 b :| [2 c || d", "abacd"),
        ("|: a b [1 c d :| [2 e f || g", "abcdabefg"),
        ("a [1 b :| [2 c || d", "abacd"),
        ("a || b [1 c :| [2 d || e", "abcbde"),
        ("a || [1 b :| [2 c || d", "abacd"),  # a double bar before the endings belongs to them
        ("|: a [1,2 b :| [3 c || d", "ababacd"),
        ("|:: a [1,2 b ::| [3 c || d", "ababacd"),
        ("|: a [1,3 b :| [2,4 c :| d", "abacabacd"),
        ("|: a [1 b :| [2 c :| d", "abacd"),  # a last ending closed by :| is not played again
        ("|: a [1 b :| c", "abac"),  # the second time goes on where the first ending ends
        ("|: a [1 b || c", "abac"),
        ("a [1 b || c", "abc"),  # nothing says that it comes twice
        ("|: a [1,2 b :| c", "ababac"),
        ("|: a [1 b [1 c :| d", "abacd"),
        ("|: a [1 b :| [2 c |: d [1 e :| [2 f ||", "abacdedf"),
        ("|: a :| [1 b :| [2 c || d", "aabcd"),
    ],
)
def test_repeats_and_endings(signs: str, expected: str) -> None:
    assert played(signs) == (expected, [])


@pytest.mark.parametrize(
    ("signs", "expected", "says"),
    [
        ("|: a |: b :| c", "aabbc", "|: while the |: before it has no :|; the repeat is assumed to end here"),
        ("|:: a b |: c :| d", "abababccd", "|: while the |: before it has no :|; the repeat is assumed to end here"),
        ("|: a [1 b :| [3 c || d", "abacd", "ending 2 is missing; the endings are played in the order written"),
        ("|: a [2 b :| [3 c || d", "abacd", "ending 1 is missing; the endings are played in the order written"),
        ("|: a b c :| [2 d || e", "abcabde", NO_FIRST),
        ("|: a b c :| [2 d e || f", "abcadef", NO_FIRST),
        ("|: a :| [2 b c || d", "abcd", NO_FIRST),
    ],
)  # fmt: skip
def test_what_is_missing_is_assumed_and_said(signs: str, expected: str, says: str) -> None:
    assert played(signs) == (expected, [says])


def test_an_assumption_is_told_where_it_was_made() -> None:
    places: list[int] = []
    order_of(drafts("a |: b |: c :|"), (), lambda _, place: places.append(place))
    assert places == [4]


@pytest.mark.parametrize(
    ("signs", "parts", "expected", "says"),
    [
        ("P:A a P:B b", "", "ab", []),
        ("P:A a P:B b", "ABA", "aba", []),
        ("P:Bridge a P:C b", "BCB", "aba", []),  # a part with a name goes by its first letter
        ("P:A |: a :| P:B b c :|", "BA", "bcbcaa", []),
        ("x P:A a P:B b", "BA", "xba", []),  # what stands before the first part is played first
        ("P:A a b", "", "ab", []),
        ("a b", "AB", "ab", []),  # no part is marked: there is nothing to put in order
        ("P:A a P:B b", "ACBC", "ab", ["the order of parts asks for part C, which is not there; left out"]),
        ("P:A a P:B b P:A c", "AB", "ab", ["part A is written twice; the order of parts plays the first one"]),
    ],
)
def test_parts(signs: str, parts: str, expected: str, says: list[str]) -> None:
    assert played(signs, parts) == (expected, says)


@pytest.mark.parametrize(
    ("signs", "expected", "says"),
    [
        ("a b!fine! c!D.C.!", "abcab", []),
        ("a b!segno! c!fine! d!D.S.! e", "abcdbc", []),
        ("|: a :| b!fine! c!D.C.!", "aabcab", []),  # the repeats are not played again
        ("|: a [1 b :| [2 c!fine! || d!D.C.!", "abacdac", []),  # nor the first ending
        ("|: a [1 b :| [2 c || |: d [1 e :| [2 f!fine!D.C.!", "abacdedfacdf", []),
        ("a b!to_coda! c!D.C._al_coda! d!coda! e", "abcabde", []),  # up to the words and with them
        ("a b!coda! c!D.C._al_coda! d!coda! e", "abcade", []),  # up to the sign, without what follows
        ("a b!coda! c!D.C.! d!coda!", "abcad", []),
        ("a!segno! b!to_coda! c!D.S._al_coda! d!coda!", "abcabd", []),
        ("x a!segno! b!to_coda! c!D.S._al_coda! d!coda!", "xabcabd", []),
        ("a b!D.S.!", "ab", ["D.S. without a segno to go back to; ignored"]),
        ("a b!D.C.!", "ab", ["D.C. without Fine; ignored: the next time round begins at the top anyway"]),
        ("a!to_coda! b!D.C._al_coda!", "ab", ["D.C. al coda without the coda signs that it needs; ignored"]),
        ("a b!D.C._al_coda! c!coda!", "abc", ["D.C. al coda without the coda signs that it needs; ignored"]),
    ],
)
def test_jumps(signs: str, expected: str, says: list[str]) -> None:
    assert played(signs) == (expected, says)


def test_jumps_are_obeyed_only_where_they_are_asked_for() -> None:
    assert played("a b!fine! |: c :| d!D.C.!", jumps=False) == ("abccd", [])


def test_the_limit_holds_to_the_measure() -> None:
    measures = drafts("a :|")
    measures[0].repeat_end = MOST_PLAYED - 1
    assert len(order_of(measures, (), print)) == MOST_PLAYED
    measures[0].repeat_end = MOST_PLAYED
    with pytest.raises(TooManyMeasuresError):
        order_of(measures, (), print)
    with pytest.raises(TooManyMeasuresError):
        order_of(drafts("P:A a"), ("A",) * (MOST_PLAYED + 1), print)
