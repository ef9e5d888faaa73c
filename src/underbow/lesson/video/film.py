"""A performance and its track to a video: the board painted picture by picture, and handed to the encoder.

Only the bow's strip is painted for every picture, and of it only where the point was and where it is; the rest when it changes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from math import ceil
from pathlib import Path

from underbow.files.whole import whole_file
from underbow.files.workplace import scratch
from underbow.lesson.letters import left_out_of
from underbow.lesson.practice.words import ENGLISH
from underbow.lesson.video.board import pillow
from underbow.lesson.video.captions import chapters, subtitles
from underbow.lesson.video.encoder import Encoder, find_encoder, pipe
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.painter import Painter
from underbow.sound.files.cues import stretches
from underbow.text import one_line
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet

__all__ = ["RATE", "check_means", "make_video"]

RATE = 30  # pictures a second
_CARE = 12.0  # seconds that the cautions stay after the music
_TELL = 150  # pictures between two words of progress


def make_video(
    sheet: Sheet,
    performance: Performance,
    track: Path,
    seconds: float,
    path: Path,
    *,
    mix: str = "",
    options: VideoOptions = VideoOptions(),
    words: Mapping[str, str] = ENGLISH,
    encoder: Encoder | None = None,
    progress: Callable[[float], None] | None = None,
    remark: Callable[[str], None] = lambda line: None,
) -> float:
    """Make a video of a track.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    track : Path
        The audio file, wav, flac, ogg or mp3, whose first sample is the performance's beginning.
    seconds : float
        Its length.
    path : Path
        Of the video, MP4.
    mix : str
        Its mix, for the title.
    options : VideoOptions
    words : mapping of str to str
        As :data:`~underbow.lesson.practice.words.ENGLISH`.
    encoder : Encoder, optional
        By default the one that is found.
    progress : callable, optional
        Told the share done, 0 to 1. What it raises stops the work.
    remark : callable
        Called with a line where letters of the title had to be left out because no font of this machine has them.

    Returns
    -------
    float
        Its length in seconds.

    Raises
    ------
    InputError
        If there is no encoder, or the folder can't be written to.
    UnderbowError
        If the encoder or the disk fails. Nothing stays then.
    """
    encoder, tell = encoder or find_encoder(), progress or (lambda _: None)
    painter = Painter(sheet, performance, options, words)
    if painter.left_out:
        remark(left_out_of(sheet.title, painter.left_out, "the video"))
    music = max(seconds, performance.tempo.seconds(performance.length))
    count = ceil((music + _CARE) * RATE)
    with whole_file(path) as part, scratch() as folder:
        (folder / "cover.png").write_bytes(painter.cover())
        text = chapters(_chapters(performance, count / RATE, words), _tags(sheet, mix))
        (folder / "chapters.txt").write_text(text, encoding="utf-8", newline="\n")
        (folder / "chords.srt").write_text(subtitles(painter.data, words), encoding="utf-8", newline="\n")
        with pipe(encoder, _command(options, track, folder, count / RATE, part), part, path) as out:
            for number in range(count):
                out.write(painter.picture(1000 * (number + 0.5) / RATE) if number < music * RATE else painter.last())
                if number % _TELL == 0:
                    tell(number / count)
    tell(1.0)
    return count / RATE


def check_means() -> Encoder:
    """See that this machine can make a video; give the encoder.

    Raises
    ------
    InputError
        If it can't.
    """
    pillow()
    return find_encoder()


def _chapters(performance: Performance, end: float, words: Mapping[str, str]) -> Iterator[tuple[float, float, str]]:
    last = 0.0
    for each in stretches(performance):
        yield each.start, each.end, each.text
        last = each.end
    if end > last:
        yield last, end, words["care"]


def _tags(sheet: Sheet, mix: str) -> dict[str, str]:
    title = one_line(sheet.title)
    return {"title": f"{title} ({one_line(mix)})" if mix else title, "artist": "Underbow", "album": title}


def _command(options: VideoOptions, track: Path, folder: Path, seconds: float, part: Path) -> list[str]:
    """What ffmpeg is asked for; every name with ``file:`` before it, so that none is taken for something else."""
    wide, high = options.size
    given = [
        ["-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", f"{wide}x{high}", "-framerate", str(RATE), "-i", "pipe:0"],
        ["-i", f"file:{track.absolute()}"],
        ["-f", "ffmetadata", "-i", f"file:{folder / 'chapters.txt'}"],
        ["-f", "srt", "-i", f"file:{folder / 'chords.srt'}"],
        ["-f", "png_pipe", "-i", f"file:{folder / 'cover.png'}"],
    ]
    picture = [
        "-c:v:0", "libx264", "-preset", "veryfast", "-tune", "stillimage", "-crf", "31", "-g", str(20 * RATE),
        "-threads:v:0", "2", "-pix_fmt:v:0", "yuv420p",
        "-colorspace:v:0", "bt709", "-color_primaries:v:0", "bt709", "-color_trc:v:0", "bt709", "-color_range:v:0", "tv",
    ]  # fmt: skip
    sound = ["-c:a", "aac", "-b:a", "96k", "-af", f"apad=whole_dur={seconds:.6f}"]
    chords = ["-c:s", "mov_text", "-metadata:s:s:0", "language=eng"]
    cover = ["-c:v:1", "copy", "-disposition:v:1", "attached_pic"]
    maps = ["-map", "0:v", "-map", "1:a", "-map", "3:s", "-map", "4:v", "-map_metadata", "2", "-map_chapters", "2"]
    whole = ["-movflags", "+faststart", "-fflags", "+bitexact", "-flags:v:0", "+bitexact", "-flags:a", "+bitexact"]
    start = ["-hide_banner", "-loglevel", "error", "-y"]
    inputs = [word for words in given for word in words]
    return [*start, *inputs, *maps, *picture, *sound, *chords, *cover, *whole, "-f", "mp4", f"file:{part.absolute()}"]
