"""A disk that fails once, at any step of writing a sound: the file is whole, or the failure is told.

The failures are injected below libsndfile, which loses those that it meets while it closes a file: it then leaves a header that
speaks of an empty WAV, a FLAC without its frame sizes, or an Ogg stream with a page missing.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

SHIM = Path(__file__).parents[3] / "benchmarks" / "faults" / "shim.c"
CHILD = """
import ctypes, errno, json, os, sys
from pathlib import Path
import numpy as np
from underbow.errors import UnderbowError
from underbow.sound.files.encode import Tags, encode

shim = ctypes.CDLL(os.environ["LD_PRELOAD"])
shim.fault_count.restype = ctypes.c_long
folder, form, bits = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
sound = np.random.default_rng(0).standard_normal((44_100, 2)).astype(np.float32) * 0.1

def written(n):
    shim.fault_arm(ctypes.c_long(n), errno.EIO, 0, 63)
    try:
        tags = Tags(title="A", artist="B", album="C", number=1)
        encode(folder / "a", [sound], rate=44_100, format=form, bits=bits if bits == "float" else int(bits), tags=tags)
        return (folder / "a").read_bytes()
    except UnderbowError as told:
        assert len(str(told).splitlines()) == 1, told
        assert not (folder / "a").exists()
        return None
    finally:
        shim.fault_arm(ctypes.c_long(-1), 0, 0, 0)
        (folder / "a").unlink(missing_ok=True)

whole = written(1 << 40)
shim.fault_arm(ctypes.c_long(1 << 40), 0, 0, 63)
encode(folder / "b", [sound], rate=44_100, format=form, bits=bits if bits == "float" else int(bits))
steps = shim.fault_count() + 4
shim.fault_arm(ctypes.c_long(-1), 0, 0, 0)
found = {n: written(n) for n in range(1, steps + 1)}
damaged = [n for n, data in found.items() if data not in (None, whole)]
print(json.dumps([steps, sum(data is None for data in found.values()), damaged]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="what is loaded before libc is written for Linux")
@pytest.mark.parametrize(
    ("form", "bits"), [("wav", "16"), ("wav", "24"), ("wav", "float"), ("flac", "16"), ("ogg", "16"), ("mp3", "16")]
)
def test_no_failing_write_passes_for_a_whole_file(
    program: Callable[[str], str], tmp_path: Path, form: str, bits: str
) -> None:
    shim, folder = tmp_path / "shim.so", tmp_path / "out"
    folder.mkdir()
    subprocess.run([program("cc"), "-shared", "-fPIC", "-O1", "-o", shim, SHIM, "-ldl"], check=True)
    done = subprocess.run(
        [sys.executable, "-c", CHILD, folder, form, bits], capture_output=True, text=True, check=False,
        env={**os.environ, "LD_PRELOAD": str(shim), "FAULT_ROOT": str(folder)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    steps, told, damaged = json.loads(done.stdout)
    assert damaged == []
    assert 3 < told <= steps
