"""Stakeout lists in a hand-over: files, results.json, and the report's pages."""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from asfound.deliver.delivery import prepare
from asfound.deliver.report import report_data, report_pdf
from asfound.deliver.results_json import results_json
from asfound.deliver.stakeout_files import stakeout_files
from asfound.model import Exposure, Frame, LineChoice, Pit, Plan, StakeoutRequest
from asfound.stakeout import make_stakeouts

FORMATS = ("csv", "gpx", "kml", "geojson", "landxml")


def request(name="north", service="ITRF2020 / UTM zone 13N", **more):
    given = {
        "shots": ("A-3",),
        "lines": (LineChoice("W1", 5.0),),
        "crossings": True,
        "digs": ("*",),
        "exposures": True,
        "formats": FORMATS,
    }
    return StakeoutRequest(name, Frame(service), date(2027, 5, 18), **(given | more))


@pytest.fixture(scope="module")
def delivery(build):
    results = build()
    line = next(item for item in results.lines if item.name == "W1")
    east, north = float(line.easting[0]), float(line.northing[0])
    plan = Plan(
        digs=(Pit("P", np.array([0.0, 2.0, 2.0]) + east, np.array([0.0, 0.0, 2.0]) + north, 1.0),),
        exposures=(Exposure("X1", "W1", east + 3.0, north, 1.2),),
        stakeouts=(
            request(),
            request("degrees", "NAD83(2011)", formats=("csv", "gpx")),
            request("flat", "ITRF2020"),
            request("lost", shots=("Q-1",)),
        ),
    )
    results = replace(results, plan=plan)
    return prepare(replace(results, stakeouts=make_stakeouts(results)))


def test_every_format_of_every_list_is_written_with_a_page_of_words(delivery):
    files = dict(stakeout_files(delivery))
    assert set(files) == {
        *(f"stakeout/north.{end}" for end in ("txt", "csv", "gpx", "kml", "geojson", "xml")),
        *(f"stakeout/degrees.{end}" for end in ("txt", "csv", "gpx")),
    }
    words = files["stakeout/north.txt"].decode()
    assert "ITRF2020 / UTM zone 13N at epoch 2027.3" in words
    assert "not modelled" in words
    assert "leave to dig" in words
    assert "on foot" in words


def test_lists_that_cant_be_made_say_why_and_what_to_do(delivery):
    flat, lost = delivery.results.stakeouts[2:]
    assert "LandXML" in flat.reason
    assert flat.remedy
    assert "Q-1" in lost.reason
    pages = report_data(delivery)["stakeouts"]
    assert pages[3]["reason"] == lost.reason


def test_a_list_holds_shots_stations_crossings_corners_and_exposures(delivery):
    kinds = set(delivery.results.stakeouts[0].targets.targets.kind)
    assert {"shot", "station", "end", "crossing", "dig corner", "exposure"} <= kinds


def test_results_json_has_the_lists_with_frame_epoch_and_distance(delivery):
    found = json.loads(results_json(delivery))["stakeouts"]
    assert [item["name"] for item in found] == ["north", "degrees", "flat", "lost"]
    first, second = found[:2]
    assert first["epoch"] == pytest.approx(2027.375, abs=0.005)
    assert second["epoch"] is None
    assert first["walking_distance_m"] > 0
    assert [t["order"] for t in first["targets"]] == list(range(1, len(first["targets"]) + 1))
    assert found[3]["targets"] == []


def test_the_report_names_the_frame_and_the_walk_and_is_set(delivery):
    page = report_data(delivery)["stakeouts"][0]
    assert page["frame"] == "ITRF2020 / UTM zone 13N"
    assert page["epoch"] == "epoch 2027.38"
    assert "on foot" in page["walk"]
    assert len(page["rows"]) == len(delivery.results.stakeouts[0].targets)
    assert report_pdf(delivery).startswith(b"%PDF")


def test_hostile_names_stay_text_and_many_targets_are_cut_with_a_remark(build):
    results = build(hostile=True)
    plan = Plan(
        stakeouts=(
            request(
                lines=tuple(LineChoice(line.name, 0.5) for line in results.lines),
                digs=(),
                exposures=False,
            ),
        )
    )
    results = replace(results, plan=plan)
    made = prepare(replace(results, stakeouts=make_stakeouts(results)))
    assert made.results.stakeouts[0].reason == ""
    page = report_data(made)["stakeouts"][0]
    assert page["more"] > 0
    assert report_pdf(made).startswith(b"%PDF")
    for name, data in stakeout_files(made):
        assert b"<script>" not in data or name.endswith((".csv", ".geojson", ".txt"))
