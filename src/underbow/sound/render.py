"""A performance to files: mixes at one loudness in any format, stems, MIDI, labels and cue sheets.

The stems stream by twice and are never kept: once to be measured, which tells the gain of every mix, and once to be mixed,
limited, measured as they come out, and written. All mixes and formats of the second time are made side by side from the same
stems. Every file takes its name when it is whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, nullcontext
from functools import partial
from math import isfinite
from pathlib import Path

from underbow.errors import InputError
from underbow.files.names import apart, safe_name
from underbow.files.trouble import make_folder
from underbow.files.whole import whole_file, write_whole
from underbow.sound.choose import choose_voice
from underbow.sound.fan import fan_out
from underbow.sound.files.cues import cue_sheet, label_file
from underbow.sound.files.encode import Tags
from underbow.sound.files.report import MadeFile, RenderReport, pass_count
from underbow.sound.mastering.master import Finish, Floats, Master, Wanted, loudnesses, ticking
from underbow.sound.mix import Mixer, everything, is_heard
from underbow.sound.options import RenderOptions
from underbow.sound.stems import Stems
from underbow.sound.voice.tape import sounding_once
from underbow.steps import step
from underbow.track.midi.score import Score
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

__all__ = ["render_files"]

_MEASURING = 0.4  # share of the work, for the progress told


def render_files(
    performance: Performance,
    mixes: Sequence[Mix],
    folder: Path,
    options: RenderOptions = RenderOptions(),
    *,
    progress: Callable[[float], None] | None = None,
) -> RenderReport:
    """Render a performance.

    Parameters
    ----------
    performance : Performance
    mixes : sequence of Mix
    folder : Path
        Made where it isn't there. Files of the same name are replaced by whole new ones.
    options : RenderOptions
    progress : callable, optional
        Told the share done, 0 to 1, from time to time. What it raises stops the render.

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
    options.check()
    if not mixes:
        raise InputError("no mix is asked for; name one, or leave --mix out for all of the sheet's")
    choice = choose_voice(
        performance,
        options.voices,
        soundfont=options.soundfont,
        rate=options.rate,
        kept=options.kept and options.remember,
    )
    parts = [part.name for part in performance.parts]
    heard = [part for part in parts if options.stems or any(is_heard(performance, mix, part) for mix in mixes)]
    making = step(f"making the audio of {performance.title}")
    make_folder(folder)
    voiced = sounding_once(choice.voice, folder) if options.remember else nullcontext(choice.voice)
    with making, closing(choice), voiced as voice:
        job = _Job(performance, mixes, Stems(performance, voice, heard), folder, options)
        with ThreadPoolExecutor(1) as beside:  # MIDI is slow to make, and can be made while the audio is
            scores = beside.submit(job.scores) if options.papers else None
            try:
                made = job.run(progress or (lambda _: None))
            except BaseException:
                beside.shutdown(cancel_futures=True)
                raise
            if scores is not None:
                made += scores.result()
                made += job.papers([file for file in made if file.kind == "audio"])
    told = (choice.told, *job.told)
    return RenderReport(performance, tuple(made), options.rate, choice.what, tuple(line for line in told if line))


class _Job:
    """One render."""

    def __init__(
        self, performance: Performance, mixes: Sequence[Mix], sound: Stems, folder: Path, options: RenderOptions
    ) -> None:
        self._performance, self._mixes, self._sound = performance, mixes, sound
        self._folder, self._name = folder, safe_name(options.name or performance.title)
        self._formats, self._alone = tuple(dict.fromkeys(options.formats)), options.stems
        # Stems are for mixing anew: without loss where a format without loss is asked for.
        self._stem_formats = tuple(f for f in self._formats if f in {"wav", "flac"})[:1] or self._formats[:1]
        self._finish = Finish(options.rate, sound.frames, options.bits, options.loudness, options.mono)
        # A mix may be called as a stem is.
        names = apart([*(safe_name(mix.name) for mix in mixes), *(f"{part} alone" for part in sound.names)])
        self._names, self._stem_names = names[: len(mixes)], names[len(mixes) :]
        self.told: list[str] = []

    def _path(self, what: str, ending: str) -> Path:
        return self._folder / f"{self._name} - {what}.{ending}"

    def run(self, progress: Callable[[float], None]) -> list[MadeFile]:
        """Measure, then make all audio."""
        sound, frames, done = self._sound, max(self._sound.frames, 1), 0

        def tick(count: int) -> None:
            nonlocal done
            done += count
            shares = (_MEASURING * min(done / frames, 1), (1 - _MEASURING) * min(max(done / frames - 1, 0), 1))
            progress(sum(shares))

        mixers = [Mixer(self._performance, mix, sound.names, sound.rate) for mix in self._mixes]
        all_parts = everything(sound.names)
        alone = [Mixer(self._performance, all_parts, sound.names, sound.rate, dry=True)] if self._alone else []
        measured = loudnesses(sound, [*mixers, *alone], tick)
        masters = [
            Master(
                self._finish,
                Wanted(
                    {format: self._path(self._names[i], format) for format in self._formats},
                    measured[i],
                    name=self._mixes[i].name,
                    tags=self._tags(i),
                ),
                mixer.mixed,
            )
            for i, mixer in enumerate(mixers)
        ]
        if self._alone:
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
                Wanted(
                    {format: self._path(self._stem_names[row], format) for format in self._stem_formats},
                    kind="stem",
                    name=part,
                    channels=1,
                    gain=gain,
                    tags=Tags(title=f"{self._performance.title}, {part} alone", album=self._performance.title),
                ),
                partial(_row, row),
            )
            for row, part in enumerate(self._sound.names)
        ]

    def _tags(self, number: int) -> Tags:
        played = self._performance
        first, last = played.passes[0].tempo, played.passes[-1].end_tempo
        tempo = str(last) if first == last else f"{first} to {last.written}"
        return Tags(
            title=f"{played.title} ({self._mixes[number].name})",
            artist="Underbow",  # who plays: players list a file without one apart
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
