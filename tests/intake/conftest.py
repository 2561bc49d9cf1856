"""Files for intake tests; all invented."""

import pytest

from asfound.intake import guess_mapping, read_upload


@pytest.fixture
def read():
    """Guess and read bytes in one go."""

    def run(data, name="shots.csv", track=None, **hints):
        data = data.encode() if isinstance(data, str) else data
        hints = {"frame": "NAD83(2011)", **hints}
        guess = guess_mapping(data, name, hints=hints)
        return read_upload(data, name, guess.mapping, tag="A", source_index=0, track=track)

    return run


@pytest.fixture
def rejected():
    """Reports of rows that did not become shots."""

    def run(upload):
        return [report for report in upload.reports if not report.accepted]

    return run
