"""Building the demonstration job where one stands already."""

import pytest

from asfound.errors import InputError
from asfound.folder import open_job
from asfound.folder.demonstration import build_demo


@pytest.fixture(scope="module")
def street(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "street"
    build_demo(path, 7)
    return path


def test_one_that_nobody_worked_on_is_built_again(street):
    (street / "out").mkdir()
    (street / "out" / "old.txt").write_text("from an earlier run")
    folder = build_demo(street, 7)
    assert folder.path == street
    assert not (street / "out").exists()
    assert [child.name for child in street.parent.iterdir()] == ["street"]


def test_work_is_kept_unless_it_is_to_go(street):
    note = street / "digs.toml"
    note.write_text(note.read_text() + "\n# my own remark\n")
    with pytest.raises(InputError, match=r"worked on: digs\.toml\. Process") as caught:
        build_demo(street, 7)
    assert "--replace" in caught.value.remedy
    assert "my own remark" in note.read_text()
    build_demo(street, 7, replace=True)
    assert "my own remark" not in note.read_text()


def test_another_seed_does_not_replace_the_first_unasked(street):
    with pytest.raises(InputError, match="worked on"):
        build_demo(street, 8)
    assert open_job(street)


def test_a_folder_with_something_else_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="not a demonstration job"):
        build_demo(tmp_path, 7, replace=True)
    assert (tmp_path / "mine.txt").read_text() == "mine"
