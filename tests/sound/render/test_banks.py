"""Which bank plays, what is told of one that can't, and what there is without the library."""

from __future__ import annotations

import importlib
import os
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from underbow.errors import InputError
from underbow.sound.choose import choose_voice, voices_in_use
from underbow.sound.soundfont import voice as soundfont
from underbow.sound.soundfont.banks import Bank, find_banks, read_bank
from underbow.sound.soundfont.pitch import follow
from underbow.sound.soundfont.voice import SoundFontVoice, engine
from underbow.track.performance import Performance

RATE = 44_100


def _broken(bank: bytes) -> dict[str, tuple[bytes, str]]:
    return {
        "empty": (b"", "not a SoundFont"),
        "garbage": (bytes(range(256)) * 400, "not a SoundFont"),
        "text": (b"This is a text that somebody renamed to .sf2, as people do.", "not a SoundFont"),
        "wave": (b"RIFF" + struct.pack("<I", 60) + b"WAVE" + bytes(60), "not a SoundFont"),
        "header": (bank[:40], "not a SoundFont"),
        "cut": (bank[:-1], "cut short"),
        "half": (bank[: len(bank) // 2], "cut short"),
        "empty form": (b"RIFF" + struct.pack("<I", 60) + b"sfbk" + bytes(60), "without presets"),
    }


@pytest.mark.parametrize("kind", ["empty", "garbage", "text", "wave", "header", "cut", "half", "empty form"])
def test_a_broken_bank_is_told_in_one_line_with_the_cure(tmp_path: Path, small_bank: Path, kind: str) -> None:
    data, message = _broken(small_bank.read_bytes())[kind]
    path = tmp_path / "broken.sf2"
    path.write_bytes(data)
    with pytest.raises(InputError, match=message) as caught:
        read_bank(path)
    assert str(path) in str(caught.value)
    assert "another bank" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_bank_and_a_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no such file; check the name given to --soundfont"):
        find_banks(tmp_path / "none.sf2")
    with pytest.raises(InputError, match="this is a folder"):
        find_banks(tmp_path)


def _patched(bank: Path, tmp_path: Path, change: Callable[[bytearray], None]) -> Path:
    data = bytearray(bank.read_bytes())
    change(data)
    path = tmp_path / "patched.sf2"
    path.write_bytes(data)
    return path


def _without_violin(data: bytearray) -> None:
    start = data.index(b"phdr") + 8
    length = struct.unpack("<I", data[start - 4 : start])[0]
    for at in range(start, start + length - 38, 38):
        program, bank = struct.unpack("<HH", data[at + 20 : at + 24])
        if (program, bank) == (40, 0):
            data[at + 20 : at + 24] = struct.pack("<HH", 40, 99)


def _without_samples(data: bytearray) -> None:
    start = data.index(b"smpl") + 8
    length = struct.unpack("<I", data[start - 4 : start])[0]
    data[start : start + length] = bytes(length)


def test_a_bank_without_the_instrument_is_refused_not_played_as_another(
    fluidsynth_library: str, tmp_path: Path, small_bank: Path, quartet: Performance
) -> None:
    path = _patched(small_bank, tmp_path, _without_violin)
    assert read_bank(small_bank).has(40)
    assert not read_bank(path).has(40)
    with pytest.raises(InputError, match="has no General MIDI program 41"):
        choose_voice(quartet, "soundfont", soundfont=path)


def test_silence_has_no_pitch_to_be_off() -> None:
    assert follow(np.zeros(48_000, np.float32), 48_000, 440.0) is None


def _without_sound(names: tuple[bytes, ...]) -> Callable[[bytearray], None]:
    """Silence the samples whose header's name holds one of some words."""

    def change(data: bytearray) -> None:
        samples, headers = data.index(b"smpl") + 8, data.index(b"shdr") + 8
        size = struct.unpack("<I", data[headers - 4 : headers])[0]
        for at in range(headers, headers + size - 46, 46):
            if any(name in data[at : at + 20].lower() for name in names):
                begin, end = (samples + 2 * place for place in struct.unpack("<II", data[at + 20 : at + 28]))
                data[begin:end] = bytes(end - begin)

    return change


def test_a_bank_whose_violin_is_silent_is_refused_and_auto_takes_another_sound(
    fluidsynth_library: str, tmp_path: Path, small_bank: Path, quartet: Performance, monkeypatch: pytest.MonkeyPatch
) -> None:
    bank = _patched(small_bank, tmp_path, _without_sound((b"viol", b"fidd", b"string")))
    with pytest.raises(InputError, match=r"General MIDI program \d+ is silent at key 62; the file is broken"):
        choose_voice(quartet, soundfont=bank)
    monkeypatch.setattr("underbow.sound.choose.find_banks", lambda _: (read_bank(bank),))
    monkeypatch.setattr(Bank, "as_good", True)
    choice = choose_voice(quartet)
    assert choice.what == "builtin"
    assert "is silent at key 62" in choice.told


def test_a_silent_bank_is_refused(
    fluidsynth_library: str, tmp_path: Path, small_bank: Path, quartet: Performance
) -> None:
    with pytest.raises(InputError, match="silent"):
        choose_voice(quartet, soundfont=_patched(small_bank, tmp_path, _without_samples))


def test_a_bank_that_only_fluidsynth_finds_broken_is_told(
    fluidsynth_library: str, tmp_path: Path, small_bank: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    def spoil(data: bytearray) -> None:
        at = data.index(b"shdr")
        data[at : at + 4] = b"xxxx"

    with pytest.raises(InputError, match="FluidSynth can't load this SoundFont"):
        SoundFontVoice(_patched(small_bank, tmp_path, spoil), RATE)
    assert capfd.readouterr() == ("", "")


@pytest.fixture
def without_library(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Exception], None]]:
    def fail_with(error: Exception) -> None:
        def failing(name: str) -> object:
            raise error

        soundfont._load.cache_clear()
        monkeypatch.setattr(soundfont.importlib, "import_module", failing)

    yield fail_with
    monkeypatch.undo()
    soundfont._load.cache_clear()


@pytest.mark.parametrize("error", [ImportError("Couldn't find the FluidSynth library."), OSError("wrong ELF class")])
def test_without_the_library_auto_takes_the_built_in_voices_and_says_so(
    without_library: Callable[[Exception], None], quartet: Performance, error: Exception
) -> None:
    without_library(error)
    choice = choose_voice(quartet)
    assert (choice.what, choice.voice.name) == ("builtin", "builtin")
    assert "built-in voices" in choice.told
    assert "\n" not in choice.told
    assert not engine()
    report = voices_in_use()
    assert report.used == "builtin"
    assert report.to_json()["trouble"]
    with pytest.raises(InputError, match="use --voices builtin"):
        choose_voice(quartet, "soundfont")


def test_a_library_of_the_wrong_kind_is_told(without_library: Callable[[Exception], None]) -> None:
    without_library(OSError("libfluidsynth.so.3: invalid ELF header\nmore"))
    assert "doesn't load (libfluidsynth.so.3: invalid ELF header)" in engine().trouble


def test_nothing_is_printed_even_where_ci_is_set(fluidsynth_library: str, small_bank: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from underbow.sound.soundfont.voice import SoundFontVoice\n"
        "SoundFontVoice(Path(sys.argv[1])).probe({40, -1})"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(small_bank)],
        capture_output=True,
        check=True,
        env={**os.environ, "CI": "false"},
    )
    assert done.stdout + done.stderr == b""


def test_importing_the_voice_does_not_look_for_the_library() -> None:
    code = "import sys, underbow.sound.render; sys.exit('fluidsynth' in sys.modules or 'soundfile' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_choice_is_told_and_contradictions_are_refused(
    banks: tuple[Bank, ...], quartet: Performance, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``auto`` takes a bank only where its violin was measured to be as good as the built-in one (benchmarks/sound)."""
    monkeypatch.setattr(Bank, "as_good", True)
    with closing(choose_voice(quartet)) as choice:
        assert choice.what == f"soundfont ({banks[0].path.name})"
        assert "--voices builtin" in choice.told
    assert voices_in_use().used == "soundfont"
    monkeypatch.setattr(Bank, "as_good", False)
    with closing(choose_voice(quartet)) as choice:
        assert choice.what == "builtin"
        assert f"--voices soundfont takes {banks[0].path}" in choice.told
    assert voices_in_use().used == "builtin"
    with closing(choose_voice(quartet, "soundfont")) as choice:
        assert choice.what == f"soundfont ({banks[0].path.name})"
    assert choose_voice(quartet, "builtin").told == ""
    with pytest.raises(InputError, match="not both"):
        choose_voice(quartet, "builtin", soundfont=banks[0].path)
    with pytest.raises(InputError, match="did you mean 'soundfont'"):
        choose_voice(quartet, "soundfonts")


def test_the_report_names_banks_licences_and_places(banks: tuple[Bank, ...]) -> None:
    told = voices_in_use(banks[0].path).to_json()
    assert told["used"] == "soundfont"
    assert told["soundfont"] == str(banks[0].path)
    told = voices_in_use().to_json()
    assert told["used"] == ("soundfont" if any(bank.as_good for bank in banks) else "builtin")
    small = next(bank for bank in told["banks"] if bank["path"].endswith("TimGM6mb.sf2"))
    assert small["licence"] == "GPL-2"  # as Debian's copyright file of timgm6mb-soundfont says
    assert told["places"]


def test_only_what_was_measured_is_as_good(tmp_path: Path, small_bank: Path) -> None:
    fluid = tmp_path / "FluidR3_GM.sf2"
    fluid.write_bytes(small_bank.read_bytes())
    (tmp_path / "default.sf2").symlink_to(fluid)
    assert [read_bank(path).as_good for path in (fluid, tmp_path / "default.sf2", small_bank)] == [True, True, False]


def test_a_folder_that_can_not_be_read_holds_no_banks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    files = importlib.import_module("underbow.sound.soundfont.banks")
    elsewhere = find_banks()

    def refused(folder: Path) -> Iterator[Path]:
        raise PermissionError(13, "Permission denied", str(folder))

    monkeypatch.setattr(files, "usual_places", lambda: (tmp_path,))
    monkeypatch.setattr(Path, "iterdir", refused)
    assert set(find_banks()) <= set(elsewhere)


def test_usual_places_differ_by_system(monkeypatch: pytest.MonkeyPatch) -> None:
    files = importlib.import_module("underbow.sound.soundfont.banks")
    told = set()
    for system in ("linux", "darwin", "win32"):
        monkeypatch.setattr(files.sys, "platform", system)
        told.add(files.usual_places())
    assert len(told) == 3
