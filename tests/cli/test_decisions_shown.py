"""`asfound decide`, `undo`, `decisions`: slips of the finger, and what people read afterwards."""

import pytest
from typer.testing import CliRunner

from asfound.cli.app import app
from asfound.errors import InputError
from asfound.folder.demonstration import build_demo


def run(*arguments):
    made = CliRunner().invoke(app, [str(item) for item in arguments])
    if made.exception is not None:
        raise made.exception
    return made.stdout


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return build_demo(tmp_path_factory.mktemp("decide") / "street", 7).path


def test_a_shot_that_the_job_does_not_have_is_refused_before_anything_is_on_file(job):
    before = run("decisions", job)
    for names in (["A-9999"], ["A-17", "A-9999"], ["A-9000..A-9010"]):
        with pytest.raises(InputError, match="no shot A-9"):
            run("decide", job, "reject", *names, "--why", "slip")
    assert run("decisions", job) == before


def test_decisions_name_their_shots_and_their_values_unit(job):
    run("decide", job, "reject", "A-18..A-20", "B-7", "--why", "rain")
    run("decide", job, "set-antenna-height", "A-30", "--value", "6 ft", "--why", "field book")
    words = " ".join(run("decisions", job).split())
    assert "A-18..A-20" in words
    assert "B-7" in words
    assert "1.8288 m" in words  # six international feet, by definition


def test_what_is_taken_back_already_is_said_to_be(job):
    run("decide", job, "reject", "A-40", "--why", "x")
    name = next(line.split()[0] for line in run("decisions", job).splitlines() if "A-40" in line)
    run("undo", job, name, "--why", "a slip", "--who", "Office")
    with pytest.raises(InputError, match="taken back already, by Office: a slip"):
        run("undo", job, name, "--why", "again")
    with pytest.raises(InputError, match="there is no decision d99"):
        run("undo", job, "d99", "--why", "x")


def test_a_stored_list_that_can_t_be_made_any_more_is_said_and_its_old_files_go(job):
    run("stakeout", job, "--service", "ITRF2020", "--date", "2027-05-18", "--line", "W1",
        "--format", "csv,gpx", "--name", "west", "--store")  # fmt: skip
    old = job / "out" / "stakeout"
    assert (old / "west.csv").is_file()
    run("decide", job, "rename", "B-52", "--value", "Main", "--why", "as the owner calls it")
    shown = run("process", job)
    assert "Stakeout list west could not be made" in shown
    assert not list(old.glob("west.*"))
