"""Walking order of 200 targets against OR-tools, nearest neighbour and the Held-Karp bound.

Run: python bench/bench_walking_order.py [targets]
Prints lengths over the bound and over OR-tools (guided local search, 5 s), seconds, and peak
memory. No path is shorter than the bound.
"""

from __future__ import annotations

import importlib.util
import resource
import sys
import time
from pathlib import Path

import numpy as np

from asfound.stakeout import path_length, walking_order
from asfound.stakeout.order import _nearest_first

_TEST = Path(__file__).parent.parent / "tests" / "stakeout" / "test_walking_order.py"


def references(points: np.ndarray, upper: float) -> tuple[float, float]:
    """The tests' own bound and OR-tools' length, not written twice."""
    spec = importlib.util.spec_from_file_location("walking_order_reference", _TEST)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    bound = float(module.held_karp_bound(points, upper, rounds=400))
    return bound, float(module.by_or_tools(points, seconds=5.0))


def main(count: int) -> None:
    for seed in range(5):
        place = np.random.default_rng(seed).uniform(0.0, 300.0, (count, 2))
        full = np.vstack((np.zeros((1, 2)), place))
        walking_order(place[:20], (0.0, 0.0))
        wall, busy = time.perf_counter(), time.process_time()
        _, length = walking_order(place, (0.0, 0.0))
        wall, busy = time.perf_counter() - wall, time.process_time() - busy
        simple = path_length(full[_nearest_first(full)])
        bound, other = references(full, length)
        print(
            f"{count} targets: {length:.1f} m, {length / bound:.4f} of the bound, "
            f"{length / other:.4f} of OR-tools "
            f"(nearest neighbour {simple / bound:.4f}); {busy:.3f} s of processor, {wall:.3f} s"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
