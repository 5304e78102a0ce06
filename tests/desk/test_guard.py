"""Who may talk to the desk, over real sockets, with addresses exactly as an attacker would send them."""

from __future__ import annotations

import http.client
import json
from urllib.parse import urlparse

import pytest

from partsong.desk.guard import HEADERS


def ask(running, method, path, *, headers=None, body=None):
    """Return (status, headers, body) of one request; nothing is tidied on the way, and no cookie is kept."""
    url = urlparse(running.address)
    connection = http.client.HTTPConnection(url.hostname, url.port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        given = {"Host": url.netloc, **(headers or {})}
        data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        if data is not None:
            given = {"Content-Type": "application/json", "Content-Length": str(len(data)), **given}
        for name, value in given.items():
            connection.putheader(name, value)
        connection.endheaders(data)
        answer = connection.getresponse()
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
    finally:
        connection.close()


@pytest.fixture(scope="module")
def running(looked_at):
    """Return the desk that all of these tests ask."""
    return looked_at


@pytest.fixture
def inside(running, tools):
    """Return the headers of the desk's own page."""
    port = urlparse(running.address).port
    return {"Cookie": f"partsong-desk-{port}={tools.token}", "Origin": running.address}


def test_the_printed_address_lets_in_once_and_sets_a_strict_cookie(running):
    status, headers, _ = ask(running, "GET", urlparse(running.entrance).path + "?" + urlparse(running.entrance).query)
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_the_own_page_is_answered(running, inside):
    status, headers, body = ask(running, "GET", "/api/film", headers=inside)
    assert status == 200
    assert json.loads(body)["song"] == "Two Strikes"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/", "/lineup", "/api/film", "/static/desk.js", "/media/wave", "/nothing"])
def test_every_answer_keeps_the_page_to_itself(running, inside, path):
    for headers in (inside, {}):
        _, said, _ = ask(running, "GET", path, headers=headers)
        assert {name.lower(): said.get(name.lower()) for name in HEADERS} == {k.lower(): v for k, v in HEADERS.items()}


def test_the_policy_allows_no_inline_script_and_no_other_site():
    policy = HEADERS["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "http" not in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:{port}", ""])
def test_another_host_name_is_refused(running, inside, host):
    # A name of another site that was made to point at this machine (DNS rebinding).
    port = urlparse(running.address).port
    status, _, body = ask(running, "GET", "/api/film", headers={**inside, "Host": host.format(port=port)})
    assert status in (400, 403)
    assert b"Two Strikes" not in body


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://127.0.0.1:1", "http://localhost"])
@pytest.mark.parametrize(("method", "path"), [("GET", "/api/film"), ("POST", "/api/film/undo")])
def test_another_origin_is_refused(running, inside, origin, method, path):
    body = {"base": 1} if method == "POST" else None
    status, _, said = ask(running, method, path, headers={**inside, "Origin": origin}, body=body)
    assert status == 403
    assert json.loads(said)["error"]["kind"] == "Refused"


def test_a_request_that_another_site_started_is_refused(running, inside):
    for site in ("cross-site", "same-site"):
        status, _, _ = ask(running, "GET", "/api/film", headers={"Cookie": inside["Cookie"], "Sec-Fetch-Site": site})
        assert status == 403


def test_a_change_without_an_origin_is_refused(running, inside):
    status, _, _ = ask(running, "POST", "/api/film/undo", headers={"Cookie": inside["Cookie"]}, body={"base": 1})
    assert status == 403


@pytest.mark.parametrize("token", [None, "", "wrong", "a-token-for-tests-and-more", "é"])
def test_a_wrong_token_is_refused(running, inside, token):
    name = inside["Cookie"].partition("=")[0]
    headers = {} if token is None else {"Cookie": f"{name}={token}".encode().decode("latin-1")}
    for path in ("/", "/api/film", "/api/events", "/media/wave", "/static/desk.js", "/enter?token=wrong", "/enter"):
        status, _, body = ask(running, "GET", path, headers=headers)
        assert status == 403, path
        assert b"Two Strikes" not in body


OUTSIDE = [
    "/media/masters/../../secret.txt",
    "/media/masters/..%2f..%2fsecret.txt",
    "/media/masters/%2e%2e/%2e%2e/secret.txt",
    "/media/masters/..%5c..%5csecret.txt",
    "/media/masters/{absolute}",
    "/media/masters//{absolute}",
    "/media/takes/..%2f..%2fsecret.txt/wave",
    "/media/takes/%2e%2e/wave",
    "/static/../app.py",
    "/static/%2e%2e/app.py",
    "/static/..%2fapp.py",
    "/static/%252e%252e/app.py",
    "/static//{absolute}",
    "/static/{encoded}",
    "//{absolute}",
    "/film/film.db",
    "/../film.db",
]


@pytest.mark.parametrize("path", OUTSIDE)
def test_no_path_outside_the_films_media_is_reached(running, inside, path):
    secret = running.film.parent / "secret.txt"
    assert secret.read_text() == "not for the desk"
    asked = path.format(absolute=str(secret).lstrip("/"), encoded=str(secret).replace("/", "%2F"))
    status, _, body = ask(running, "GET", asked, headers=inside)
    assert status in (403, 404)
    assert b"not for the desk" not in body
    assert b"import" not in body


def test_ranges_of_media_are_served(running, inside):
    status, headers, whole = ask(running, "GET", "/media/wave", headers=inside)
    assert (status, len(whole)) == (200, 3000)  # three seconds, one byte a millisecond
    status, headers, some = ask(running, "GET", "/media/wave", headers={**inside, "Range": "bytes=300-309"})
    assert status == 206
    assert headers["content-range"] == "bytes 300-309/3000"
    assert some == whole[300:310]


def test_a_body_that_is_too_large_or_no_json_is_refused(running, inside):
    for body, headers, expected in (
        (b"[" + b" " * (1 << 20) + b"]", {}, 413),
        (b"base=1", {"Content-Type": "application/x-www-form-urlencoded"}, 415),
        (b"{", {}, 400),
        ({"base": 1, "more": 2}, {}, 400),
    ):
        status, _, said = ask(running, "POST", "/api/film/undo", headers={**inside, **headers}, body=body)
        assert status == expected
        assert json.loads(said)["error"]["sentence"]
