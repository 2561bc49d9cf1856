"""Field of a layout of straight pieces: ours against a general field solver, in one run.

    python bench/bench_em_forward.py

Reference: magpylib (Polyline), which also sums straight current segments in closed form. Prints
times, their ratio, the peak memory of each and how far the fields differ.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import magpylib
import numpy as np
from scipy.constants import mu_0

from asfound.em import (
    CrossSection,
    current_along_lines,
    receiver_display,
    segment_field,
    segment_field_gradient,
)

PLACES, PIECES = 20_000, 200


def measured(work: Callable[[], object]) -> tuple[float, float, object]:
    """Best of three times [s], peak memory [MB], result."""
    best, result = np.inf, None
    for _ in range(3):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return best, peak, result


def main() -> None:
    rng = np.random.default_rng(1)
    vertices = np.cumsum(rng.normal(0, 1, (PIECES + 1, 3)) * [3, 3, 0.2], axis=0) - [0, 0, 3]
    places = rng.uniform(-30, 30, (PLACES, 3))
    places[:, 2] = 0.05
    current = np.full(PIECES, 0.1)
    line = magpylib.current.Polyline(current=0.1, vertices=vertices)

    ours, our_memory, field = measured(
        lambda: segment_field(places, vertices[:-1], vertices[1:], current)
    )
    theirs, their_memory, reference = measured(lambda: line.getB(places))
    apart = np.abs(field - reference * (4e-7 * np.pi / mu_0)).max() / np.abs(reference).max()
    print(f"field of {PIECES} pieces at {PLACES} places")
    print(f"  asfound  {ours:7.3f} s  {our_memory:8.1f} MB")
    print(f"  magpylib {theirs:7.3f} s  {their_memory:8.1f} MB")
    print(f"  ratio    {theirs / ours:7.1f} x faster, fields agree to {apart:.1e} of the largest")

    few = places[:1000]
    slow, memory, _ = measured(
        lambda: segment_field_gradient(few, vertices[:-1], vertices[1:], current)
    )
    print(f"with derivatives by both ends, {len(few)} places: {slow:.3f} s, {memory:.0f} MB")

    count = 100_000
    layouts = CrossSection(
        np.stack([np.zeros(count), rng.uniform(0.3, 3, count)], axis=1),
        rng.uniform(0.5, 2, (count, 2)),
        np.stack([np.ones(count), rng.uniform(-0.5, 0.5, count)], axis=1),
    )
    slow, memory, _ = measured(lambda: receiver_display(layouts))
    print(f"receiver display over {count} layouts: {slow:.3f} s, {memory:.0f} MB")

    lines = np.repeat(np.arange(2000), 100)
    station = np.tile(np.arange(100.0) * 3, 2000)
    reading = 0.1 * np.exp(-station / 500 + rng.normal(0, 0.05, len(lines)))
    reading *= np.where(station > 150, 0.7, 1.0)
    slow, memory, _ = measured(lambda: current_along_lines(station, reading, lines))
    print(f"current along 2000 lines of 100 shots, one drop each: {slow:.3f} s, {memory:.0f} MB")


if __name__ == "__main__":
    main()
