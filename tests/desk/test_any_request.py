"""Requests that a machine makes up from the API's own description: none may break the desk.

Made by Schemathesis, an independent tool for testing by OpenAPI documents.
"""

from __future__ import annotations

import warnings

import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import schemathesis
    from hypothesis import HealthCheck, Phase, settings
    from schemathesis.checks import not_a_server_error

# The stream of a download or a whole processing says nothing about a made-up request.
_LEFT_OUT = "/process"
_EXAMPLES = 12


@pytest.fixture(scope="module")
def described(demo_data, tmp_path_factory, site_type):
    """A desk that may be broken, and a browser of its administrator."""
    import shutil

    from asfound.desk.config import DeskConfig
    from asfound.desk.context import open_desk

    folder, job = demo_data
    place = tmp_path_factory.mktemp("made-up") / "data"
    shutil.copytree(folder, place, symlinks=True)
    site = site_type(open_desk(DeskConfig(place, auto_process=False)), job)
    yield site
    site.desk.store.close()


def operations(site):
    document = site.app.openapi()
    return schemathesis.openapi.from_dict(document)


@pytest.mark.filterwarnings("ignore")
def test_no_made_up_request_is_a_fault_of_the_desk(described):
    browser = described.as_role("administrator")
    job = described.job
    seen = 0
    for found in operations(described).get_all_operations():
        operation = found.ok()
        if operation.path.endswith(_LEFT_OUT):
            continue

        @settings(
            max_examples=_EXAMPLES,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            derandomize=True,
        )
        @__import__("hypothesis").given(case=operation.as_strategy())
        def one(case):
            nonlocal seen
            seen += 1
            if "job" in (case.path_parameters or {}) and seen % 4:
                case.path_parameters["job"] = job
            request = case.as_transport_kwargs(base_url="http://testserver")
            request.pop("cookies", None)
            headers = {
                name: value
                for name, value in dict(request.pop("headers", {}) or {}).items()
                if name.lower() not in ("authorization", "cookie", "x-csrf-token")
            }
            try:
                answer = browser.request(headers=headers, **request)
            except (UnicodeError, ValueError):
                return  # no client could send this
            assert answer.status_code < 500, (request, answer.text)
            if answer.status_code >= 400:
                body = answer.json()
                assert answer.headers["content-type"] == "application/problem+json"
                assert body["detail"]
                assert body["remedy"]

        one()
    assert seen > 400
    assert described.desk.store.verify(job).sound
    assert not_a_server_error is not None
