"""Error budgets and rules of a million shots against the bare PROJ transformation of the same.

Run: python bench/bench_budget.py [shots]
Prints processor seconds, the ratio, and peak memory. The scene is 10 lines a street, 100 shots a
line, with the noise the budget assumes, one blunder in 50 shots, and stretches with another pole
or beside another conductor; the reference is pyproj's 4D transformation of the same points,
ITRF2020 with a time each to NAD83(2011).
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from pyproj import Transformer
from pyproj.transformer import TransformerGroup

from asfound.budget import RuleContext, error_budget, load_profile, registered, run_rules
from asfound.model import (
    Assembly,
    Fix,
    Frame,
    Ground,
    JobSettings,
    Labels,
    Method,
    Operation,
    Shots,
    Source,
)

PER_LINE = 100
SPACING = 3.0


def seconds(work, rounds=2):
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def peak_megabytes():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def scene(count: int, seed: int = 1):
    """Shots, ground and assembly of straight and gently curved lines, ten beside each other."""
    rng = np.random.default_rng(seed)
    lines = max(count // PER_LINE, 1)
    line = np.minimum(np.arange(count) // PER_LINE, lines - 1)
    rank = np.arange(count) - line * PER_LINE
    street, place = line // 10, line % 10
    columns = int(np.ceil(np.sqrt(max(street[-1] + 1, 1))))
    station = rank * SPACING
    curve = rng.uniform(-5e-4, 5e-4, lines)[street]
    true_east = (street % columns) * 400.0 + station
    true_north = (street // columns) * 60.0 + place * 1.5 + 0.5 * curve * station**2
    bearing = np.pi / 2 - np.arctan(curve * station)
    surface = 1600.0 + 0.01 * station + 0.1 * np.sin(station / 40.0) + 0.02 * place
    true_depth = rng.uniform(0.6, 1.8, lines)[line] + 0.002 * station
    across = rng.normal(0, np.hypot(0.015, 0.03 * true_depth))
    east = true_east + rng.normal(0, 0.009, count) - across * np.cos(bearing)
    north = true_north + rng.normal(0, 0.009, count) + across * np.sin(bearing)
    height = surface + rng.normal(0, 0.022, count)
    depth = true_depth + rng.normal(0, 0.05, count) * true_depth
    fix = np.full(count, Fix.RTK_FIXED, np.int8)
    utility = (1 + place % 6).astype(np.int8)
    blunder = rng.random(count)
    depth[blunder < 0.004] *= 10.0
    fix[(blunder > 0.004) & (blunder < 0.012)] = Fix.RTK_FLOAT
    east[(blunder > 0.012) & (blunder < 0.014)] += 30.0
    wrong = (blunder > 0.014) & (blunder < 0.018)
    utility[wrong] = 1 + utility[wrong] % 6
    high = np.repeat(rng.random(lines) < 0.03, PER_LINE)[:count]
    height[high[: len(height)] & (rank[: len(high)] >= 40) & (rank[: len(high)] < 54)] += 0.35
    seconds_in = np.arange(count) * 12
    moments = np.datetime64("2026-11-17T08:00", "us") + seconds_in.astype("timedelta64[s]")
    # A receiver reckons the current from the field and the depth it reads.
    field = 0.1 * np.exp(-station / 800 + rng.normal(0, 0.02, count)) / (true_depth + 0.05)
    beside = (rng.random(lines) < 0.02)[line] & (rank >= 65) & (rank < 77)
    depth[beside] *= 1.2
    field[beside] *= 1.35
    current = field * (depth + 0.05)
    shots = Shots.build(
        -104.8 + (true_east - true_east.mean()) / 86_500.0,
        39.0 + (true_north - true_north.mean()) / 111_000.0,
        source=(line // 2500).astype(np.int16),
        height=height + 2.0,
        time=moments,
        utility=utility,
        hookup=Labels((line // 5).astype(np.int32), tuple(f"T{k}" for k in range(lines // 5 + 1))),
        receiver=Labels((line // 2500).astype(np.int32) % 2, ("R1", "R2")),
        method=np.int8(Method.DIRECT),
        depth=depth,
        current=current,
        frequency=8000.0,
        signal=60.0,
        peak_null_separation=np.abs(rng.normal(0, 0.03, count)),
        fix=fix,
        satellites=np.int16(18),
        east_sd=0.009,
        north_sd=0.009,
        up_sd=0.018,
        pdop=1.6,
        correction_age=1.0,
        base_distance=6000.0,
        antenna_height=2.0,
        tilt=np.abs(rng.normal(0, 0.01, count)),
        tilt_bearing=0.0,
    )
    ground = Ground(
        east,
        north,
        height,
        shots.x,
        shots.y,
        height,
        np.full(count, 0.004),
        np.full(count, 0.9997),
        np.full(count, 2026.88),
        np.zeros(count, np.int16),
        (Operation("ITRF2020", "NAD83(2011)", "time-dependent", 0.02, ""),),
        1.0,
        "ellipsoidal",
    )
    alone = wrong | ((blunder > 0.012) & (blunder < 0.014))
    assembly = Assembly(
        np.where(alone, -1, line).astype(np.int32),
        np.where(alone, -1, rank).astype(np.int32),
        np.where(alone, np.nan, station),
        np.where(alone, np.nan, bearing),
        tuple(f"L{k}" for k in range(lines)),
        (1 + (np.arange(lines) % 10) % 6).astype(np.int8),
        (np.arange(lines) // 5).astype(np.int32),
    )
    sources = [
        Source(f"S{k}", f"s{k}.csv", "", 0, count, Frame("ITRF2020"))
        for k in range(int(shots.source.max()) + 1)
    ]
    return shots, ground, assembly, sources, JobSettings("bench", Frame("EPSG:6428"))


def main(count: int) -> None:
    shots, ground, assembly, sources, settings = scene(count)
    profile = load_profile({})
    group = TransformerGroup("EPSG:9989", "EPSG:6428", always_xy=True)
    bare = Transformer.from_pipeline(group.transformers[0].definition)
    before = peak_megabytes()
    plain = seconds(lambda: bare.transform(shots.x, shots.y, shots.height, ground.epoch))
    inputs = (shots, ground, assembly, sources, settings, profile)
    start = time.process_time()
    budget = error_budget(*inputs)
    first = time.process_time() - start
    budgeting = min(first, seconds(lambda: error_budget(*inputs), 1))
    with_budget = peak_megabytes()

    def context():
        return RuleContext(shots, ground, budget, assembly, sources, settings, profile)

    ruling = seconds(lambda: run_rules(context()))
    one = context()
    timed = []
    for card, function in registered():
        start = time.process_time()
        function(one)
        timed.append((time.process_time() - start, card.id))
    print(f"{count} shots, {len(assembly.names)} lines, {len(run_rules(context()))} findings")
    print(f"bare PROJ transformation   {plain:7.3f} s")
    print(f"error_budget               {budgeting:7.3f} s   ratio {budgeting / plain:.2f}")
    print(f"run_rules                  {ruling:7.3f} s   ratio {ruling / plain:.2f}")
    print("slowest rules: " + ", ".join(f"{name} {t:.2f} s" for t, name in sorted(timed)[:-9:-1]))
    print(
        f"peak memory: data {before:.0f} MB, with budget {with_budget:.0f} MB, "
        f"with rules {peak_megabytes():.0f} MB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
