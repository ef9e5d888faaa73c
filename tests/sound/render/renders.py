"""Quick renders with the built-in voices, and two mixes for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from underbow.sound.files.report import RenderReport
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

TOGETHER = Mix("together", (("melody", (0.0,)), ("backup", (-3.0,)), ("rhythm", (-6.0,)), ("click", (-9.0,))))
GUIDE = Mix("backup turn", (("melody", (0.0,)), ("backup", (-6.0, None)), ("rhythm", (-6.0,)), ("click", (-9.0,))))


def quick(performance: Performance, folder: Path, *mixes: Mix, **more: object) -> RenderReport:
    progress = more.pop("progress", None)
    options = RenderOptions(**{"voices": "builtin", "papers": False, **more})  # type: ignore[arg-type]
    return render_files(performance, mixes or (TOGETHER,), folder, options, progress=progress)  # type: ignore[arg-type]


def audio(report: RenderReport, kind: str = "audio") -> list[np.ndarray]:
    return [soundfile.read(file.path)[0] for file in report.files if file.kind == kind]
