"""Everything that the page on a take says."""

from __future__ import annotations

VERDICTS = {
    "judged": "Heard and judged",
    "unsure": "Judged, but not surely",
    "other piece": "Not judged",
    "other pitch": "Not judged",
    "silent": "Not judged",
    "clipped": "Not judged",
    "noisy": "Not judged",
}
WORDS = {
    "title": "What I heard: {title}",
    "advice": "What helps most",
    "bars": "Practise bars {bars}.",
    "sheet": "A track for just these bars: {name}",
    "passes": "In time",
    "tempo": "Tempo",
    "judged": "Strokes judged",
    "late": "Usually",
    "within": "95 of 100 within",
    "drift": "Drift in a minute",
    "swing": "Beat divided",
    "steady": "steady",
    "on_time": "on time",
    "behind": "behind",
    "ahead": "ahead",
    "passes_note": (
        "ms are thousandths of a second; 10 can just be heard, 30 is good playing. "
        "A beat divided 50\u00a0:\u00a050 is even, 67\u00a0:\u00a033 a full swing."
    ),
    "headphones": (
        "The track isn't in the recording, so as many strokes are taken to be early as late: where they came is known "
        "to {within} ms, and whether you play ahead of the beat or behind it as a whole is not."
    ),
    "hands": "In tune",
    "hands_note": (
        "The mark above or below a finger shows where it came down, three times as far off as it was. A hundred cents are a "
        "semitone; 10 are hardly noticed. Short strokes, and the upper note of an octave, can't be judged."
    ),
    "not_judged": "{string} string: not judged",
    "in_tune": "{string} string: in tune",
    "sharp": "{string} string: {cents} cents sharp; move the finger a little towards the scroll",
    "flat": "{string} string: {cents} cents flat; move the finger a little towards the bridge",
    "open_sharp": "{string} string, open: {cents} cents sharp; tune it lower",
    "open_flat": "{string} string, open: {cents} cents flat; tune it higher",
    "bars_title": "Bar by bar",
    "bars_note": (
        "Lines are where strokes belong, dots where yours came, four times as far off as they were: left of the line is early. "
        "An open dot is more than 30 ms off. A line without a dot is a stroke that I could not judge, a cross one that I could "
        "not hear at all."
    ),
    "bar": "Bar {number}",
    "bar_time": "Bar {number}, {time} time",
    "said_bar": "milliseconds late: {offs}",
    "said_missing": "not heard",
    "progress": "From take to take",
    "said_progress": "95 of 100 strokes within {first} ms at first, {last} ms now",
    "privacy": (
        "The recording and this page stay where you put them; nothing was sent anywhere. To forget a take, delete its file "
        "and this page; to forget the history, delete the file underbow-history.sqlite beside your takes."
    ),
    "teacher": "A program hears less than your teacher does: where the two disagree, your teacher is right.",
    "care": (
        "Stop if anything hurts, rest a few minutes every half hour, and keep headphones just loud enough to follow."
    ),
}
