"""Ground points of a million shots against the bare PROJ transformation of the same points.

Run: python bench/bench_geodesy.py [shots]
Prints seconds, the ratio, and peak memory. The work is ITRF2020 with a time each to NAD83(2011)
Colorado Central in US survey feet; ours adds the leaning pole, epochs, heights, convergence and
combined factor.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from pyproj import Proj, Transformer
from pyproj.transformer import TransformerGroup

from asfound.geodesy import to_ground
from asfound.model import Frame, JobSettings, Shots, Source
from asfound.units import decimal_year


def seconds(work, rounds=3):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def peak_megabytes():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(count: int) -> None:
    rng = np.random.default_rng(1)
    shots = Shots.build(
        -104.8 + rng.uniform(-0.05, 0.05, count),
        39.0 + rng.uniform(-0.05, 0.05, count),
        height=rng.uniform(1500.0, 1700.0, count),
        time=np.datetime64("2026-11-17T08:00", "us")
        + rng.integers(0, 30 * 86_400_000_000, count).astype("timedelta64[us]"),
        antenna_height=2.0,
        tilt=rng.uniform(0.0, 0.2, count),
        tilt_bearing=rng.uniform(0.0, 2.0 * np.pi, count),
    )
    upload = Source("A", "a.csv", "", 0, count, Frame("ITRF2020"))
    settings = JobSettings("bench", Frame("EPSG:6428"))
    epoch = decimal_year(shots.time)
    group = TransformerGroup("EPSG:9989", "EPSG:6428", always_xy=True)
    bare = Transformer.from_pipeline(group.transformers[0].definition)
    before = peak_megabytes()
    plain = seconds(lambda: bare.transform(shots.x, shots.y, shots.height, epoch))
    plain_memory = peak_megabytes()
    factors = seconds(lambda: Proj("EPSG:6428").get_factors(shots.x, shots.y), 1)
    to_ground(shots.take(np.arange(min(10, count))), [upload], settings)
    ours = seconds(lambda: to_ground(shots, [upload], settings))
    print(f"{count} shots")
    print(f"bare PROJ transformation          {plain:7.3f} s")
    print(f"PROJ's factors (not used)         {factors:7.3f} s")
    print(f"asfound to_ground                 {ours:7.3f} s   ratio {ours / plain:.2f}")
    print(
        f"peak memory: data {before:.0f} MB, bare {plain_memory:.0f} MB, "
        f"to_ground {peak_megabytes():.0f} MB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
