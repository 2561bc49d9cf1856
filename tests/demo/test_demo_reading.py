"""Reading the demonstration's raw files gives the very shots that the fast path makes."""

from dataclasses import fields

import numpy as np
import pytest

from asfound.demo import generate, simulate
from asfound.intake import guess_mapping, join_uploads, read_upload
from asfound.model import HORIZONTAL_COIL, Labels


@pytest.fixture(scope="module", params=[7, 8])
def pair(request, tmp_path_factory):
    """The intake of the files of a seed, and what `simulate` gives."""
    folder = tmp_path_factory.mktemp("incoming")
    demo = generate(request.param)
    uploads = []
    for index, upload in enumerate(demo.uploads):
        path = folder / upload.file
        path.write_bytes(demo.files[upload.file])
        guess = guess_mapping(path, upload.file, hints=dict(upload.hints))
        assert not guess.ambiguities, (upload.file, guess.ambiguities)
        uploads.append(
            read_upload(path, upload.file, guess.mapping, tag="ABCDEFG"[index], source_index=index)
        )
    return demo, join_uploads(uploads), simulate(request.param)


def test_every_column_of_every_shot_agrees(pair):
    _, intake, (shots, _, _, _) = pair
    assert len(intake.shots) == len(shots)
    for field in fields(shots):
        read, made = getattr(intake.shots, field.name), getattr(shots, field.name)
        if isinstance(made, Labels):
            assert (read.words() == made.words()).all(), field.name
        elif made.dtype.kind == "f":
            np.testing.assert_allclose(read, made, rtol=1e-13, atol=1e-12, err_msg=field.name)
        else:
            assert (read == made).all(), field.name


def test_what_holds_for_a_whole_upload_agrees(pair):
    _, intake, (_, sources, _, _) = pair
    for read, made in zip(intake.sources, sources, strict=False):
        assert (read.tag, read.file, read.rows) == (made.tag, made.file, made.rows)
        assert (read.receiver, read.position_of) == (made.receiver, made.position_of)
        assert read.antenna_height == pytest.approx(made.antenna_height, nan_ok=True)


def test_every_row_is_accounted_for_and_the_unusable_ones_are_reported(pair):
    demo, intake, _ = pair
    assert all(account.balanced for account in intake.accounts)
    refused = {(r.file, r.row) for r in intake.reports if not r.accepted}
    expected = {(demo.uploads[k].file, row) for k, row, _ in demo.truth.spoiled}
    assert refused == expected


def test_sweeps_come_back_whole(pair):
    demo, intake, _ = pair
    assert [sweep.name for sweep in intake.sweeps] == [s.name for s in demo.truth.sweeps]
    for sweep in intake.sweeps:
        assert sweep.unit == "nT"
        assert sweep.length == pytest.approx(4.8)
        assert len(np.unique(sweep.position)) == 13
        horizontal = sweep.coil == HORIZONTAL_COIL
        assert 2 * horizontal.sum() == len(horizontal)
        assert np.isfinite([*sweep.start, *sweep.end]).all()


def test_the_truth_is_row_by_row_that_of_the_shots(pair):
    demo, intake, _ = pair
    assert (demo.truth.row == intake.shots.row).all()
    assert (demo.truth.source == intake.shots.source).all()
