"""Over simulated jobs: stated probabilities of contact come true, and advice saves holes.

Truth: straight lines at a true depth; shots with independent errors and a depth error shared by
hook-up; digs that stray from their plan by the errors they declare. The same with 500 jobs and
16,000 digs, where chance is well below three points, is done by `bench/calibrate_clearance.py`; its
numbers stand in `docs/explanation/clearance.md`.
"""

import numpy as np
import pytest

from asfound.alignment import assemble, fit_lines
from asfound.clearance import advise_exposures, check_digs, solid_of
from asfound.clearance._pieces import TUBE
from asfound.clearance.nearest import Axes, nearest_approaches
from asfound.model import (
    Bore,
    Budget,
    BudgetTerm,
    CandidateExposure,
    Exposure,
    Findings,
    Frame,
    Ground,
    Intake,
    JobSettings,
    Pit,
    Post,
    Results,
    Shots,
    Trench,
)

NAN = float("nan")
EAST, NORTH, LEVEL, SIZE = 500_000.0, 4_000_000.0, 100.0, 0.12
PLANE, DEPTH, SCALE = 0.04, 0.05, 0.07
JOBS = 30
START = np.datetime64("2026-11-02T08:00:00", "us")


def simulate(paths, rng, hookups=None):
    """Results of a job whose lines truly run along `paths`; one hook-up unless told."""
    truth = np.concatenate(paths)
    owner = np.repeat(np.arange(len(paths)), [len(path) for path in paths])
    count = len(truth)
    group = (np.zeros(len(paths)) if hookups is None else np.asarray(hookups))[owner]
    group = group.astype(np.int32)
    shared = SCALE * rng.standard_normal(int(group.max()) + 1)[group]
    seen = truth + np.column_stack(
        (rng.normal(0, PLANE, (count, 2)), rng.normal(0, DEPTH, count) + shared)
    )
    zero = np.zeros(count)
    shots = Shots.build(
        seen[:, 0], seen[:, 1], depth=LEVEL - seen[:, 2], utility=np.full(count, 2, np.int8),
        line=[f"L{k}" for k in owner], hookup=[f"H{k}" for k in group],
        time=START + np.arange(count) * np.timedelta64(20, "s"),
    )  # fmt: skip
    ground = Ground(
        seen[:, 0], seen[:, 1], zero + LEVEL, zero, zero, zero + LEVEL, zero, zero + 1.0,
        zero + 2026.9, np.zeros(count, np.int16), (), 1.0, "ellipsoidal height",
    )  # fmt: skip
    independent = np.zeros((count, 3, 3))
    independent[:, 0, 0] = independent[:, 1, 1] = PLANE**2
    independent[:, 2, 2] = DEPTH**2
    covariance = independent.copy()
    covariance[:, 2, 2] += SCALE**2
    term = BudgetTerm(
        "depth-scale", "depth scale", "simulated", zero, zero, zero, zero + SCALE**2,
        group,
    )  # fmt: skip
    budget = Budget.of(
        (term,), covariance, independent, seen[:, 2], zero, zero, np.zeros((count, 3)), zero + SIZE
    )
    assembly = assemble(shots, ground)
    verdict = np.zeros(count, np.int8)
    settings = JobSettings("simulated", Frame("EPSG:26913"), invented=True)
    lines = fit_lines(shots, ground, budget, assembly, verdict, settings)
    return Results(
        "0", settings, Intake((), shots, (), (), ()), ground, budget, Findings(()), verdict,
        assembly, lines, np.zeros(len(lines), np.int8), (),
    )  # fmt: skip


def path_of(east, rng, height=None):
    s = np.arange(0.0, 50.0, 5.0)
    height = LEVEL - rng.uniform(1.0, 1.4) if height is None else height
    lean = rng.normal(0.0, 0.03)
    return np.column_stack((EAST + east + lean * s, NORTH + s, height + 0.005 * (s - 25.0)))


def plan_dig(kind, line, rng):
    """A dig near the middle of a line as located, planned so that a contact is an open question.

    Digs are drawn on the map that the locate made: where the line truly runs no planner knows.
    """
    x, y, z = (
        float(np.interp(22.0, line.axis_station, c))
        for c in (line.easting, line.northing, line.height)
    )
    over = z + 0.5 * SIZE + rng.normal(0.02, 0.12)
    if kind == 0:
        return Trench(
            "t", x + np.array([-2.0, 2.0]), y + np.array([-1.0, 1.0]), np.array([0.6]),
            np.array([NAN]), np.array([over]), 0.05, 0.05,
        )  # fmt: skip
    if kind == 1:
        level = z + rng.choice([-1.0, 1.0]) * abs(rng.normal(0.2, 0.1))
        return Bore(
            "b", x + np.array([-8.0, 8.0]), y + np.array([-2.0, 2.0]), np.array([NAN]),
            np.full(2, level), 0.1, 0.2, 0.05, 0.05, 0.005, 0.01,
        )  # fmt: skip
    if kind == 2:
        aside = rng.normal(0.6, 0.1)
        ring = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
        return Pit("p", x + aside + ring[:, 0], y + ring[:, 1], NAN, z - 0.5, 0.05, 0.05)
    return Post("q", x + rng.normal(0.2, 0.1), y, 0.3, NAN, z - 0.4, 0.05, 0.05)


def truly_touches(dig, path, rng):
    """Whether the dig as really dug touches the line as it really lies."""
    solid = solid_of(dig, None)
    line = path.copy()
    pieces = solid.pieces
    if isinstance(dig, Bore):
        u = rng.standard_normal(4)
        side = dig.horizontal_sd * u[0] + dig.horizontal_steering * solid.path_station * u[1]
        drop = dig.vertical_sd * u[2] + dig.vertical_steering * solid.path_station * u[3]
        moved = solid.path + np.column_stack((solid.left * side[:, None], drop))
        shape = pieces.shape.copy()
        shape[:, :6] = np.hstack((moved[:-1], moved[1:]))
        assert np.all(pieces.kind == TUBE)
        pieces = type(pieces)(pieces.kind, shape, pieces.station)
    else:
        line[:, :2] -= dig.horizontal_sd * rng.standard_normal(2)
        line[:, 2] -= dig.vertical_sd * rng.standard_normal()
    near = nearest_approaches(
        Axes(line, np.array([0, len(line)])), pieces, np.zeros(len(pieces), np.int64), 50.0
    )
    return bool(near.distance[0] <= 0.5 * SIZE)


def one_job(seed, each=1, lines=8):
    """Stated probability, whether it came true, and kind of dig, of some digs at each line.

    Each line has a hook-up of its own, so that its depth error is drawn anew.
    """
    rng = np.random.default_rng((71, seed))
    paths = [path_of(12.0 * k, rng) for k in range(lines)]
    results = simulate(paths, rng, np.arange(lines))
    located = sorted(results.lines, key=lambda line: line.easting[0])
    assert len(located) == lines
    kind = np.concatenate([rng.permutation(4) for _ in range(-(-lines * each // 4))])
    owner = np.repeat(np.arange(lines), each)
    digs = [plan_dig(int(kind[d]), located[k], rng) for d, k in enumerate(owner)]
    stated, true = [], []
    for d, answer in enumerate(check_digs(results, digs, rules=(), reach=2.0)):
        path = paths[owner[d]]
        mine = min(answer.approaches, key=lambda a, x=path[4, 0]: abs(a.line_point[0] - x))
        stated.append(mine.p_contact)
        true.append(truly_touches(digs[d], path, rng))
    return np.array(stated), np.array(true), kind[: len(digs)]


@pytest.fixture(scope="module")
def stated_and_true():
    stated, true, _ = zip(*(one_job(seed, each=2) for seed in range(JOBS)), strict=True)
    return np.concatenate(stated), np.concatenate(true)


def test_contact_happens_as_often_as_stated(stated_and_true):
    stated, true = stated_and_true
    assert len(stated) == 480
    assert true.mean() == pytest.approx(stated.mean(), abs=0.03)
    # reliability: the weighted distance of the curve from the diagonal, less what chance makes
    edges = np.quantile(stated, np.linspace(0.0, 1.0, 6))
    place = np.clip(np.searchsorted(edges, stated, side="right") - 1, 0, 4)
    apart = [abs(true[place == b].mean() - stated[place == b].mean()) for b in range(5)]
    doubt = stated * (1.0 - stated)
    noise = [np.sqrt(doubt[place == b].mean() / np.count_nonzero(place == b)) for b in range(5)]
    assert np.all(np.array(apart) <= 0.03 + 2.0 * np.array(noise))


def test_the_scores_are_those_of_honest_probabilities(stated_and_true):
    stated, true = stated_and_true
    spread = np.sum(stated * (1.0 - stated))
    assert abs(np.sum(true - stated)) < 3.0 * np.sqrt(spread)
    # Brier score against what honest probabilities would score, with its own deviation
    expected = np.mean(stated * (1.0 - stated))
    deviation = np.sqrt(np.sum(stated * (1 - stated) * (1 - 2 * stated) ** 2)) / len(stated)
    assert np.mean((stated - true) ** 2) == pytest.approx(expected, abs=4.0 * deviation)


def crossing_job(seed):
    """A long trench over ten lines, each with its own hook-up: few crossings are open questions."""
    rng = np.random.default_rng((72, seed))
    bottom = LEVEL - 1.0
    gaps = rng.permutation(np.concatenate((rng.uniform(0.12, 0.25, 4), rng.uniform(0.6, 1.0, 6))))
    paths = [path_of(6.0 * k, rng, bottom - gap - 0.5 * SIZE) for k, gap in enumerate(gaps)]
    trench = Trench(
        "t", EAST + np.array([-3.0, 57.0]), NORTH + np.full(2, 25.0), np.array([0.6]),
        np.array([NAN]), np.array([bottom]), 0.05, 0.01,
    )  # fmt: skip
    return simulate(paths, rng, np.arange(len(paths))), trench, paths


def crossings_of(results, trench):
    """Candidates where the trench crosses the lines, in order along it."""
    (answer,) = check_digs(results, [trench], rules=())
    places = [
        CandidateExposure(a.line_index, a.line, a.line_station, *a.line_point[:2])
        for a in answer.approaches
    ]
    return sorted(places, key=lambda place: place.easting), answer.risk


def risk_after(results, trench, chosen, paths, rng):
    """Risk after the chosen lines were really exposed."""
    exposures = []
    for place in chosen:
        path = min(paths, key=lambda p: abs(p[5, 0] - place.easting))
        top = np.interp(place.northing, path[:, 1], path[:, 2]) + 0.5 * SIZE
        exposures.append(
            Exposure(
                f"x{place.line_index}", place.line,
                float(np.interp(place.northing, path[:, 1], path[:, 0])) + rng.normal(0, 0.02),
                place.northing, LEVEL - top + rng.normal(0, 0.02), ground_height=LEVEL,
                outside_diameter=SIZE,
            )
        )  # fmt: skip
    (answer,) = check_digs(results, [trench], rules=(), exposures=exposures)
    return answer.risk


def test_advice_halves_the_risk_with_two_thirds_of_the_holes_of_even_spacing():
    jobs, most = 3, 7
    before = 0.0
    advised, even = np.zeros(most), np.zeros(most)
    for seed in range(jobs):
        results, trench, paths = crossing_job(seed)
        places, risk = crossings_of(results, trench)
        assert len(places) == 10
        before += risk
        best = advise_exposures(results, [trench], most, candidates=places).chosen
        for holes in range(1, most + 1):
            spaced = np.unique(np.round((np.arange(holes) + 0.5) * 10 / holes - 0.5).astype(int))
            rng = np.random.default_rng((73, seed, holes))
            advised[holes - 1] += risk_after(results, trench, best[:holes], paths, rng)
            chosen = [places[k] for k in spaced]
            even[holes - 1] += risk_after(results, trench, chosen, paths, rng)
    needed = 1 + np.flatnonzero(advised <= 0.5 * before)[0]
    needed_even = 1 + np.flatnonzero(even <= 0.5 * before)[0]
    assert needed <= 2.0 / 3.0 * needed_even
