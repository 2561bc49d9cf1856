"""`asfound accuracy` as a user meets it."""

import json
import os
import subprocess
import sys

import pytest

from asfound.folder.demonstration import build_demo


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return build_demo(tmp_path_factory.mktemp("accuracy") / "street", 7).path


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "asfound.cli", "accuracy", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100"},
        check=False,
    )


def test_it_tells_the_mix_up_the_statements_and_who_assigns_levels(job):
    done = run(job)
    assert done.returncode == 0, done.stderr
    assert "Upload F was probably misread." in done.stdout
    assert "ITRF2020" in done.stdout
    assert "not a tested accuracy" in done.stdout
    assert "variance factor" in done.stdout
    assert "ASCE/UESI/CI 38-22" in done.stdout
    assert "a licensed professional assigns it" in done.stdout
    assert "does not give leave to dig" in done.stdout


def test_other_schemes_can_be_asked_for_and_machines_read_json(job):
    done = run(job, "--scheme", "pas-128", "--scheme", "csa-s250", "--json")
    assert done.returncode == 0, done.stderr
    tree = json.loads(done.stdout)
    assert {row["scheme"] for row in tree["quality_levels"]} == {"PAS 128:2022", "CSA S250:20"}
    assert [(m["upload"], m["named"]) for m in tree["mix_ups"]] == [("F", "frame")]
    failed = [row["of"] for row in tree["checks"] if row["result"] == "failed"]
    assert failed == ["F-1", "F-2", "F-3", "F-4"]
    assert tree["cautions"]


def test_an_unknown_scheme_stops_with_the_known_ones(job):
    done = run(job, "--scheme", "iso-9999")
    assert done.returncode == 3
    assert "asce-38-22" in done.stderr
    assert "Traceback" not in done.stderr
