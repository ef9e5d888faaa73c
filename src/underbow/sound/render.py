"""A performance to files: mixes at one loudness in any format, stems, MIDI, labels and cue sheets.

The stems stream by twice and are never kept: once to be measured, which tells the gain of every mix, and once to be mixed,
limited, measured as they come out, and written. All mixes and formats of the second time are made side by side from the same
stems. Every file takes its name when it is whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from functools import partial
from math import inf, isfinite
from pathlib import Path

from underbow.errors import Fault, InputError, near_miss
from underbow.files import make_folder, output_error, safe_name, whole_file, write_whole
from underbow.sound.choose import choose_voice
from underbow.sound.fan import fan_out
from underbow.sound.files.cues import cue_sheet, label_file
from underbow.sound.files.encode import FORMATS, Bits, Format, Tags, check_format
from underbow.sound.files.report import MadeFile, RenderReport, pass_count
from underbow.sound.mastering.master import Finish, Floats, Master, loudnesses, ticking
from underbow.sound.mix import Mixer, everything, is_heard
from underbow.sound.stems import Stems
from underbow.sound.voice.tape import Taped
from underbow.sound.voice.voices import Remembered, Voice
from underbow.track.midi.score import Score
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

__all__ = ["render_files"]

_ROOM = 1 << 20  # bytes of sounded gestures kept
_LOWEST_RATE, _HIGHEST_RATE = 22_050, 96_000
_MEASURING = 0.4  # share of the work, for the progress told


def render_files(
    performance: Performance,
    mixes: Sequence[Mix],
    folder: Path,
    *,
    formats: Sequence[Format] = ("wav",),
    voices: str = "auto",
    soundfont: Path | None = None,
    stems: bool = False,
    rate: int = 44_100,
    bits: Bits = 16,
    loudness: float = -16.0,
    name: str | None = None,
    papers: bool = True,
    remember: bool = True,
    progress: Callable[[float], None] | None = None,
) -> RenderReport:
    """Render a performance.

    Parameters
    ----------
    performance : Performance
    mixes : sequence of Mix
    folder : Path
        Made where it isn't there. Files of the same name are replaced by whole new ones.
    formats : sequence of {"wav", "flac", "ogg", "mp3"}
    voices : {"auto", "soundfont", "builtin"}
    soundfont : Path, optional
        A bank the user named.
    stems : bool
        Whether every part is written alone too (mono, at one common gain, so that they add up).
    rate : int
        Frames a second, 22,050 to 96,000.
    bits : {16, 24, "float"}
        For wav and flac.
    loudness : float
        LUFS that every mix is brought to; true peaks stay at -1 dBTP or below.
    name : str, optional
        What the files' names begin with; the title otherwise.
    papers : bool
        Whether what goes with the audio is written too: MIDI and cue sheet for every mix, and a label file.
    remember : bool
        False sounds every gesture anew: slower, the same bytes.
    progress : callable, optional
        Told the share done, 0 to 1, from time to time.

    Returns
    -------
    RenderReport

    Raises
    ------
    InputError
        If what is asked for can't be had: a format, a voice, a folder. Nothing is written then.
    UnderbowError
        If writing fails. Files that are there then are whole.
    """
    _check(mixes, formats, rate, bits)
    choice = choose_voice(performance, voices, soundfont=soundfont, rate=rate)
    parts = [part.name for part in performance.parts]
    heard = [part for part in parts if stems or any(is_heard(performance, mix, part) for mix in mixes)]
    with closing(choice), _voice(choice.voice, folder, remember=remember) as voice:
        sound = Stems(performance, voice, heard)
        finish = Finish(rate, sound.frames, bits, loudness)
        job = _Job(performance, mixes, sound, folder=folder, name=safe_name(name or performance.title), finish=finish)
        with ThreadPoolExecutor(1) as beside:  # MIDI is slow to make, and can be made while the audio is
            scores = beside.submit(job.scores) if papers else None
            try:
                made = job.run(tuple(dict.fromkeys(formats)), stems=stems, progress=progress or (lambda _: None))
            except BaseException:
                beside.shutdown(cancel_futures=True)
                raise
            if scores is not None:
                made += scores.result()
                made += job.papers([file for file in made if file.kind == "audio"])
    told = (choice.told, *job.told)
    return RenderReport(performance, tuple(made), rate, choice.what, tuple(line for line in told if line))


@contextmanager
def _voice(voice: Voice, folder: Path, *, remember: bool) -> Iterator[Voice]:
    """Give a voice that makes every sound once, if it shall: the latest are kept in memory, all of them on a tape."""
    make_folder(folder)
    try:
        tape = Taped(voice, folder) if remember else None
    except OSError as error:
        raise output_error(error, folder / "audio") from error
    if tape is None:
        yield voice
        return
    with tape:
        yield Remembered(tape, _ROOM)


def _check(mixes: Sequence[Mix], formats: Sequence[str], rate: int, bits: Bits) -> None:
    faults: list[Fault | str] = [
        f"no such format: {format!r}{near_miss(format, FORMATS)}; write one of {', '.join(FORMATS)}"
        for format in formats
        if format not in FORMATS
    ]
    if not formats:
        faults.append(f"no format is asked for; write one of {', '.join(FORMATS)}")
    if not mixes:
        faults.append("no mix is asked for; name one, or leave --mix out for all of the sheet's")
    if not _LOWEST_RATE <= rate <= _HIGHEST_RATE:
        faults.append(f"rate {rate} is outside {_LOWEST_RATE} to {_HIGHEST_RATE}; write 44100 or 48000")
    else:
        for format in FORMATS:
            try:
                if format in formats:
                    check_format(format, bits, rate)
            except InputError as wrong:
                faults += wrong.faults
    if faults:
        raise InputError(*faults)


class _Job:
    """One render."""

    def __init__(
        self, performance: Performance, mixes: Sequence[Mix], sound: Stems, *, folder: Path, name: str, finish: Finish
    ) -> None:
        self._performance, self._mixes, self._sound = performance, mixes, sound
        self._folder, self._name, self._finish = folder, name, finish
        # A mix may be called as a stem is.
        names = _apart([*(safe_name(mix.name) for mix in mixes), *(f"{part} alone" for part in sound.names)])
        self._names, self._stem_names = names[: len(mixes)], names[len(mixes) :]
        self.told: list[str] = []

    def _path(self, what: str, ending: str) -> Path:
        return self._folder / f"{self._name} - {what}.{ending}"

    def run(self, formats: tuple[Format, ...], *, stems: bool, progress: Callable[[float], None]) -> list[MadeFile]:
        """Measure, then make all audio."""
        sound, frames, done = self._sound, max(self._sound.frames, 1), 0

        def tick(count: int) -> None:
            nonlocal done
            done += count
            shares = (_MEASURING * min(done / frames, 1), (1 - _MEASURING) * min(max(done / frames - 1, 0), 1))
            progress(sum(shares))

        mixers = [Mixer(self._performance, mix, sound.names, sound.rate) for mix in self._mixes]
        alone = [Mixer(self._performance, everything(sound.names), sound.names, sound.rate)] if stems else []
        measured = loudnesses(sound, [*mixers, *alone], tick)
        masters = [
            Master(
                self._finish,
                {format: self._path(self._names[i], format) for format in formats},
                mixer.mixed,
                measured[i],
                name=self._mixes[i].name,
                tags=self._tags(i),
            )
            for i, mixer in enumerate(mixers)
        ]
        if stems:
            masters += self._stem_masters(self._finish.target - measured[-1])
        waiting = dict(enumerate(masters))
        made: dict[int, list[MadeFile]] = {}
        while waiting:
            single = len(waiting) == 1
            runs = [partial(master.run, alone=single) for master in waiting.values()]
            results = fan_out(ticking(sound.blocks(), tick), runs, apart=False)
            made |= {at: files for at, files in zip(waiting, results, strict=True) if files}
            waiting = {at: master for at, master in waiting.items() if at not in made}
        self.told += [master.told for master in masters if master.told]
        return [file for at in sorted(made) for file in made[at]]

    def _stem_masters(self, gain: float) -> list[Master]:
        gain = gain if isfinite(gain) else 0.0
        return [
            Master(
                self._finish,
                {"wav": self._path(self._stem_names[row], "wav")},
                partial(_row, row),
                -inf,
                kind="stem",
                name=part,
                channels=1,
                gain=gain,
                tags=Tags(title=f"{self._performance.title}, {part} alone", album=self._performance.title),
            )
            for row, part in enumerate(self._sound.names)
        ]

    def _tags(self, number: int) -> Tags:
        played = self._performance
        first, last = played.passes[0].tempo, played.passes[-1].end_tempo
        tempo = str(last) if first == last else f"{first} to {last.written}"
        return Tags(
            title=f"{played.title} ({self._mixes[number].name})",
            album=played.title,
            number=number + 1,
            key=str(played.key),
            tempo=f"{tempo}, {pass_count(len(played.passes))}",
            bpm=round(last.count),
            mix=self._mixes[number].name,
        )

    def scores(self) -> list[MadeFile]:
        """Write the MIDI of each mix."""
        score, made = Score(self._performance), []
        for mix, name in zip(self._mixes, self._names, strict=True):
            path = self._path(name, "mid")
            with whole_file(path) as part, part.open("wb") as file:
                file.writelines(score.chunks(mix))
            made.append(MadeFile(str(path), "midi", mix.name))
        return made

    def papers(self, audio: list[MadeFile]) -> list[MadeFile]:
        """Write what goes with the audio: the label file, and a cue sheet for each audio file that can have one."""
        path = self._path("passes", "txt")
        write_whole(path, label_file(self._performance))
        made = [MadeFile(str(path), "labels", None)]
        firsts = audio[:: len(audio) // len(self._mixes)]  # of each mix's formats
        for mix, name, file in zip(self._mixes, self._names, firsts, strict=True):
            path = self._path(name, "cue")
            text = cue_sheet(self._performance, Path(file.path).name, f"{self._performance.title} ({mix.name})")
            write_whole(path, text)
            made.append(MadeFile(str(path), "cue", mix.name))
        return made


def _row(row: int, blocks: Iterable[Floats]) -> Iterator[Floats]:
    for block in blocks:
        yield block[row][:, None]


def _apart(names: Sequence[str]) -> list[str]:
    """Number the names that would meet in a folder where case makes no difference."""
    out: list[str] = []
    for name in names:
        taken, number, new = {one.casefold() for one in out}, 2, name
        while new.casefold() in taken:
            new, number = f"{name} {number}", number + 1
        out.append(new)
    return out
