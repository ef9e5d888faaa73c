"""Melodies read back from MIDI files that abc2midi played, beside what our ABC reader says of the same tunes.

python benchmarks/readers/midi.py [every]       every 7th tune of oneills1850, every 15th of ryansMammoth by default
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

import corpora
import oracles

from underbow.tune.abc.reader import read_abc
from underbow.tune.midi.reader import read_midi
from underbow.tune.written_out import write_out


def played(text: str) -> bytes | None:
    """The MIDI file that abc2midi makes of a tune."""
    with tempfile.TemporaryDirectory() as scratch:
        tune = re.sub(r"^X:.*", "X:1", oracles.cleaned(text), count=1)
        Path(scratch, "b.abc").write_text(tune + "\n", encoding="latin-1", errors="replace")
        command = ["abc2midi", "b.abc", "-o", "o.mid", "-quiet", "-silent", "-NFNP", "-NFER", "-NGUI", "-NGRA"]
        subprocess.run(command, cwd=scratch, capture_output=True, check=False)
        path = Path(scratch, "o.mid")
        return path.read_bytes() if path.exists() else None


def main() -> None:
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    items = corpora.items("oneills1850")[::every] + corpora.items("ryansMammoth")[:: 2 * every + 1]
    tunes = pitches = lengths = keys = pickups = 0
    for item in items:
        data = played(item.text)
        if data is None:
            continue
        (written,) = read_abc(item.text, jumps=False)
        found = read_midi(data)
        ours, theirs = write_out(written, exact=True), write_out(found, exact=True)
        tunes += 1
        pitches += [note.midi for note in ours.notes] == [note.midi for note in theirs.notes]
        lengths += [(n.midi, n.length) for n in ours.notes] == [(n.midi, n.length) for n in theirs.notes]
        keys += written.key == found.key
        pickups += ours.pickup == theirs.pickup
    print(f"{tunes} tunes: the same notes {pitches}, every length too {lengths}, key {keys}, pickup {pickups}")


if __name__ == "__main__":
    main()
