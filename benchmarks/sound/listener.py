"""Ask an independent listener what it hears: two networks trained on MagnaTagATune, from the package musicnn 0.1.0.

It needs an environment of its own (Python 3.11, ``pip install tensorflow-cpu==2.15.1 librosa==0.9.2 "numpy<1.24"`` and
``pip install --no-deps musicnn==0.1.0``), so this file imports nothing of ours: give it WAV files, those of ``parts.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

WORDS = ("violin", "strings", "synth", "electronic", "guitar")


def main(paths: list[str]) -> None:
    """Print for each file, and each network, how sure it is of some words."""
    from musicnn.extractor import extractor  # noqa: PLC0415  its own environment

    for path in paths:
        for network in ("MTT_musicnn", "MTT_vgg"):
            tags, names = extractor(path, model=network, input_length=3, extract_features=False)
            mean = dict(zip(names, tags.mean(axis=0), strict=True))
            sys.stdout.write(f"{Path(path).name} {network} {' '.join(f'{w} {mean[w]:.2f}' for w in WORDS)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
