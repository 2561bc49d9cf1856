"""Checks and proposed quality levels in files: the same numbers, and stretches on the line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely

from asfound.deliver import write_outputs
from asfound.deliver.accuracy_columns import stretches
from asfound.deliver.delivery import prepare
from asfound.model import Results


@pytest.fixture(scope="module")
def folder(foot: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("accuracy")
    write_outputs(foot, path, formats=("json", "csv", "geojson", "gpkg", "dxf"))
    return path


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_checks_in_csv_are_measured_less_known_in_the_jobs_unit(
    foot: Results, folder: Path
) -> None:
    control = [row for row in rows(folder / "accuracy-checks.csv") if row["kind"] == "control"]
    labels = foot.intake.shots.control
    assert len(control) == int((labels.codes >= 0).sum())
    points = {point.name: point for point in foot.settings.control}
    names = {foot.shot_name(k): k for k in range(len(labels))}
    for row in control:
        k, point = names[row["of"]], points[row["check"]]
        # 1 US survey foot = 1200/3937 m: Federal Register 24 FR 5445 (1959)
        east = (foot.ground.easting[k] - point.easting) * 3937 / 1200
        assert float(row["east_ftUS"]) == pytest.approx(east, abs=6e-4)
        assert row["told"] == "plan"
        assert row["result"] in ("within", "outside", "failed")


def test_levels_in_csv_json_geojson_and_geopackage_are_the_same(
    foot: Results, folder: Path
) -> None:
    table = rows(folder / "quality-levels.csv")
    tree = json.loads((folder / "results.json").read_bytes())
    features = json.loads((folder / "quality-levels.geojson").read_bytes())["features"]
    packed = pyogrio.raw.read(folder / "map.gpkg", layer="quality_levels")
    fields = packed[0]["fields"].tolist()
    levels = packed[3][fields.index("level")].tolist()
    expected = [p.level.name if p.level else "none" for p in foot.accuracy.proposals]
    assert expected
    assert [row["level"] for row in table] == expected
    assert [row["level"] for row in tree["quality_levels"]] == expected
    assert [feature["properties"]["level"] for feature in features] == expected
    assert levels == expected
    assert all("licensed professional" in row["assigned_by"] for row in table)
    assert all(row["figures"] for row in table)


def test_stretches_are_pieces_of_the_axis_as_long_as_their_stations_say(foot: Results) -> None:
    lines = {line.name: line for line in foot.lines}
    for proposal, plan in stretches(prepare(foot)):
        line, segment = lines[proposal.segment.line], proposal.segment
        axis = shapely.linestrings(np.column_stack([line.easting, line.northing]))
        piece = shapely.linestrings(plan)
        assert (
            shapely.hausdorff_distance(piece, shapely.intersection(piece, axis.buffer(1e-6))) < 1e-5
        )
        assert shapely.length(piece) == pytest.approx(segment.end - segment.start, rel=1e-3)


def test_results_json_tells_statements_and_the_test_of_the_budget(
    foot: Results, folder: Path
) -> None:
    tree = json.loads((folder / "results.json").read_bytes())["accuracy"]
    control = next(item for item in foot.accuracy.sets if item.checks.kind == "control")
    told = [item for item in tree["statements"] if item["kind"] == "control"]
    assert [item["standard"] for item in told] == [s.standard for s in control.statements]
    first = control.statements[0]
    assert told[0]["accuracy_ftUS"] == pytest.approx(first.accuracy * 3937 / 1200, abs=1e-4)
    assert told[0]["low_ftUS"] < told[0]["accuracy_ftUS"] < told[0]["high_ftUS"]
    assert "not a tested accuracy" in told[0]["words"][0]
    budget = next(item for item in tree["budget"] if item["kind"] == "control")
    assert budget["variance_factor"] == pytest.approx(control.budget.factor, abs=1e-3)
    assert len(budget["residuals"]) == budget["axes"]


def test_each_stretch_is_labelled_in_the_drawing_as_proposed(foot: Results, folder: Path) -> None:
    space = ezdxf.readfile(folder / "map.dxf").modelspace()
    words = [text.dxf.text for text in space.query('TEXT[layer=="QUALITY-LEVEL"]')]
    assert len(words) == len(foot.accuracy.proposals)
    assert all("proposed level" in word for word in words)
    strokes = space.query('LINE[layer=="QUALITY-LEVEL"]')
    assert len(strokes) == sum(p.segment.start < p.segment.end for p in foot.accuracy.proposals)


def test_lines_carry_the_levels_of_their_stretches(foot: Results, folder: Path) -> None:
    for row in rows(folder / "lines.csv"):
        own = [p for p in foot.accuracy.proposals if p.segment.line == row["line"]]
        assert row["quality_levels"].count("-") >= len(own)
        for proposal in own:
            assert (proposal.level.name if proposal.level else "none") in row["quality_levels"]
