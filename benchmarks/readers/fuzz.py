"""Fuzz the ABC reader: real tunes mutated, and music code made at random; nothing may crash or hang.

    python benchmarks/readers/fuzz.py 2000 [seed]

Half of the inputs are tunes of the collections with bytes changed, cut, doubled and spliced; a quarter are random strings of
the signs that mean something in ABC; a quarter are put together at random from valid and broken pieces. Each is read, written
out, shown and transposed. With ``--midi`` the inputs are MIDI files with bytes changed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import random
import sys
import time
import traceback

import corpora
import mido

from underbow.errors import InputError
from underbow.tune.abc.reader import read_abc
from underbow.tune.midi.reader import read_midi
from underbow.tune.show import tune_json, tune_text
from underbow.tune.transpose import transposed
from underbow.tune.written_out import write_out

SIGNS = [
    *"|:[]()<>{}\"!+-.,'/0123456789ABCDEFGabcdefgzxZXyuvHTSMLOP~^_=&%\\$#*;?@ \n\n",
    "|:", ":|", "::", "||", "|]", "[|]", "|1 ", ":|2 ", "[1,3 ", "[2-99 ", "(3", "(3:2:", "{^g}", '"Am7"', '"D.C."', "!fine!",
    "[K:Em]", "[M:6/8]", "[L:1/16]", "[V:2]", "[P:A]", "\nP:B\n", "\nK:H\n", "\nM:0/0\n", "\nX:2\n", "\\\n", "=3D", "\r", "Z9",
    "A99", "B/9", "♯", "\x00", "\ufeff", "\u2028", "[CEG]2", "a>>b", "\nQ:1/0=0\n", "\nL:0/4\n", "\nV:1\n", "%%MIDI x\n", ">>>>",
]  # fmt: skip
PIECES = [
    "X:1\n", "T:t\n", "M:6/8\n", "M:C|\n", "M:none\n", "M:(2+3)/8\n", "L:1/8\n", "L:1/1\n", "K:D\n", "K:D exp ^f\n", "K:\n",
    "P:(AB)9A\n", "P:((((((A99)99)99)99)99)99)\n", "|:ABc def:|", "|1 ABc:|2 def|]", "|::A3::|", "[1-99 A3:|", "A3|" * 30,
    "P:A\n",
    "P:B\n", '"G"GAB "C"c3|', "V:1\n", "V:2\n", "\\\n", "Z99|", "(9ABcdefgab", "(2:99:99A", "A1024 B/1024", "c''''''", "D,,,,,,",
    '!D.C.alfine!', "H||", "S|", "!coda!", "{abc}", "(((((", ")))))", "[CEG", "]", "- - -", "A-|A-|A", "\n\n", "w: la la\n",
    "s:*\n",
]  # fmt: skip


def mutated(text: str, random_: random.Random, other: str) -> str:
    chars = list(text)
    for _ in range(random_.randint(1, 12)):
        at = random_.randrange(len(chars) + 1)
        match random_.randrange(6):
            case 0:
                chars[at : at + random_.randint(1, 20)] = []
            case 1:
                chars[at:at] = random_.choices(SIGNS, k=random_.randint(1, 6))
            case 2:
                chars[at : at + 1] = random_.choice(SIGNS)
            case 3:
                end = at + random_.randint(1, 40)
                chars[at:at] = chars[at:end] * random_.randint(1, 5)
            case 4:
                begin = random_.randrange(len(other))
                chars[at:at] = other[begin : begin + random_.randint(1, 60)]
            case _:
                chars[at : at + 1] = chr(random_.choice((0, 9, 127, 160, 255, 0x2029, 0x1F3BB)))
    return "".join(chars)


def inputs(count: int, random_: random.Random) -> list[str]:
    tunes = [
        item.text for collection in ("ryansMammoth", "oneills1850", "miscFolk") for item in corpora.items(collection)
    ]
    out = []
    for i in range(count):
        if i % 4 < 2:
            out.append(mutated(random_.choice(tunes), random_, random_.choice(tunes)))
        elif i % 4 == 2:
            out.append("X:1\nK:C\n" * (i % 3 > 0) + "".join(random_.choices(SIGNS, k=random_.randint(0, 200))))
        else:
            out.append("".join(random_.choices(PIECES, k=random_.randint(1, 40))))
    return out


def use(text: str) -> None:
    """Do with a text all that is done with a tune."""
    for tune in read_abc(text):
        melody = write_out(tune)
        assert all(a.end <= b.start for a, b in zip(melody.notes, melody.notes[1:], strict=False)), "notes overlap"
        assert all(a.end == b.start for a, b in zip(melody.bars, melody.bars[1:], strict=False)), "bars leave a gap"
        assert all(note.start >= 0 and note.end <= melody.length for note in melody.notes), "notes outside the bars"
        assert all(0 <= span.start < span.end <= melody.length for span in melody.chords), "chords outside the bars"
        tune_json(tune)
        tune_text(tune)
        transposed(tune, "E")


def use_midi(data: bytes) -> None:
    with contextlib.suppress(InputError):
        write_out(read_midi(data))


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--midi", action="store_true")
    arguments = parser.parse_args()
    random_ = random.Random(arguments.seed)
    worst, total, failed = (0.0, ""), 0.0, 0
    everything: list[str | bytes] = (
        list(inputs(arguments.count, random_)) if not arguments.midi else midi_inputs(arguments.count, random_)
    )
    for data in everything:
        begin = time.process_time()
        try:
            use_midi(data) if isinstance(data, bytes) else use(data)
        except Exception:
            failed += 1
            if failed <= 5:
                traceback.print_exc(limit=-4)
                print(repr(data)[:3000])
        took = time.process_time() - begin
        total += took
        worst = max(worst, (took, repr(data)[:300]))
    print(
        f"{arguments.count} inputs, seed {arguments.seed}: {failed} failures, {total:.0f} CPU s, worst {worst[0]:.2f} s"
    )
    if worst[0] > 1:
        print("slowest:", worst[1])
    return failed > 0


def midi_inputs(count: int, random_: random.Random) -> list[bytes]:
    out: list[bytes] = []
    for _ in range(count):
        midi = mido.MidiFile(type=1, ticks_per_beat=random_.choice((24, 96, 480)))
        for _ in range(random_.randint(1, 3)):
            track = mido.MidiTrack()
            midi.tracks.append(track)
            if random_.random() < 0.5:
                track.append(mido.MetaMessage("time_signature", numerator=random_.choice((2, 3, 6, 9)), denominator=8))
            for _ in range(random_.randint(0, 40)):
                note = random_.randrange(128)
                track.append(mido.Message("note_on", note=note, time=random_.choice((0, 0, 5, 240))))
                track.append(mido.Message("note_off", note=note, time=random_.choice((0, 1, 240, 481))))
        buffer = io.BytesIO()
        midi.save(file=buffer)
        data = bytearray(buffer.getvalue())
        for _ in range(random_.randint(0, 6)):
            data[random_.randrange(len(data))] = random_.randrange(256)
        out.append(bytes(data[: random_.randint(1, len(data))] if random_.random() < 0.2 else data))
    return out


if __name__ == "__main__":
    sys.exit(main())
