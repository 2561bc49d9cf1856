"""Logging in: the first administrator, sessions, rate limits, cookies."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from asfound.desk.pages.accounts import safe_next

CODE = "TEST-CODE"
PASSWORD = "four words that don't belong"


@pytest.fixture
def first_run(site, read_csrf):
    """Posts the form of the first run."""

    def post(**changed):
        browser = site.browser()
        page = browser.get("/first-run")
        form = {"code": CODE, "name": "Ana", "password": PASSWORD, "again": PASSWORD}
        answer = browser.post("/first-run", data={"csrf": read_csrf(page.text), **form, **changed})
        return browser, answer

    return post


def test_an_empty_desk_leads_to_the_first_run_and_closes_it_for_good(site, first_run):
    assert site.browser().get("/login").headers["location"] == "/first-run"
    browser, answer = first_run()
    assert answer.headers["location"] == "/jobs"
    assert browser.get("/admin/users").status_code == 200
    assert site.browser().get("/first-run").status_code == 404
    assert site.browser().post("/first-run", data={}).status_code in (403, 404)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"code": "WRONG"}, "This is not the code."),
        ({"code": ""}, "This is not the code."),
        ({"password": "short", "again": "short"}, "10 to 1000 characters"),
        ({"again": "another one of them"}, "The two passwords differ."),
        ({"name": " "}, "The name is empty."),
    ],
)
def test_a_slip_in_the_first_run_is_said_beside_its_field_and_makes_no_one(
    site, first_run, changed, said
):
    _, answer = first_run(**changed)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'aria-invalid="true"' in answer.text
    assert PASSWORD not in answer.text
    assert not site.desk.store.has_users()


def test_the_code_of_the_first_run_can_not_be_tried_without_end(first_run):
    for _ in range(5):
        assert first_run(code="X")[1].status_code == 422
    assert first_run()[1].status_code == 429


def log_in(site, read_csrf, name="a reader", password=PASSWORD, browser=None, **more):
    browser = browser or site.browser()
    page = browser.get("/login")
    data = {"csrf": read_csrf(page.text), "name": name, "password": password, **more}
    return browser, browser.post("/login", data=data)


def test_a_login_makes_a_new_secret_whatever_the_browser_had_before(site, read_csrf):
    site.user("reader")
    browser = site.browser()
    browser.cookies.set("asfound", "chosen-by-someone-else")
    browser, answer = log_in(site, read_csrf, browser=browser)
    assert answer.status_code == 303
    first = given_secret(answer)
    assert first != "chosen-by-someone-else"
    _, other = log_in(site, read_csrf)
    assert given_secret(other) != first
    planted = site.browser()
    planted.cookies.set("asfound", "chosen-by-someone-else")
    assert planted.get("/jobs").status_code == 303


def given_secret(answer):
    return re.search(r"asfound=([^;]+)", answer.headers["set-cookie"])[1]


def test_the_cookie_is_kept_from_scripts_and_other_sites(site, read_csrf):
    site.user("reader")
    _, answer = log_in(site, read_csrf)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "path=/" in cookie
    assert "; secure" not in cookie


def test_behind_https_the_cookie_is_bound_to_it(site):
    desk = replace(site.desk, config=replace(site.desk.config, https=True))
    safe = type(site)(desk)
    site.user("reader")
    answer = safe.browser().get("/login")
    assert answer.headers["set-cookie"].startswith("__Host-asfound-form=")
    assert "; Secure" in answer.headers["set-cookie"]
    assert answer.headers["strict-transport-security"].startswith("max-age=")


def test_logging_out_ends_the_session_on_the_server_too(site):
    browser = site.as_role("reader")
    assert browser.get("/jobs").status_code == 200
    secret = browser.cookies["asfound"]
    assert browser.post("/logout").status_code == 303
    again = site.browser()
    again.cookies.set("asfound", secret)
    assert again.get("/jobs").status_code == 303


def test_one_that_is_no_longer_active_is_out_at_once(site):
    site.user("administrator")
    browser = site.as_role("reader")
    site.desk.store.change_user(site.user("reader"), active=False)
    assert browser.get("/jobs").status_code == 303


def test_a_role_that_was_lowered_counts_at_once(site):
    site.as_role("administrator")
    browser = site.as_role("reviewer")
    site.desk.store.change_user(site.user("reviewer"), role="reader")
    assert browser.get("/jobs/new").status_code == 403


def test_a_wrong_password_says_the_same_for_known_and_unknown_names(site, read_csrf):
    site.user("reader")
    texts = set()
    for name in ("a reader", "a stranger"):
        _, answer = log_in(site, read_csrf, name, "not the password")
        assert answer.status_code == 422
        texts.add(re.sub(r'value="[^"]*"', "", answer.text))
    assert len(texts) == 1


def test_too_many_failures_lock_a_name_from_an_address_even_for_the_right_password(site, read_csrf):
    site.user("reader")
    for _ in range(site.desk.config.login_tries):
        assert log_in(site, read_csrf, password="wrong one")[1].status_code == 422
    refused = log_in(site, read_csrf)[1]
    assert refused.status_code == 429
    assert "15 minutes" in refused.text
    site.user("reviewer")
    assert log_in(site, read_csrf, "a reviewer")[1].status_code == 303


def test_an_address_that_tries_many_names_is_locked_too(site, read_csrf):
    config = replace(site.desk.config, login_tries=1, login_window=timedelta(minutes=15))
    strict = type(site)(replace(site.desk, config=config))
    strict.user("reader")
    for k in range(10):
        strict.desk.store.note_login_failure(f"name {k}", "testclient")
    assert log_in(strict, read_csrf)[1].status_code == 429


def test_the_proxys_word_on_addresses_counts_only_if_the_proxy_is_trusted(site):
    from starlette.requests import Request

    from asfound.desk.pages.accounts import address_of

    def request(address):
        headers = [(b"x-forwarded-for", b"203.0.113.9, 198.51.100.7")]
        return Request({"type": "http", "client": (address, 1), "headers": headers})

    assert address_of(site.desk, request("192.0.2.1")) == "192.0.2.1"
    trusting = replace(site.desk, config=replace(site.desk.config, trusted_proxies=("192.0.2.1",)))
    assert address_of(trusting, request("192.0.2.1")) == "198.51.100.7"


@pytest.mark.parametrize(
    ("given", "goes"),
    [
        ("/jobs/a?x=1", "/jobs/a?x=1"),
        ("//elsewhere.example", "/jobs"),
        ("https://elsewhere.example", "/jobs"),
        ("/\\elsewhere.example", "/jobs"),
        ("/\t/elsewhere.example", "/jobs"),
        ("javascript:alert(1)", "/jobs"),
        ("", "/jobs"),
    ],
)
def test_a_login_leads_nowhere_but_into_the_desk(given, goes):
    assert safe_next(given) == goes


def test_a_new_password_needs_the_old_one_and_logs_other_browsers_out(site, read_csrf):
    site.user("reader")
    browser, _ = log_in(site, read_csrf)
    other = site.as_role("reader")
    token = read_csrf(browser.get("/account").text)
    form = {"csrf": token, "password": "another good one", "again": "another good one"}
    wrong = browser.post("/account/password", data={**form, "old_password": "no"})
    assert wrong.status_code == 422
    assert "not your present password" in wrong.text
    done = browser.post("/account/password", data={**form, "old_password": PASSWORD})
    assert done.headers["location"] == "/account?done=password"
    assert browser.get("/account?done=password").status_code == 200
    assert other.get("/jobs").status_code == 303


def test_the_last_administrator_can_not_be_taken_away(site, read_csrf):
    number = site.user("administrator")
    browser = site.as_role("administrator")
    answer = browser.post(f"/admin/users/{number}", data={"role": "reader", "active": "yes"})
    assert answer.status_code in (409, 422)
    assert "administrator" in answer.text
    assert site.desk.store.user(number).role == "administrator"


def test_people_crews_tokens_and_receivers_are_kept_on_their_pages(site):
    browser = site.as_role("administrator")
    assert browser.post("/admin/crews", data={"crew_name": "North"}).status_code == 303
    form = {"name": "Ben", "password": PASSWORD, "role": "technician", "crew": "1"}
    assert browser.post("/admin/users", data=form).status_code == 303
    assert "There is a user &#39;Ben&#39; already." in browser.post("/admin/users", data=form).text
    receiver = {"serial": "EL-1", "verified": "2026-11-01", "note": "loan", "crew": "1"}
    assert browser.post("/receivers", data=receiver).status_code == 303
    page = browser.get("/receivers").text
    assert "EL-1" in page
    assert "2026-11-01" in page
    bad = browser.post("/receivers", data={**receiver, "verified": "last week"})
    assert bad.status_code == 422
    assert "2026-11-17" in bad.text
    form = {"label": "field", "role": "technician", "whose": "receiver:EL-1"}
    shown = browser.post("/admin/tokens", data=form)
    secret = re.search(r"asf_[\w-]+", shown.text)[0]
    assert secret not in browser.get("/admin/tokens").text
    program = site.browser()
    program.headers["Authorization"] = f"Bearer {secret}"
    assert program.get("/api/v1/me").json()["receiver"] == "EL-1"
    assert browser.post("/admin/tokens/1/revoke").status_code == 303
    assert program.get("/api/v1/me").status_code == 401
