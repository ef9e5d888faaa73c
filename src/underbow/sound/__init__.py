"""What is heard."""

from underbow.sound.choose import choose_voice, voices_in_use
from underbow.sound.files.report import RenderReport
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.sound.voice.voices import Action, ActionNote, Voice

__all__ = [
    "Action",
    "ActionNote",
    "LoudnessMeter",
    "RenderOptions",
    "RenderReport",
    "Voice",
    "choose_voice",
    "render_files",
    "voices_in_use",
]
