"""Sound from a SoundFont bank: the only module that knows FluidSynth.

FluidSynth is asked for *tones* only: one key, held, dry, in float. What the bow or the hand does with a tone is our own:
where it starts, how it swells, pulses, turns into the next one and rings off. So one tone serves every length and level
it is wanted at, its onset is exact to the sample, and a bow stroke sounds like one although no bank has such a thing.

Conventions: float32, mono, the voice's own rate. Levels and velocities: SoundFont 2.04 (9.10, default modulator from velocity
to attenuation) attenuates by 40 log10(127 / velocity) dB.
"""

from __future__ import annotations

import ctypes
import importlib
import io
import os
import sys
import threading
from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import chdir, contextmanager, nullcontext, redirect_stdout
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, Self

import numpy as np

from underbow.errors import InputError, UnderbowError
from underbow.fiddle.grid import FULL_ACCENT, STEP_DB
from underbow.sound.soundfont.banks import Bank, read_bank
from underbow.sound.soundfont.pitch import follow, in_tune
from underbow.sound.soundfont.strokes import sound_action
from underbow.sound.soundfont.tone import held, struck
from underbow.sound.voice.voices import Action, Samples
from underbow.steps import step
from underbow.track.midi.velocity import velocity

__all__ = ["Engine", "SoundFontVoice", "engine"]

_DRUMS, _DRUM_BANK = 9, 128
_SILENT = 1e-4
_BLOCK = 64  # frames that FluidSynth makes at a time
_PROBE = 16_384  # frames that tell the louder channel
_HOMEBREW = "/opt/homebrew"
_ROOM = 24 << 20  # bytes of tones kept
_SETTINGS: dict[str, int | float] = {
    "synth.gain": 0.5,
    "synth.reverb.active": 0,
    "synth.chorus.active": 0,
    "synth.dynamic-sample-loading": 1,
    "synth.lock-memory": 0,
    "synth.cpu-cores": 1,
    "synth.polyphony": 64,
    "synth.midi-channels": 16,
}


@dataclass(frozen=True, slots=True)
class Engine:
    """FluidSynth as found on this machine: its version, or why it can't be used and what helps.

    Parameters
    ----------
    version : str
        Empty where it can't be used.
    trouble : str
        One line with the cure; empty where all is well.
    """

    version: str
    trouble: str

    def __bool__(self) -> bool:
        return not self.trouble


_log: deque[str] = deque(maxlen=20)
_LogFunction = ctypes.CFUNCTYPE(None, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p)


def _keep_log(level: int, message: bytes | None, _: object) -> None:
    """Take what FluidSynth would write to stderr; it is told only where it explains a failure."""
    _log.append((message or b"").decode("utf-8", "replace"))


_MUTING = threading.Lock()  # stderr is the whole program's
_KEEP_LOG = _LogFunction(_keep_log)  # kept alive as long as the library may call it


@cache
def _load() -> tuple[ModuleType | None, Any, str]:
    """Give pyfluidsynth, its library for the calls it doesn't wrap, and what is wrong."""
    try:
        module = _pyfluidsynth()
        library = ctypes.CDLL(module.lib)
        for level in range(5):
            library.fluid_set_log_function(level, _KEEP_LOG, None)
        pointer, integer = ctypes.c_void_p, ctypes.c_int
        library.fluid_synth_write_float.argtypes = [
            pointer,
            integer,
            pointer,
            integer,
            integer,
            pointer,
            integer,
            integer,
        ]
        library.fluid_version_str.restype = ctypes.c_char_p
    except ImportError:
        return None, None, f"FluidSynth's library isn't installed; {_how_to_install()}"
    except (OSError, AttributeError) as error:
        line = str(error).splitlines()[0] if str(error) else type(error).__name__
        return (
            None,
            None,
            f"FluidSynth's library doesn't load ({line}); is it made for this Python? {_how_to_install()}",
        )
    return module, library, ""


def _pyfluidsynth() -> ModuleType:
    """Import pyfluidsynth, which looks for the library at once and where ``CI`` is set prints what it found."""
    if sys.platform == "darwin" and Path(_HOMEBREW).is_dir():
        os.environ.setdefault("HOMEBREW_PREFIX", _HOMEBREW)  # unset where a program wasn't started from a shell
    # On Windows it would also take a library that lies in the current folder, whoever put it there.
    elsewhere = chdir(sys.prefix) if sys.platform == "win32" else nullcontext()
    with redirect_stdout(io.StringIO()), elsewhere:
        return importlib.import_module("fluidsynth")


def _how_to_install() -> str:
    match sys.platform:
        case "darwin":
            return "brew install fluidsynth"
        case "win32":
            return "unpack FluidSynth's Windows release and put its bin folder on PATH"
        case _:
            return "on Debian or Ubuntu: apt install libfluidsynth3 fluid-soundfont-gm"


def engine() -> Engine:
    """Tell whether FluidSynth can be used here; nothing is printed."""
    module, library, trouble = _load()
    return Engine("" if module is None else library.fluid_version_str().decode(), trouble)


@contextmanager
def _stderr_muted() -> Iterator[None]:
    """Keep away what FluidSynth's helpers (GLib) write past its log when a bank is no bank; one thread at a time."""
    with _MUTING:
        try:
            stderr, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
        except OSError:  # a program without stderr
            yield
            return
        try:
            os.dup2(nowhere, 2)
            yield
        finally:
            os.dup2(stderr, 2)
            os.close(stderr)
            os.close(nowhere)


class _Synth:
    """One FluidSynth with one bank, for one thread at a time."""

    def __init__(self, bank: Bank, rate: int) -> None:
        module, self._library, trouble = _load()
        if module is None:
            raise UnderbowError(trouble)
        _log.clear()
        self._synth = module.Synth(0.5, float(rate), 16, **_SETTINGS)
        asked = {**_SETTINGS, "synth.sample-rate": float(rate)}
        refused = [name for name, value in asked.items() if self._synth.get_setting(name) != value]
        if refused:
            self.delete()
            raise UnderbowError(f"FluidSynth doesn't take the setting {refused[0]} = {asked[refused[0]]}")
        self._bank = bank
        with step(f"loading the SoundFont {bank.path.name}"), _stderr_muted():
            self._font = self._synth.sfload(str(bank.path))
        if self._font == -1:
            self.delete()
            why = f" ({_log[-1]})" if _log else ""
            raise InputError(f"{bank.path}: FluidSynth can't load this SoundFont{why}; use another one")
        self._chosen: dict[int, int] = {}

    def delete(self) -> None:
        """Free it."""
        self._synth.delete()

    def tone(self, program: int, key: int, velocity: int, frames: int) -> Samples:
        """Hold a key for so many frames; of two channels the louder one, since a bank's two may be takes of different pitch."""
        channel = self._channel(program)
        # Whole blocks: the next note starts with one too. FluidSynth slides from the level of the note that a voice played
        # before to the new one's over a block: a block of the same note goes before, so that nothing is left of another.
        out = np.zeros((2, -(-frames // _BLOCK) * _BLOCK), np.float32)
        for length in (_BLOCK, out.shape[1]):
            self._synth.all_sounds_off(channel)
            self._write(out[:, :_BLOCK])  # voices of the note before leave
            if self._synth.noteon(channel, key, velocity) != 0:
                raise UnderbowError(f"{self._bank.path}: no sound for key {key} of program {program + 1}")
            self._write(out[:, :length])
            self._synth.noteoff(channel, key)
        left, right = np.square(out[:, :_PROBE]).sum(axis=1)
        return np.asarray(out[int(right > left)])

    def _write(self, out: Samples) -> None:
        left, right = out.ctypes.data, out.ctypes.data + out.strides[0]
        if self._library.fluid_synth_write_float(self._synth.synth, out.shape[1], left, 0, 1, right, 0, 1) != 0:
            raise UnderbowError("FluidSynth failed while rendering")

    def _channel(self, program: int) -> int:
        """Give the channel on which a program is ready to sound."""
        channel = _DRUMS if program < 0 else 0
        if self._chosen.get(channel) == program:
            return channel
        bank, preset = (_DRUM_BANK, 0) if program < 0 else (0, program)
        if self._synth.program_select(channel, self._font, bank, preset) != 0:
            what = "percussion" if program < 0 else f"General MIDI program {program + 1}"
            raise InputError(f"{self._bank.path}: this SoundFont has no {what}; use a General MIDI bank")
        self._chosen[channel] = program
        return channel


class SoundFontVoice:
    """The voice of a SoundFont bank.

    Parameters
    ----------
    bank : Bank or Path
    rate : int
        Frames a second, 8000 to 96000.
    concert_pitch : float
        Hz of A4.

    Raises
    ------
    UnderbowError
        If FluidSynth can't be used here.
    InputError
        If the bank can't be used.
    """

    name = "soundfont"

    def __init__(self, bank: Bank | Path, rate: int = 44_100, concert_pitch: float = 440.0) -> None:
        self.bank = read_bank(bank) if isinstance(bank, Path) else bank
        self.rate = rate
        self._concert_pitch = concert_pitch
        self._lock = threading.Lock()
        self._synths: list[_Synth] = []
        self._tones: OrderedDict[tuple[int, int, int, bool], Samples] = OrderedDict()
        self._bytes = 0
        with self._synth():
            pass

    def close(self) -> None:
        """Free the synths; the voice can go on to be used."""
        with self._lock:
            synths, self._synths = self._synths, []
        for synth in synths:
            synth.delete()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def sounds(self, action: Action) -> Samples:
        """Sound an action; see :class:`underbow.sound.voice.voices.Voice`."""
        return sound_action(action, self.rate, self._tone)

    def probe(self, programs: set[int]) -> None:
        """Make sure that the programs are there and not silent; raise InputError where one is not."""
        for program in sorted(programs):
            self._tone(program, 76 if program < 0 else 62, FULL_ACCENT, 1, False)

    def _tone(self, program: int, key: int, accent: int, frames: int, as_held: bool) -> Samples:
        """Give a tone of at least so many frames."""
        accent = min(accent // 2 * 2 + 1, FULL_ACCENT)
        name = (program, key, accent, as_held)
        with self._lock:
            kept = self._tones.get(name)
            if kept is not None and len(kept) >= frames:
                self._tones.move_to_end(name)
                return kept
        strength = velocity(STEP_DB * (accent - FULL_ACCENT))
        wanted = max(frames + self.rate // 2, self.rate)
        step = 1 << min(wanted.bit_length(), 18)  # in steps, so that a slightly longer stroke needs no new tone
        wanted = -(-wanted // step) * step
        with self._synth() as synth:
            whole = synth.tone(program, key, strength, wanted)
        if not np.abs(whole).max() > _SILENT:
            what = "percussion" if program < 0 else f"General MIDI program {program + 1}"
            raise InputError(f"{self.bank.path}: {what} is silent at key {key}; the file is broken, use another one")
        if program >= 0:
            ratio = 2 ** ((key - 69) / 12)
            pitch = follow(whole, self.rate, 440.0 * ratio)
            if pitch is not None:
                whole = in_tune(whole, self.rate, pitch, self._concert_pitch * ratio, still=as_held)
        tone = held(whole, self.rate) if as_held else struck(whole, self.rate)
        with self._lock:
            old = self._tones.pop(name, None)
            self._bytes += tone.nbytes - (0 if old is None else old.nbytes)
            self._tones[name] = tone
            while self._bytes > _ROOM and len(self._tones) > 1:
                self._bytes -= self._tones.popitem(last=False)[1].nbytes
        return tone

    @contextmanager
    def _synth(self) -> Iterator[_Synth]:
        """Lend a synth to a thread."""
        with self._lock:
            synth = self._synths.pop() if self._synths else None
        if synth is None:
            synth = _Synth(self.bank, self.rate)
        try:
            yield synth
        finally:
            with self._lock:
                self._synths.append(synth)
