"""Reading a delimited file of a million shots, against pandas reading the same file.

Each run is one read in a fresh process, as in use; ours and pandas take turns, and the best of
five runs of each counts. The memory is the peak resident size of the process. Bounds: at most 3
times pandas, at most 1 GiB.

Run: python bench/bench_intake.py [rows]
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROWS = 1_000_000
HEADER = (
    "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Satellites,PDOP,"
    "Correction age (s),Antenna height (m),Utility,Hook-up,Method,Frequency (Hz),Depth (m),"
    "Current (mA),Note"
)


def write_file(path: Path, rows: int) -> None:
    """Invented shots; a few in a thousand are spoiled, as in real logs."""
    import numpy as np

    rng = np.random.default_rng(1)
    utilities = ("gas", "electric", "water", "telecom")
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(HEADER + "\r\n")
        for first in range(0, rows, 50_000):
            count = min(50_000, rows - first)
            east, north = rng.normal(0, 0.01, (2, count))
            depth, current = rng.uniform(0.4, 2.5, count), rng.uniform(5, 200, count)
            kind = rng.integers(0, 4, count)
            lines = []
            for k in range(count):
                n = first + k + 1
                seconds = n % 86400
                stamp = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
                note = '"said ""wet, here"""' if n % 997 == 0 else ""
                reading = "n/a" if n % 1501 == 0 else f"{depth[k]:.2f}"
                lines.append(
                    f"{n},2026-11-17T{stamp}.{n % 10}Z,{39.2 + north[k]:.9f},"
                    f"{-98.1 + east[k]:.9f},{405 + 10 * north[k]:.3f},4,{12 + n % 9},"
                    f"{1 + kind[k] / 10:.1f},{0.8 + kind[k] / 5:.1f},1.900,{utilities[kind[k]]},"
                    f"T{1 + n // 5000 % 9} valve,direct,8192,{reading},{current[k]:.1f},{note}\r\n"
                )
            file.write("".join(lines))


def run_ours(path: Path) -> dict[str, float]:
    from asfound.intake import guess_mapping, read_upload

    started = time.perf_counter()
    guess = guess_mapping(path, path.name, hints={"frame": "ITRF2020"})
    guessed = time.perf_counter()
    upload = read_upload(path, path.name, guess.mapping, tag="A", source_index=0)
    seconds = time.perf_counter() - guessed
    assert upload.account.balanced
    return {"seconds": seconds, "guess": guessed - started, **_peak()}


def run_pandas(path: Path) -> dict[str, float]:
    import pandas as pd

    started = time.perf_counter()
    frame = pd.read_csv(path)
    seconds = time.perf_counter() - started
    assert len(frame)
    return {"seconds": seconds, **_peak()}


def _peak() -> dict[str, float]:
    return {"mebibytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shots.csv"
        write_file(path, rows)
        runs: dict[str, list[dict[str, float]]] = {"ours": [], "pandas": []}
        for _ in range(5):
            for which, results in runs.items():
                command = [sys.executable, __file__, which, str(path)]
                done = subprocess.run(command, check=True, capture_output=True, text=True)
                results.append(json.loads(done.stdout))
        size = path.stat().st_size / 1024**2
    ours, pandas = (min(results, key=lambda r: r["seconds"]) for results in runs.values())
    ratio = ours["seconds"] / pandas["seconds"]
    print(f"{rows} rows of {HEADER.count(',') + 1} columns, {size:.0f} MiB")
    print(f"guessing the mapping first: {ours['guess']:.2f} s")
    for name, result in (("asfound.read_upload", ours), ("pandas.read_csv", pandas)):
        print(f"{name:24s} {result['seconds']:6.2f} s, peak {result['mebibytes']:5.0f} MiB")
    print(f"ratio {ratio:.2f} (bound 3), our peak {ours['mebibytes']:.0f} MiB (bound 1024)")


if __name__ == "__main__":
    if len(sys.argv) > 2:
        print(json.dumps({"ours": run_ours, "pandas": run_pandas}[sys.argv[1]](Path(sys.argv[2]))))
    else:
        main()
