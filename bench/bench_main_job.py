"""The main job on a million shots in ten thousand lines, against the bare PROJ transformation.

Run: python bench/bench_main_job.py [shots]
The reference is pyproj's 4D transformation of the same points in the same run: ITRF2020 with a
time each to NAD83(2011) / Kansas North. Prints processor seconds of every step, the ratio of
budget, rules, verdicts and lines to the reference, and peak memory. The survey is invented:
streets with five lines each, bends, two kinds of receiver, twenty uploads, two shots in a hundred
spoilt.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from pyproj import Transformer
from pyproj.transformer import TransformerGroup

from asfound.alignment import assemble, find_crossings, fit_lines
from asfound.budget import (
    RuleContext,
    error_budget,
    load_profile,
    registered,
    run_rules,
    shot_verdicts,
)
from asfound.compiled import make_all
from asfound.geodesy import to_ground
from asfound.model import Fix, Frame, JobSettings, Labels, Method, Receiver, Shots, Source
from asfound.units import decimal_year

ROUNDS = 3
PER_LINE = 100
PER_STREET = 5
UPLOADS = 20
FRAME, JOB_FRAME = "EPSG:9989", "EPSG:6466"


def peak_megabytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(name: str, work: Callable[[], Any], rounds: int = ROUNDS) -> tuple[Any, float]:
    """The work's result and the best of some rounds; the first round pays for fresh memory."""
    took = []
    for _ in range(rounds):
        result = None
        start = time.process_time()
        result = work()
        took.append(time.process_time() - start)
    best = min(took)
    print(
        f"{name:<38}{best:8.3f} s   first {took[0]:6.3f} s   peak {peak_megabytes():6.0f} MB",
        flush=True,
    )
    return result, best


def survey(lines: int, rng: np.random.Generator) -> tuple[Shots, tuple[Source, ...]]:
    """Shots of `lines` lines with the columns of two kinds of receiver."""
    count = lines * PER_LINE
    line = np.repeat(np.arange(lines), PER_LINE)
    along = np.tile(np.arange(PER_LINE) * 3.0, lines)
    street, place = line // PER_STREET, line % PER_STREET
    columns = int(np.ceil(np.sqrt(lines / PER_STREET)))
    # A bend a line, as sharp as an elbow or none, and all lines of a street turn together.
    turn = np.radians(rng.choice([0.0, 0.0, 11.25, 22.5], lines // PER_STREET + 1))[street]
    beyond = np.maximum(along - 150.0, 0.0)
    east = 500_000.0 + (street % columns) * 400.0 + along - beyond * (1 - np.cos(turn))
    north = 100_000.0 + (street // columns) * 150.0 + place * 1.8 + beyond * np.sin(turn)
    depth = (0.8 + 0.25 * place) * (1 + 0.1 * np.sin(along / 40.0))
    noise = rng.standard_normal((6, count))
    own = line * UPLOADS // lines
    modern = own % 2 == 0

    fix = np.full(count, Fix.RTK_FIXED, np.int8)
    fix[rng.random(count) < 0.004] = Fix.RTK_FLOAT
    floating = fix == Fix.RTK_FLOAT
    spread = np.where(floating, 0.2, 0.01)
    pin = 0.015 + 0.02 * depth
    tip_east = east + spread * noise[0]
    tip_north = north + np.hypot(spread, pin) * noise[1]
    height = 300.0 + 0.004 * (east - 500_000.0) + np.where(floating, 0.4, 0.02) * noise[2]
    height[_stretches(count, line, 0.003, rng)] += 0.4
    shown = depth * (1 + 0.03 * noise[3])
    current = 0.1 * np.exp(-along / 400.0) * (1 + 0.02 * noise[4])
    beside = _stretches(count, line, 0.003, rng)
    shown[beside] *= 0.8
    current[beside] *= 0.75
    tip_north[beside] -= 0.2
    typed = rng.random(count) < 0.003
    shown[typed] *= rng.choice([10.0, 0.1, 3.281], typed.sum())
    slipped = rng.random(count) < 0.001
    tip_north[slipped] += rng.choice([-1.0, 1.0], slipped.sum()) * rng.uniform(2, 60, slipped.sum())
    utility = 1 + place
    coded = rng.random(count) < 0.001
    utility = np.where(coded, 1 + (place + 2) % 5, utility)

    back = Transformer.from_crs(JOB_FRAME, "EPSG:6318", always_xy=True)
    longitude, latitude = back.transform(tip_east, tip_north)
    apart = np.abs(pin * rng.standard_normal(count) * 1.4) + 0.15 * beside
    unless = np.where(modern, 1.0, np.nan)
    shots = Shots.build(
        longitude,
        latitude,
        height=height + 1.8,
        source=own,
        row=np.arange(count) - np.searchsorted(own, np.arange(UPLOADS))[own] + 1,
        time=np.datetime64("2026-11-17T14:00", "us")
        + (np.arange(count) * 20 % 2_500_000) * np.timedelta64(1, "s"),
        utility=utility,
        method=Method.DIRECT,
        depth=shown,
        current=current,
        frequency=np.where(place < 3, 8000.0, 33000.0),
        signal=rng.uniform(40, 80, count),
        peak_null_separation=apart * unless,
        fix=fix,
        satellites=rng.integers(10, 24, count),
        east_sd=spread * unless,
        north_sd=spread * unless,
        up_sd=2 * spread * unless,
        pdop=rng.uniform(1.2, 2.2, count),
        hdop=rng.uniform(0.6, 1.2, count),
        correction_age=0.6 + rng.gamma(2.0, 0.8, count),
        base_distance=rng.uniform(4000, 9000, count),
        antenna_height=1.8,
        tilt=np.abs(rng.normal(0, 0.02, count)) * unless,
        tilt_bearing=rng.uniform(0, 2 * np.pi, count) * unless,
        speed=rng.uniform(0, 0.05, count) * unless,
        receiver=Labels((own % 8).astype(np.int32), tuple(f"R{k}" for k in range(8))),
        hookup=Labels((line // 2).astype(np.int32), tuple(f"H{k}" for k in range(lines))),
    )
    sources = tuple(
        Source(f"U{k}", f"{k}.csv", "", 0, count // UPLOADS, Frame(FRAME)) for k in range(UPLOADS)
    )
    return shots, sources


def _stretches(count: int, line: np.ndarray, share: float, rng: np.random.Generator) -> np.ndarray:
    """Runs of ten shots inside lines, that cover a share of all."""
    first = rng.choice(count - 10, int(count * share / 10), replace=False)
    rows = (first[:, None] + np.arange(10)).ravel()
    inside = (rows % PER_LINE > 6) & (rows % PER_LINE < PER_LINE - 6)
    picked = np.zeros(count, bool)
    picked[rows[inside & (np.repeat(line[first], 10) == line[rows])]] = True
    return picked


def main(count: int, details: bool) -> None:
    make_all()
    lines = max(count // PER_LINE, 1)
    shots, sources = survey(lines, np.random.default_rng(1))
    print(f"{len(shots)} shots, {lines} lines; data {peak_megabytes():.0f} MB")
    settings = JobSettings(
        "bench", Frame(JOB_FRAME), receivers=tuple(Receiver(f"R{k}") for k in range(8))
    )
    profile = load_profile()
    epoch = decimal_year(shots.time)
    group = TransformerGroup(FRAME, JOB_FRAME, always_xy=True)
    bare = Transformer.from_pipeline(group.transformers[0].definition)
    _, plain = timed(
        "bare PROJ transformation (reference)",
        lambda: bare.transform(shots.x, shots.y, shots.height, epoch),
    )
    ground, _ = timed("to_ground", lambda: to_ground(shots, sources, settings), 1)
    assembly, joining = timed("assemble", lambda: assemble(shots, ground))
    print(f"  ({len(assembly.names)} lines found)")
    budget, adding = timed(
        "error_budget",
        lambda: error_budget(shots, ground, assembly, sources, settings, profile),
    )

    def context() -> RuleContext:
        return RuleContext(shots, ground, budget, assembly, sources, settings, profile)

    findings, ruling = timed("run_rules", lambda: run_rules(context()))
    print(f"  ({len(findings)} findings)")
    if details:
        shared = context()
        for card, function in registered():
            timed(f"  {card.id}", lambda function=function: function(shared))
    verdict, judging = timed("shot_verdicts", lambda: shot_verdicts(findings, len(shots)))
    fitted, fitting = timed(
        "fit_lines",
        lambda: fit_lines(shots, ground, budget, assembly, verdict, settings),
    )
    _, crossing = timed("find_crossings", lambda: find_crossings(fitted))
    ours = adding + ruling + judging
    print(f"budget, rules and verdicts {ours:8.3f} s   ratio {ours / plain:.2f}")
    ours += joining + fitting + crossing
    print(f"  with lines               {ours:8.3f} s   ratio {ours / plain:.2f}")


if __name__ == "__main__":
    numbers = [word for word in sys.argv[1:] if word.isdigit()]
    main(int(numbers[0]) if numbers else 1_000_000, "--rules" in sys.argv)
