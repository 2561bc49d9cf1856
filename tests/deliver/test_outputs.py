"""The set as a whole: same bytes every time, whole or not at all."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from asfound.deliver import ALL, outputs, write_outputs
from asfound.errors import InputError
from asfound.model import Results

_ELSEWHERE = """
import hashlib, importlib.util, locale, pathlib, sys, time
time.sleep(1.1)
spec = importlib.util.spec_from_file_location("invented", sys.argv[1])
module = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
from asfound.deliver import write_outputs
for path in write_outputs(module.proved(module.build_results("ftUS")), pathlib.Path(sys.argv[2])):
    print(path.name, hashlib.sha256(path.read_bytes()).hexdigest())
"""


def _hashes(paths: tuple[Path, ...]) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def test_a_second_run_gives_the_same_bytes(any_results: Results, tmp_path: Path) -> None:
    first = _hashes(write_outputs(any_results, tmp_path / "a"))
    assert _hashes(write_outputs(any_results, tmp_path / "b")) == first


def test_another_process_zone_locale_and_hash_seed_give_the_same_bytes(
    foot: Results, tmp_path: Path
) -> None:
    here = _hashes(write_outputs(foot, tmp_path / "here"))
    environment = {
        **os.environ,
        "TZ": "Pacific/Chatham",
        "LC_ALL": "C",
        "LANG": "C",
        "PYTHONHASHSEED": "4711",
        "HOME": str(tmp_path),
    }
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            _ELSEWHERE,
            str(Path(__file__).with_name("conftest.py")),
            str(tmp_path / "there"),
        ],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    there = dict(line.split() for line in done.stdout.splitlines())
    assert there == here


def test_all_files_are_listed_and_nothing_else_is_left(metre: Results, tmp_path: Path) -> None:
    steps: list[str] = []
    paths = write_outputs(metre, tmp_path, progress=steps.append)
    assert {p.name for p in tmp_path.iterdir()} == {p.name for p in paths}
    assert len(steps) == len(ALL)
    assert {
        "report.pdf",
        "shots.csv",
        "shots.geojson",
        "map.gpkg",
        "map-shapefile.zip",
        "map.kml",
        "map.dxf",
        "results.json",
    } <= {p.name for p in paths}


def test_a_fault_in_one_format_leaves_the_old_set_whole(
    metre: Results, foot: Results, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = _hashes(write_outputs(metre, tmp_path))
    title, _ = outputs._WRITERS["dxf"]

    def broken(delivery: object) -> list[tuple[str, bytes]]:
        raise RuntimeError("no")

    monkeypatch.setitem(outputs._WRITERS, "dxf", (title, broken))
    with pytest.raises(RuntimeError):
        write_outputs(foot, tmp_path)
    assert _hashes(tuple(tmp_path.iterdir())) == before


def test_other_files_in_the_folder_are_left_alone(metre: Results, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    write_outputs(metre, tmp_path, formats=("json",))
    assert (tmp_path / "mine.txt").read_text() == "mine"
    assert {p.name for p in tmp_path.iterdir()} == {"mine.txt", "results.json"}


def test_an_unknown_format_is_refused_with_the_known_ones(metre: Results, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="gpkg"):
        write_outputs(metre, tmp_path, formats=("dwg",))


def test_a_folder_that_is_a_file_is_a_user_error(metre: Results, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="Can't write"):
        write_outputs(metre, tmp_path / "out", formats=("json",))
