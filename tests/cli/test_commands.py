"""The command line as a user meets it: its own process, its exit codes, no traceback."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"


def run(*arguments, cwd=None, timeout=120):
    return subprocess.run(
        [sys.executable, "-m", "asfound.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=timeout,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100"},
        check=False,
    )


def _commands():
    import typer.main

    from asfound.cli import app

    found = {}
    for name, command in typer.main.get_command(app).commands.items():
        if hasattr(command, "commands"):
            assert command.help
            found |= {f"{name} {inner}": one for inner, one in command.commands.items()}
        else:
            found[name] = command
    return found


def test_every_command_and_option_has_help_and_stands_in_the_reference():
    reference = (DOCS / "reference" / "command-line.md").read_text("utf-8")
    for name, command in _commands().items():
        assert f"## asfound {name}" in reference
        assert command.help
        for parameter in command.params:
            assert parameter.help, f"{name} {parameter.name} has no help"
            for option in parameter.opts:
                if option.startswith("--"):
                    assert f"`{option}`" in reference, f"{option} of {name} is undocumented"


def test_every_exit_code_is_documented():
    from asfound.cli.app import EXIT_CODES

    reference = (DOCS / "reference" / "command-line.md").read_text("utf-8")
    for code, meaning in EXIT_CODES.items():
        assert f"| {code} | {meaning} |" in reference


def test_help_imports_no_heavy_package():
    code = (
        "import sys, asfound.cli; "
        "heavy = 'numpy', 'pyproj', 'pyogrio', 'pyarrow', 'scipy', 'sqlalchemy', 'alembic'; "
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["process", "nowhere"], 3, "job.toml"),
        (["frames", "--at", "north pole"], 3, "not a place"),
        (["frames", "--at", "95,10"], 3, "not on the globe"),
        (["new", "j", "--crs", "EPSG:999999"], 5, "999999"),
        (["new", "j", "--crs", "EPSG:6487", "--unit", "foot"], 3, "foot"),
        (["nonsense"], 2, "nonsense"),
    ],
)
def test_user_errors_say_what_to_do_and_show_no_traceback(tmp_path, arguments, code, said):
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == code, done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    if code != 2:
        assert "What to do:" in done.stderr


def test_errors_are_json_for_machines(tmp_path):
    done = run("process", "nowhere", "--json", cwd=tmp_path)
    assert done.returncode == 3
    assert json.loads(done.stdout)["remedy"]


def test_a_job_goes_from_files_to_results(tmp_path):
    assert run("demo", tmp_path / "d", "--json").returncode == 0
    checked = run("check", tmp_path / "d", "--json")
    assert checked.returncode == 0, checked.stderr
    summary = json.loads(checked.stdout)
    for account in summary["rows"]:
        assert account["rows"] == (
            account["shots"] + account["sweep_readings"] + account["reported"]
        )
    assert not (tmp_path / "d" / "out").exists()
    assert run("check", tmp_path / "d", "--strict").returncode == 7

    processed = run("process", tmp_path / "d", "--json")
    assert processed.returncode == 0, processed.stderr
    names = {Path(name).name for name in json.loads(processed.stdout)["files"]}
    assert {"report.pdf", "results.json"} <= names

    explained = run("explain", tmp_path / "d", "A-3", "--json")
    assert explained.returncode == 0, explained.stderr
    shot = json.loads(explained.stdout)
    variance = sum(term["vertical_sd_m"] ** 2 for term in shot["budget"])
    assert 1.96 * variance**0.5 == pytest.approx(shot["vertical_95_m"], rel=1e-3)
    assert "no shot 'A-99999'" in run("explain", tmp_path / "d", "A-99999").stderr


def test_preview_shows_what_a_receiver_will_read_beside_a_neighbour():
    # Source: worked example of two conductors by an independent script; Biot-Savart.
    done = run("preview", "--line", "0,1.2,100", "--neighbour", "0.8,1.0,-35", "--json")
    assert done.returncode == 0, done.stderr
    shown = json.loads(done.stdout)
    assert shown["peak_m"] == pytest.approx(-0.173, abs=5e-4)
    assert shown["null_m"] == pytest.approx(-0.273, abs=5e-4)
    assert shown["depth_m"] == pytest.approx(0.954, abs=5e-4)
    assert "too shallow" in run("preview", "--line", "0,1.2,100", "--neighbour=0.8,1,-35").stdout
    assert "not a conductor" in run("preview", "--line", "1.2,100").stderr


def test_reach_falls_with_frequency_on_a_coated_pipe():
    done = run("reach", "--depth", "1.2", "--wanted", "300", "--json")
    assert done.returncode == 0, done.stderr
    shown = json.loads(done.stdout)
    assert shown["attenuation_length_m"] == sorted(shown["attenuation_length_m"], reverse=True)
    assert shown["chosen_hz"] == 512.0
    assert run("reach", "--depth", "-1", "--wanted", "300").returncode == 3


def test_a_sweep_is_shown_and_drawn(tmp_path):
    assert run("demo", tmp_path / "d", "--json").returncode == 0
    done = run(
        "sweep", tmp_path / "d", "s1", "--svg", tmp_path / "s.svg", "--pdf", tmp_path / "s.pdf"
    )
    assert done.returncode == 0, done.stderr
    assert "one-conductor logic" in done.stdout
    assert (tmp_path / "s.svg").read_text("utf-8").startswith("<svg")
    assert (tmp_path / "s.pdf").read_bytes().startswith(b"%PDF")
    shown = json.loads(run("sweep", tmp_path / "d", "S1", "--json").stdout)
    assert len(shown["conductors"]) == 2
    assert "no sweep" in run("sweep", tmp_path / "d", "S99").stderr


def test_frames_of_a_place_are_compared():
    # Source: NAD 83(2011) minus ITRF2014 at 39.0 N 104.8 W, 2026.9, run with PROJ 9.5.1.
    done = run("frames", "--at", "39.0,-104.8", "--epoch", "2026.9", "--json")
    found = json.loads(done.stdout)["differences"]
    pair = next(d for d in found if d["target"] == "NAD83(2011)" and d["source"] == "ITRF2014")
    assert (pair["east"], pair["north"]) == pytest.approx((1.342, -0.506), abs=2e-3)


@pytest.mark.parametrize("arguments", [("process",), ("nonsense",), ("check", "x", "--no-such")])
def test_a_command_line_not_understood_is_told_to_machines_as_json(arguments):
    done = run(*arguments, "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 2
    assert told["error"] == "UsageError"
    assert told["what"]
    assert "--help" in told["remedy"]


def test_decisions_are_taken_listed_and_taken_back(tmp_path):
    run("demo", tmp_path / "job")
    taken = run("decide", tmp_path / "job", "reject", "A-3", "A-5..A-6", "--why", "stood aside")
    assert taken.returncode == 0, taken.stderr
    assert "Decision d1" in taken.stdout
    assert run("decide", tmp_path / "job", "reject", "A-3", "--why", " ").returncode == 3
    back = run("undo", tmp_path / "job", "d1", "--why", "the wrong shots", "--who", "Q. Invented")
    assert back.returncode == 0, back.stderr
    (listed,) = json.loads(run("decisions", tmp_path / "job", "--json").stdout)["decisions"]
    assert len(listed["shots"]) == 3
    assert listed["undone"]["who"] == "Q. Invented"
    height = run(
        "decide", tmp_path / "job", "set-antenna-height", "A-3", "--value", "6 ft", "--why", "seen"
    )
    assert height.returncode == 0, height.stderr
    (_, second) = json.loads(run("decisions", tmp_path / "job", "--json").stdout)["decisions"]
    assert float(second["value"]) == pytest.approx(1.8288)


def test_a_line_with_depths_but_without_heights_is_not_said_to_lack_depths(tmp_path):
    rows = "Point,Easting,Northing,Depth (m),Utility\n" + "".join(
        f"{k},{470000 + 3 * k}.00,{100000 + 2 * k}.00,1.10,gas\n" for k in range(12)
    )
    (tmp_path / "log.csv").write_text(rows)
    assert run("new", "job", "--crs", "EPSG:6466", cwd=tmp_path).returncode == 0
    added = run(
        *("add", "job", "log.csv", "--frame", "EPSG:6466", "--position-of", "ground"), cwd=tmp_path
    )
    assert added.returncode == 0, added.stderr
    done = run("process", "job", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "no heights" in done.stdout
    assert "no depths" not in done.stdout
