"""The words of the practice page, in one table, so that they can be translated in one place.

What stands in braces is filled in by the page.
"""

from __future__ import annotations

ENGLISH: dict[str, str] = {
    "lang": "en",
    "page_title": "{title}: practice page",
    "stage": "What to play now",
    "now": "Now",
    "next": "Next",
    "no_chord": "rest",
    "the_end": "end",
    "count_in": "Count-in",
    "tuning_notes": "Tuning notes",
    "stays_one": "finger {fingers} stays",
    "stays_many": "fingers {fingers} stay",
    "beats": "beats until the change",
    "bow": "The bow in this bar",
    "bow_next": "The bow in the next bar",
    "pass_of": "Pass {number} of {count}",
    "bar_of": "Bar {number}",
    "pickup": "Pickup",
    "section": "Section {name}",
    "tempo": "{beat} = {count}",
    "beat_1/16": "sixteenth",
    "beat_1/8": "eighth",
    "beat_3/16": "dotted eighth",
    "beat_1/4": "quarter",
    "beat_3/8": "dotted quarter",
    "beat_1/2": "half",
    "beat_3/4": "dotted half",
    "beat_1/1": "whole note",
    "controls": "Playing",
    "play": "Play",
    "pause": "Pause",
    "opening": "Opening the track …",
    "failed": "This browser can't play the track. Open the page in a newer one, or play the audio files.",
    "bar_back": "A bar back",
    "bar_on": "A bar on",
    "repeat": "Repeat",
    "repeat_off": "off",
    "repeat_pair": "two bars",
    "repeat_section": "section",
    "place": "Place in the track",
    "place_said": "pass {pass}, bar {bar}, {chord}",
    "passes": "Passes",
    "ramp": "{beat} = {slow} to {fast}",
    "pass_said": "Pass {number}, {tempo}",
    "mixes": "What you hear",
    "about_backup turn": "The tune plays and you back it up; a guide helps, and fades.",
    "about_tune turn": "The backup plays and you play the tune; a guide helps, and fades.",
    "about_take turns": "You back up one pass and play the tune the next.",
    "about_together": "Everything, to hear how it goes.",
    "notation": "The tune",
    "notation_how": "Tap a bar to go there.",
    "eye": "If the light is ahead of the sound",
    "eye_how": "Wireless loudspeakers sound late. Let the light wait until both agree.",
    "eye_less": "Light earlier",
    "eye_more": "Light later",
    "eye_value": "{number} ms",
    "care": "Take care",
    "care_text": (
        "Your own fiddle is loud at your left ear: keep the track only as loud as you need to follow it. Rest a few minutes "
        "in every half hour. Stop when something hurts; if pain, numbness or ringing in your ears stays, see a "
        "doctor. How you hold fiddle and bow is for your teacher to say, not for this page."
    ),
    "help": "How to use it",
    "help_text": (
        "The big letters are the chord you hold now; what comes next stands beside it, with the beats that are left. Numbers in "
        "rings are fingers, 0 is the open string, the higher string stands above. A double ring: this finger stays. The black "
        "line is the bow on the string, the frog above and the tip below: it runs down for a down-bow and up for an up-bow, and "
        "the thicker, the stronger. Tap the picture to play and to pause. Keys: space plays "
        "and pauses, left and right go a bar back and on, with shift a pass; a pedal that sends these keys does as well. "
        "No sound on a phone? Look at its mute switch."
    ),
}
