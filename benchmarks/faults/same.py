"""The same bytes from elsewhere: another folder, time zone, locale, umask, hash seed, encoding, and another kind of processor.

    python benchmarks/faults/same.py

A sheet is rendered (both voices where there is a SoundFont), and every file is compared by its SHA-256 with the first run's.
"""

# ruff: noqa: E501

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path

SHEET = """title = "Same"
abc = '''
X:1
T:Same
M:4/4
L:1/8
K:G
|:"G"GABc d2B2|"C"c2A2 "D"F4:|
'''
pattern = "nashville-shuffle"
[tempo]
start = 120
goal = 140
passes = 2
count_in = 1
"""
# numpy's kernels chosen at run time, by the names that NPY_DISABLE_CPU_FEATURES takes; those that a processor lacks are ignored.
NEWER = "X86_V4 AVX512_ICL AVX512_SPR AVX512F AVX512CD AVX512_SKX AVX512_CLX AVX512_CNL"
CHANGES: dict[str, dict[str, str]] = {
    "the same again": {},
    "another time zone": {"TZ": "Asia/Kathmandu"},
    "another locale": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "the plainest locale": {"LC_ALL": "C", "PYTHONUTF8": "0"},
    "another hash seed": {"PYTHONHASHSEED": "4711"},
    "another umask": {"UMASK": "077"},
    "a folder with a long name in Greek": {"FOLDER": "φάκελος " * 6},
    "numpy without AVX-512": {"NPY_DISABLE_CPU_FEATURES": NEWER},
    "numpy without AVX-512, OpenBLAS as for AVX2": {"NPY_DISABLE_CPU_FEATURES": NEWER, "OPENBLAS_CORETYPE": "Haswell"},
    "as users who set OpenBLAS to AVX-512": {"OPENBLAS_CORETYPE": "SkylakeX"},
    "numpy without AVX2 and FMA, OpenBLAS likewise": {
        "NPY_DISABLE_CPU_FEATURES": f"{NEWER} X86_V3 AVX2 FMA3",
        "OPENBLAS_CORETYPE": "Nehalem",
    },
}


def features() -> set[str]:
    """What numpy found in this processor and may be told to leave."""
    code = "from numpy._core._multiarray_umath import __cpu_features__ as f, __cpu_dispatch__ as d; print(*[n for n in d if f.get(n)])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    return set(done.stdout.split())


def rendered(change: dict[str, str], voices: str) -> dict[str, str]:
    """Render under a change; the digest of each file by its name."""
    with tempfile.TemporaryDirectory() as top:
        folder = Path(top) / change.get("FOLDER", "out").strip()
        folder.mkdir()
        (folder / "s.toml").write_text(SHEET, "utf-8")
        env = {name: value for name, value in change.items() if name not in ("FOLDER", "UMASK")}
        if "NPY_DISABLE_CPU_FEATURES" in env:
            env["NPY_DISABLE_CPU_FEATURES"] = " ".join(
                sorted(features() & set(env["NPY_DISABLE_CPU_FEATURES"].split()))
            )
        words = ["render", "s.toml", "--mix", "together", "--voices", voices, "--format", "wav,flac,ogg,mp3", "-o", "."]
        done = subprocess.run(
            [sys.executable, "-m", "underbow", *words], cwd=folder, capture_output=True, text=True, check=False,
            env=os.environ | {"UNDERBOW_CACHE": f"{top}/cache"} | env, umask=int(change.get("UMASK", "022"), 8),
        )  # fmt: skip
        if done.returncode:
            return {"": done.stderr[-300:]}
        return {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in folder.iterdir()
            if path.suffix != ".toml"
        }


def main() -> int:
    found = features()
    print(f"kernels of numpy that this processor has: {' '.join(sorted(found)) or 'none besides the baseline'}\n")
    print("| change | files | built-in voices | SoundFont |")
    print("|---|---|---|---|")
    first = {voices: rendered({}, voices) for voices in ("builtin", "soundfont")}
    wrong = 0
    for name, change in CHANGES.items():
        row = []
        for voices, files in first.items():
            if "" in files:
                row.append("not here")
                continue
            other = rendered(change, voices)
            differ = sorted(
                {Path(file).suffix for file in files.keys() | other.keys() if files.get(file) != other.get(file)}
            )
            row.append("equal" if not differ else f"differ: {' '.join(differ)}")
            wrong += bool(differ) and change.get("OPENBLAS_CORETYPE", "Haswell") == "Haswell"
        print(f"| {name} | {len(first['builtin'])} | {' | '.join(row)} |", flush=True)
    return wrong > 0


if __name__ == "__main__":
    sys.exit(main())
