"""What a learner must know before the first note: the key, the meter, and how the strings are tuned where it isn't as usual."""

from __future__ import annotations

from collections.abc import Mapping

from underbow.lesson.words import ENGLISH
from underbow.text import signs
from underbow.track.sheet.model import Sheet

_USUAL = "GDAE"


def facts_of(sheet: Sheet, words: Mapping[str, str] = ENGLISH) -> list[str]:
    r"""Say them, each by itself.

    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = "X:1\nT:Two bars\nM:4/4\nL:1/4\nK:A\n\"A\"ABcd|\"D\"d4|]"
    >>> sheet = build_sheet({"abc": abc, "pattern": "saw", "tuning": "AEAE", "tempo": {"start": 60, "goal": 80}})
    >>> facts_of(sheet)
    ['A major', '4/4', 'tune to A E A E']
    """
    key = sheet.tune.key
    facts = [f"{signs(str(key.tonic))} {key.mode}", sheet.tune.meter.numbers]
    if sheet.tuning.name != _USUAL:
        strings = " ".join(signs(str(string.pitch_class)) for string in sheet.tuning.strings)
        facts.append(words["tune_to"].replace("{strings}", strings))
    return facts
