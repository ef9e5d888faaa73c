"""The words of the hand-out, in one table, so that they can be translated in one place."""

from __future__ import annotations

from fractions import Fraction

from underbow.theory.meter import beat_words, note_value

_BEATS = tuple(Fraction(n, 4) for n in (1, 2, 3, 4, 6, 8, 12, 16))  # from a sixteenth to a whole note, in quarters
ENGLISH = {
    "tune": "The tune",
    "changes": "The changes",
    "shapes": "Where the fingers go",
    "bowing": "The bow",
    "plan": "Practice plan",
    "plan_how": "Tick a pass when the changes come in time and the bow never stops. Move on once it feels easy.",
    "plan_each": "Every tempo is played {count} times.",
    "plan_bar": "A bar of clicks comes before each new tempo.",
    "plan_bars": "{count} bars of clicks come before each new tempo.",
    "care": (
        "Keep the track just loud enough to follow: your own fiddle is loud at your left ear. Rest a few minutes every half "
        "hour; stop if anything hurts. If pain, numbness or ringing in the ears doesn't go away, see a doctor; ask your "
        "teacher to watch your hands."
    ),
    "played": "Played",
    "no_title": "Untitled",
    "only_bars": "{title} (bars {bars})",
    "tune_to": "tune to {strings}",
    "low_high": "L before a finger: low, back towards the scroll. H: high, forward.",
    "to_learner": "A word from your teacher",
    "played_by": "melody played by {by}",
    "consent": "The melody is {by}'s own playing: hand it on only with the player's consent.",
    "tune_said": "The tune on a staff, with its chords",
    "shapes_said": "Hand shapes, the fingers on the lower string first",
    "then": "then",
    "readme_unzip": (
        "Unzip first. What is inside a zip can be looked at, but doesn't play: on Windows right-click the zip and choose "
        "Extract all, on a Mac double-click it, on a phone tap it in the Files app."
    ),
    "readme_phone": (
        "On a phone, open the page in a browser. Android: in the Files app tap the .html file and choose the browser. iPhone and "
        "iPad: a mail or the Files app shows only a preview in which nothing plays; if no browser is offered, ask your "
        "teacher for the page on a web space, or play the audio file and put the printed sheet on the stand."
    ),
    "readme_how": (
        "Open the practice page in any browser, on a phone or a computer: it plays the tune at your tempo and shows the chord, "
        "the hand shape and the bow in time. It works without the internet. Or play the track in any player and put the printed "
        "sheet on the stand."
    ),
    "readme_page": "the practice page",
    "readme_pdf": "the sheet to print",
    "readme_text": "the same in plain text",
    "readme_video": "the track to see: a video that opens on any phone",
    "readme_many": "There are {count} tunes. Open index.html: it lists all of them, and finds one by its title, key or meter.",
    "contents_search": "Find a tune",
    "contents_found": "{count} of {all}",
    "contents_tracks": "Tracks",
    "contents_page": "Practice page",
    "contents_pdf": "Sheet to print (PDF)",
    "readme_tracks": "the tracks, each with its MIDI file:",
    **{note_value(beat): beat_words(beat) for beat in _BEATS},
    "stays": "A second ring: this finger stays.",
    "tones": "After each note stands which tone of its chord it is: {tones}.",
    "tone_names": "root second third fourth fifth sixth seventh - ninth - eleventh - thirteenth",
    "tone": "{number} the {name}",
    "flat": "with ♭ the lower one",
    "sharp": "with ♯ the higher one",
    "accents": "The figures under the count: how much the bow leans, 9 the most.",
    "which_strings": "The two short lines: the strings; what is thick is bowed.",
    "doubtful": "A chord with a question mark is a suggestion that may be wrong: check it by ear.",
    "which": "Where a chord has several shapes, the changes show which one to use.",
}
