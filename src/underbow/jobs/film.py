"""The videos of a job, from tracks without loss that are made beside those that were asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from underbow.files.whole import digest
from underbow.lesson.video.film import make_video
from underbow.lesson.video.options import VideoOptions
from underbow.sound.options import RenderOptions
from underbow.track.mixes import Mix
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet

__all__ = ["add_videos", "tracks_of_video"]

_WITHOUT_LOSS = ("wav", "flac")


def tracks_of_video(sound: RenderOptions) -> RenderOptions:
    """Give what the tracks are asked for where videos are made of them: one format without loss among the others.

    >>> tracks_of_video(RenderOptions(formats=("mp3",))).formats
    ('mp3', 'flac')
    """
    if set(sound.formats) & set(_WITHOUT_LOSS):
        return sound
    return replace(sound, formats=(*sound.formats, "flac"))


def add_videos(
    document: Mapping[str, Any],
    sheet: Sheet,
    performance: Performance,
    mixes: Sequence[Mix],
    folder: Path,
    *,
    sound: RenderOptions,
    options: VideoOptions,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    """Make a video of each mix, beside its tracks.

    Parameters
    ----------
    document : mapping
        Report of the tracks, made with :func:`tracks_of_video`; its paths may be below ``folder``.
    sheet : Sheet
    performance : Performance
    mixes : sequence of Mix
        Those to make a video of.
    folder : Path
        Of the job.
    sound : RenderOptions
        What was asked for: files of another format are removed in the end.
    options : VideoOptions
    progress : callable

    Returns
    -------
    dict
        The report with the videos, and without what was made for them alone.

    Raises
    ------
    InputError, UnderbowError
        As :func:`~underbow.lesson.video.film.make_video`.
    """
    listed: list[dict[str, Any]] = [dict(file) for file in document["files"]]
    made = []
    told = dict.fromkeys(document["told"])
    for number, mix in enumerate(mixes):
        track = next(
            file for file in listed
            if file["kind"] == "audio" and file["mix"] == mix.name and _format(file) in _WITHOUT_LOSS
        )  # fmt: skip
        source = _place(folder, track)
        path = source.with_suffix(".mp4")

        def tell(share: float, number: int = number) -> None:
            progress((number + share) / len(mixes))

        seconds = make_video(
            sheet, performance, source, track["seconds"], path, mix=mix.name, options=options, progress=tell,
            remark=lambda line: told.update({line: None}),
        )  # fmt: skip
        figures = {key: track[key] for key in ("lufs", "dbtp") if key in track}
        made.append(
            {"path": str(Path(track["path"]).with_suffix(".mp4")), "kind": "video", "mix": mix.name, "seconds": seconds}
            | figures
            | {"sha256": digest(path)}
        )
    for file in listed:
        if file["kind"] in {"audio", "stem"} and _format(file) not in sound.formats:
            _place(folder, file).unlink()
    kept = [file for file in listed if _place(folder, file).exists()]
    return dict(document) | {"told": list(told), "files": [*kept, *made]}


def _format(file: Mapping[str, Any]) -> str:
    return Path(file["path"]).suffix[1:]


def _place(folder: Path, file: Mapping[str, Any]) -> Path:
    """Where a file lies: a render names it as it is, a lesson below its folder."""
    path = Path(file["path"])
    return path if path.is_absolute() or path.is_relative_to(folder) else folder / path
