"""A performance as a Standard MIDI File (MIDI 1.0, RP-001): format 1, 480 ticks a quarter.

Notes, programs and volumes go through pretty_midi. The first track is written without it, since pretty_midi cuts tempos and
has no markers: exact tempos, time and key signatures, a marker for each pass and section, chord names as text. The notes
lie on the grid as they are meant, swing included; the human feel is left to the audio, so that notation programs read it well.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import redirect_stdout
from types import ModuleType

from underbow.track.midi.conductor import conductor, header, tick_of
from underbow.track.midi.tracks import Track, instrument_of
from underbow.track.midi.velocity import velocity
from underbow.track.mixes import Mix
from underbow.track.performance import Part, Pass, Performance

__all__ = ["Score", "velocity"]


class Score:
    """A performance's MIDI, its notes written once, for any number of mixes."""

    def __init__(self, performance: Performance) -> None:
        pretty_midi = _pretty_midi()
        self._performance = performance
        self._conductor = conductor(performance)
        self._tracks = [
            Track(instrument_of(pretty_midi, part), slot, [self._begins(part, pass_) for pass_ in performance.passes])
            for slot, part in enumerate(performance.parts)
        ]

    def midi(self, mix: Mix | None = None) -> bytes:
        """Write the file; the same performance and mix give the same bytes.

        Parameters
        ----------
        mix : Mix or None
            Its levels become each part's volume (controller 7) at every pass where they change, for the melody with the pickup,
            for what accompanies at the first whole bar; a part that is off has volume 0.
        """
        return b"".join(self.chunks(mix))

    def chunks(self, mix: Mix | None = None) -> Iterator[bytes]:
        """Give the file chunk by chunk: its header, then track after track."""
        yield header(1 + len(self._tracks))
        yield self._conductor
        for part, track in zip(self._performance.parts, self._tracks, strict=True):
            yield track.chunk(self._volumes(part, mix) if mix else ())

    def _begins(self, part: Part, pass_: Pass) -> int:
        """Give the tick where a pass's volume holds from."""
        if pass_.playing == 1:
            return 0
        return tick_of(pass_.start if part.name == "melody" else pass_.downbeat)

    def _volumes(self, part: Part, mix: Mix) -> Iterator[tuple[int, int]]:
        last = -1
        loudest = max([0.0, *(level for _, levels in mix.levels for level in levels if level is not None)])
        for pass_ in self._performance.passes:
            level = mix.level(part.name, pass_.number, pass_.playing)
            volume = 0 if level is None else velocity(level - loudest)
            if volume != last:
                yield self._begins(part, pass_), volume
            last = volume


def _pretty_midi() -> ModuleType:
    """Import pretty_midi quietly, and also where a broken FluidSynth library would stop it."""
    with redirect_stdout(io.StringIO()):
        try:
            import pretty_midi  # noqa: PLC0415  slow to import, and it looks for FluidSynth
        except OSError:  # a library for another processor, say: pretty_midi only expects it to be missing
            before = sys.modules.get("fluidsynth")
            sys.modules["fluidsynth"] = None  # type: ignore[assignment]
            try:
                import pretty_midi  # noqa: PLC0415
            finally:
                del sys.modules["fluidsynth"]
                if before is not None:
                    sys.modules["fluidsynth"] = before
    return pretty_midi  # type: ignore[no-any-return]
