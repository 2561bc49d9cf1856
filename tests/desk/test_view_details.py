"""Details of one shot, line or sweep: held against the results they are made of."""

from __future__ import annotations

import numpy as np
import pytest

from asfound.cli import explain
from asfound.desk.details import (
    find_line,
    find_shot,
    find_sweep,
    findings_about,
    findings_list,
    line_detail,
    numbers,
    shot_detail,
    shots_page,
    sweep_detail,
)
from asfound.errors import InputError
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.model import Results, Verdict


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return run_job(build_demo(tmp_path_factory.mktemp("details") / "demo", 1).path)


def test_every_shot_is_found_by_its_name(results: Results) -> None:
    for index in range(len(results.verdict)):
        assert find_shot(results, results.shot_name(index)) == index


@pytest.mark.parametrize(
    "name",
    ["", "A", "A-", "A-0", "A-9999", "Z-1", "A-١", "A--1", "../A-1", "A-²", "A-" + "9" * 5000],
)
@pytest.mark.parametrize("find", [find_shot, explain.find_shot])
def test_a_name_that_is_no_shot_is_refused_with_a_remedy(results: Results, name: str, find) -> None:
    with pytest.raises(InputError) as error:
        find(results, name)
    assert error.value.remedy


def test_shares_of_a_budget_add_up_to_the_whole(results: Results) -> None:
    for index in range(0, len(results.verdict), 25):
        detail = shot_detail(results, index)
        assert sum(t["horizontal_share"] for t in detail["budget"]) == pytest.approx(1.0, abs=1e-3)
        variance = sum(t["vertical_sd_m"] ** 2 for t in detail["budget"] if t["vertical_sd_m"])
        if detail["vertical_95_m"] is not None:
            # 1.95996 standard deviations hold 95 % of a normal distribution (NIST handbook).
            assert 1.959964 * np.sqrt(variance) == pytest.approx(detail["vertical_95_m"], rel=1e-2)


def test_findings_of_a_shot_are_those_that_the_model_lists(results: Results) -> None:
    for index in range(len(results.verdict)):
        expected = [f.rule.id for f in results.findings.about("shot", index)]
        assert [f["rule"] for f in findings_about(results, "shot", index)] == expected
    listed = findings_list(results)
    order = {"fail": 0, "doubt": 1, "note": 2}
    ranks = [order[one["severity"]] for one in listed]
    assert ranks == sorted(ranks)
    assert all(one["remedy"] for one in listed)


def test_pages_hold_every_shot_once(results: Results) -> None:
    seen = []
    page = shots_page(results, size=100)
    for number in range(1, page["pages"] + 1):
        seen += [s["shot"] for s in shots_page(results, page=number, size=100)["shots"]]
    assert seen == [results.shot_name(k) for k in range(len(results.verdict))]


def test_filters_agree_with_the_arrays(results: Results) -> None:
    unfit = shots_page(results, verdict="unfit", size=1000)
    assert unfit["count"] == int(np.count_nonzero(results.verdict == Verdict.UNFIT))
    name = results.assembly.names[0]
    assert shots_page(results, line=name)["count"] == int(
        np.count_nonzero(results.assembly.line == 0)
    )
    assert shots_page(results, line="-")["count"] == int(
        np.count_nonzero(results.assembly.line < 0)
    )
    receiver = results.intake.shots.receiver.names[0] if results.intake.shots.receiver.names else ""
    wanted = sum(receiver in word for word in results.intake.shots.receiver.words())
    assert shots_page(results, text=receiver)["count"] >= wanted
    assert shots_page(results, text="\u0000nothing")["count"] == 0


@pytest.mark.parametrize(
    "wrong", [{"page": 0}, {"size": 0}, {"size": 1001}, {"verdict": "safe"}, {"line": "no such"}]
)
def test_a_page_that_cannot_be_is_refused(results: Results, wrong: dict[str, object]) -> None:
    with pytest.raises(InputError):
        shots_page(results, **wrong)  # type: ignore[arg-type]


def test_a_profile_runs_along_the_axis_and_names_its_crossings(results: Results) -> None:
    for index, line in enumerate(results.lines):
        assert find_line(results, line.name) == index
        detail = line_detail(results, index)
        np.testing.assert_allclose(detail["axis"]["station_m"], line.axis_station, atol=1e-4)
        assert detail["shots"]["index"] == line.shots.tolist()
        crossing = sum(index in (c.line_a, c.line_b) for c in results.crossings)
        assert len(detail["crossings"]) == crossing
        for one in detail["crossings"]:
            if one["separation_m"] is not None:
                apart = one["upper_height_m"] - one["lower_height_m"]
                assert apart == pytest.approx(one["separation_m"], abs=0.02)


def test_a_fitted_sweep_goes_through_its_readings(results: Results) -> None:
    for index, located in enumerate(results.sweeps):
        assert find_sweep(results, located.name) == index
        detail = sweep_detail(results, index)
        for series in detail["series"]:
            kept = ~np.array(series["left_out"])
            curve = np.interp(series["position_m"], detail["curve_position_m"], series["curve"])
            off = np.array(series["value"])[kept] - curve[kept]
            assert np.sqrt(np.mean(off**2)) < 0.1 * np.ptp(series["value"])


def test_numbers_turn_what_json_lacks_into_null() -> None:
    assert numbers([1.23456, np.nan, np.inf, -0.00001]) == [1.2346, None, None, 0.0]
