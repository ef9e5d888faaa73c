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
    "same": "the same chord again",
    "count_in": "Count-in",
    "stays_one": "finger {fingers} stays",
    "stays_many": "fingers {fingers} stay",
    "beats": "beats until the change",
    "bow": "The bow in this bar",
    "bow_next": "The bow in the next bar",
    "pass_of": "Pass (of {count})",
    "round": "Round",
    "bar": "Bar",
    "bar_in": "{section}, bar",
    "bar_time": "{number}, time {time}",
    "pickup": "Pickup",
    "beats_a_minute": "Tempo",
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
    "held_back": "The browser is holding the sound back. Press Play again; on a phone, check the mute switch.",
    "broken_off": "The sound was interrupted. Press Play to carry on.",
    "bar_back": "Back a bar",
    "bar_on": "Forward a bar",
    "repeat": "Repeat",
    "repeat_off": "off",
    "repeat_bars": "Repeat some bars",
    "repeat_span": "bars {from} to {to}",
    "repeat_one": "bar {from}",
    "repeat_pair": "Two bars here",
    "repeat_section": "This section",
    "repeat_tune": "The whole tune",
    "from_bar": "From bar",
    "to_bar": "to bar",
    "pick": "Choose on the notes",
    "pick_first": "Tap the first bar to repeat.",
    "pick_last": "Now tap the last one.",
    "hard_bar": "{bar} (hard)",
    "second_time": "{bar}, time {time}",
    "counted": "Count-in",
    "counted_start": "before each start",
    "counted_round": "before every round",
    "counted_none": "none",
    "rise": "Gets faster",
    "rise_0": "never",
    "rise_1": "after every round",
    "rise_2": "after 2 rounds",
    "rise_4": "after 4 rounds",
    "hard": "Mark this bar as hard",
    "hard_next": "Repeat the next hard place",
    "no_hard": "No bar is marked as hard yet.",
    "own_tempo": "My own tempo",
    "slower": "Slower",
    "faster": "Faster",
    "by_plan": "Back to the plan",
    "place": "Place in the track",
    "place_said": "pass {pass}, bar {bar}, {chord}",
    "passes": "The plan",
    "ramp": "{beat} = {slow} to {fast}",
    "pass_said": "Pass {number}, {tempo}",
    "players": "Who plays, and how near",
    "placings": "Ready-made",
    "near": "near",
    "middle": "middle",
    "far": "far",
    "out": "out",
    "player_melody": "tune",
    "player_backup": "backup",
    "player_rhythm": "guitar",
    "player_drone": "drone",
    "player_click": "click",
    "player_at": "{player} ({decibels} dB)",
    "about_backup turn": "The tune plays and you back it up; a guide helps, and fades.",
    "about_tune turn": "The backup plays and you play the tune; a guide helps, and fades.",
    "about_take turns": "You back up one pass and play the tune the next.",
    "about_together": "Everything, to hear how it goes.",
    "about_click alone": "Nobody plays but you.",
    "tuning": "Tuning notes",
    "tuning_note": "{string}, {hertz} hertz",
    "notation": "The tune",
    "notation_how": "Tap a bar to go there. Drag across bars with the mouse to repeat them.",
    "go_to_bar": "Bar {number}",
    "record": "Record yourself",
    "record_how": (
        "Play along from where you are, for up to ten minutes. With headphones on, the microphone hears your fiddle alone. "
        "Save the recording and give it to your teacher, who can have it heard beside the sheet."
    ),
    "record_private": "The recording stays on this device; nothing is sent. Unless you save it, it is gone with the page.",
    "record_begin": "Record",
    "record_stop": "Stop recording",
    "record_hear": "Hear it with the track",
    "record_save": "Save it (WAV)",
    "record_test": "Test the delay",
    "record_testing": (
        "Ten clicks: turn the loudspeaker up so that the microphone hears them. With headphones on, clap along from the third."
    ),
    "record_unclear": "The clicks were not clear. Turn the loudspeaker up, or clap nearer to the microphone, and test again.",
    "record_tested": "This device hears you {ms} ms late; that is taken into account.",
    "record_untested": "Test the delay once: a device hears what it plays a little late; then your recording lies in time.",
    "mic_refused": "The microphone may not be used. Allow it in the browser's settings, or record with another device.",
    "mic_none": "No microphone was found.",
    "mic_taken": "The microphone can't be opened; perhaps something else is using it.",
    "mic_unable": (
        "This browser lets no page that was opened from a file record. Record with your device's own recorder while this plays."
    ),
    "mic_silent": "Nothing was recorded.",
    "log": "What you practised",
    "log_where": (
        "Kept only in this browser on this device; it is gone when you clear the browser's data. Nobody sees it unless you copy "
        "it."
    ),
    "log_not_kept": "This browser keeps nothing for this page: copy it before you close the page.",
    "log_minutes": "{minutes} min",
    "log_rounds": "{count} times round",
    "log_plan": "the plan",
    "log_tune": "whole tune",
    "log_copy": "Copy for your teacher",
    "log_copied": "Copied. Paste it into a message.",
    "log_by_hand": "Marked: now copy it with your device's own copy command.",
    "log_clear": "Delete this list",
    "rest_now": "You have played for 25 minutes. Put the fiddle down for five; let arms, neck and ears rest.",
    "played_by": "melody played by {by}",
    "learner": "A word from your teacher",
    "eye": "If the highlight is ahead of the sound",
    "eye_how": "Wireless loudspeakers sound late. Delay the highlight until both agree.",
    "eye_less": "Highlight earlier",
    "eye_more": "Highlight later",
    "eye_value": "{number} ms",
    "care": "Take care",
    "care_text": (
        "Your own fiddle is loud at your left ear: keep the track just loud enough to follow. Rest a few minutes every half "
        "hour. Stop if anything hurts; if pain, numbness or ringing in your ears doesn't go away, see a "
        "doctor. How you hold fiddle and bow is for your teacher to say, not for this page."
    ),
    "help": "How to use it",
    "help_text": (
        "The big letters are the chord you hold now; what comes next is beside it, with the beats that are left. Numbers in "
        "rings are fingers, 0 is the open string, the higher string stands above; L before a number is a low finger, H a high "
        "one. A double ring: this finger stays. The black "
        "line is the bow on the string, the frog above and the tip below: it runs down for a down-bow and up for an up-bow, and "
        "the thicker, the stronger. Tap the picture to play and to pause. No sound on a phone? Check the mute switch."
    ),
    "help_keys": (
        "Keys: space or Page Down plays and pauses, Page Up goes back to where the round began, left and right go a bar back and "
        "forward, with Shift a pass; a pedal that sends these keys works too. + and − change the tempo, R repeats, [ "
        "and ] set the "
        "first and the last bar to repeat, H marks a bar as hard, 1 to 5 move a player."
    ),
    "letters": "Use the keys with letters, numbers and signs",
}
