"""Is asfound's word good? 200 invented jobs with a known truth, end to end.

The truth of a shot is the conductor's centre at the point of the true line nearest in plan to
where the pole really stood. "Clean" means that the generator did nothing wrong at that shot;
"sound" is asfound's own verdict. The acceptance figures are the project's: 95 % regions hold the
truth for 93 to 97 % of sound shots, and every line is recovered with the right shots.
"""

import numpy as np
import pytest
from scipy.stats import chi2, norm

from asfound.demo import simulate
from asfound.job import process
from asfound.model import Intake, Verdict

SEEDS = (7, *range(1000, 1199))


@pytest.fixture(scope="module")
def jobs():
    """Results and truth of all jobs, reduced to what the tests look at."""
    return [examine(seed) for seed in SEEDS]


def examine(seed):
    shots, sources, settings, truth = simulate(seed)
    results = process(Intake(sources, shots, (), (), ()), settings)
    offset = np.stack(
        [
            results.ground.easting - truth.easting,
            results.ground.northing - truth.northing,
            results.budget.centre_height - truth.height,
        ],
        axis=1,
    )
    covariance = results.budget.covariance
    plan = np.linalg.solve(covariance[:, :2, :2], offset[:, :2, None])[..., 0]
    return {
        "truth": truth,
        "assembly": results.assembly,
        "lines": results.lines,
        "sound": results.verdict == Verdict.SOUND,
        "clean": (truth.cause == "") & (truth.line != ""),
        "distance": (plan * offset[:, :2]).sum(axis=1),
        "height_score": offset[:, 2] / np.sqrt(covariance[:, 2, 2]),
        "inside_circle": np.hypot(offset[:, 0], offset[:, 1]) <= results.budget.horizontal_95,
        "inside_interval": np.abs(offset[:, 2]) <= results.budget.vertical_95,
        "source": shots.source,
        "seed": np.full(len(shots), seed),
    }


def pooled(jobs, key):
    """One quantity of all sound, clean shots."""
    return np.concatenate([job[key][job["sound"] & job["clean"]] for job in jobs])


@pytest.mark.slow
def test_ellipses_and_height_intervals_hold_the_truth_of_95_percent_of_sound_shots(jobs):
    inside = pooled(jobs, "distance") <= chi2.ppf(0.95, 2)
    assert 0.93 <= inside.mean() <= 0.97
    inside = np.abs(pooled(jobs, "height_score")) <= norm.ppf(0.975)
    assert 0.93 <= inside.mean() <= 0.97


@pytest.mark.slow
def test_the_circle_and_the_interval_that_people_read_hold_as_much(jobs):
    assert 0.93 <= pooled(jobs, "inside_circle").mean() <= 0.97
    assert 0.93 <= pooled(jobs, "inside_interval").mean() <= 0.97


@pytest.mark.slow
def test_no_upload_and_no_line_hides_behind_the_others(jobs):
    inside = pooled(jobs, "distance") <= chi2.ppf(0.95, 2)
    upright = np.abs(pooled(jobs, "height_score")) <= norm.ppf(0.975)
    line = np.concatenate([job["truth"].line[job["sound"] & job["clean"]] for job in jobs])
    source = pooled(jobs, "source")
    for group in [line == name for name in np.unique(line)] + [source == k for k in range(4)]:
        assert 0.91 <= inside[group].mean() <= 0.985
        assert 0.91 <= upright[group].mean() <= 0.985


@pytest.mark.slow
def test_most_clean_shots_are_called_sound(jobs):
    clean = sum(int(job["clean"].sum()) for job in jobs)
    assert len(pooled(jobs, "seed")) / clean >= 0.97


def faults(job):
    """What keeps each true line from having come back as one line with the right shots.

    A line has come back when one assembled line holds every clean shot of it, and the fitted
    line of that name uses no shot of any other true line.

    Returns
    -------
    dict of str to str
        By name of the true line: empty for one that came back, else what is wrong.
    """
    truth, assembly = job["truth"], job["assembly"]
    wrong = {}
    for line in truth.lines:
        own = truth.line == line.name
        found = np.unique(assembly.line[own & job["clean"]])
        wrong[line.name] = ""
        if len(found) != 1 or found[0] < 0:
            wrong[line.name] = "split"
            continue
        fitted = [k for k in job["lines"] if k.name == assembly.names[found[0]]]
        used = fitted[0].shots[fitted[0].used]
        foreign = used[truth.line[used] != line.name]
        if (truth.cause[foreign] != "position-typing").any():
            wrong[line.name] = "holds another line's shots"
        elif len(foreign):
            wrong[line.name] = "holds a mistyped position"
    return wrong


@pytest.mark.slow
def test_every_line_is_recovered_with_the_right_shots(jobs):
    wrong = [(int(job["seed"][0]), *item) for job in jobs for item in faults(job).items()]
    lost = [item for item in wrong if item[2]]
    assert not [item for item in lost if item[2] != "holds a mistyped position"]
    assert not any(faults(jobs[0]).values())  # the job that everyone sees first
    # A digit mistyped so that the shot falls on another line of the same utility, by chance.
    assert len(lost) <= 0.003 * len(wrong), lost


@pytest.mark.slow
def test_both_services_are_found_to_branch_off_the_gas_main(jobs):
    for job in jobs:
        if any(faults(job).values()):
            continue
        assembly, truth = job["assembly"], job["truth"]
        index = {
            line.name: assembly.line[(truth.line == line.name) & job["clean"]][0]
            for line in truth.lines
        }
        tees = {(branch, main) for branch, main, _, _ in assembly.tees}
        for name in ("gas service 1", "gas service 2"):
            assert (index[name], index["gas main"]) in tees, (job["seed"][0], name)


@pytest.mark.slow
def test_the_envelope_holds_the_true_line(jobs):
    """Across and up, wherever the axis runs between two sound shots: 95 % intervals.

    Stretches of doubtful shots are drawn as such, and are not held to it.
    """
    across, up = [], []
    for job in jobs:
        truth, assembly = job["truth"], job["assembly"]
        for fitted in job["lines"]:
            if fitted.name not in assembly.names:
                continue
            members = assembly.line == assembly.names.index(fitted.name)
            names, counts = np.unique(truth.line[members], return_counts=True)
            true = next(line for line in truth.lines if line.name == names[counts.argmax()])
            station, right = true.path.nearest(fitted.easting, fitted.northing)
            inner = (station > 1.0) & (station < true.path.length - 1.0)
            for low, high in fitted.gaps:
                inner &= (fitted.axis_station < low) | (fitted.axis_station > high)
            order = np.argsort(fitted.station)
            sound = job["sound"][fitted.shots[order]]
            after = np.searchsorted(fitted.station[order], fitted.axis_station)
            after = np.clip(after, 1, len(order) - 1)
            inner &= sound[after] & sound[after - 1]
            sine, cosine = np.sin(fitted.bearing), np.cos(fitted.bearing)
            normal = np.stack([cosine, -sine, np.zeros_like(sine)], axis=1)
            variance = np.einsum("ni,nij,nj->n", normal, fitted.covariance, normal)
            across.append((right / np.sqrt(variance))[inner])
            height = true.path.at(station)[2]
            up.append(((fitted.height - height) / np.sqrt(fitted.covariance[:, 2, 2]))[inner])
    limit = norm.ppf(0.975)
    assert 0.92 <= (np.abs(np.concatenate(across)) <= limit).mean() <= 0.985
    assert 0.92 <= (np.abs(np.concatenate(up)) <= limit).mean() <= 0.985
