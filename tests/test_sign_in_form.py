"""The sign-in form: what it takes, what it refuses, and the cookies that it sets."""

from __future__ import annotations

import asyncio
import re

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from benchmark.show import sign_in_form
from benchmark.show.headers import HEADERS, SafeHeaders
from benchmark.show.serving import Serving
from benchmark.store import accounts
from benchmark.store.accounts import Accounts
from tests.signed_in import HOME, OTHER, WORDS, cheap_hashes

CLUB_URL = "https://laps.example"


class Browser:
    """Asks the app within this process, and keeps cookies as a browser does."""

    def __init__(self, app: Starlette, base: str, address: str = HOME) -> None:
        self.app, self._loop = app, asyncio.Runner()
        self._http = httpx.AsyncClient(
            transport=httpx.ASGITransport(app, client=(address, 1)), base_url=base
        )

    def ask(self, method: str, **more) -> httpx.Response:
        return self._loop.run(self._http.request(method, "/sign-in", **more))

    def close(self) -> None:
        self._loop.run(self._http.aclose())
        self._loop.close()


@pytest.fixture
def db(tmp_path, monkeypatch):
    cheap_hashes(monkeypatch)
    path = tmp_path / "laps.duckdb"
    Accounts(path).add("Anna Pell", WORDS)
    return path


@pytest.fixture
def served(request):
    def made(db, url: str = "", address: str = HOME) -> Browser:
        serving = Serving(db, club=True, url=url)
        app = Starlette(
            routes=sign_in_form.routes(serving),
            middleware=[Middleware(SafeHeaders, https=serving.https)],
        )
        browser = Browser(app, url or "http://testserver", address)
        request.addfinalizer(browser.close)
        return browser

    return made


@pytest.fixture
def client(served, db):
    return served(db)


def form_of(client: Browser) -> str:
    page = client.ask("GET").text
    return re.findall(r'name="form" value="([^"]+)"', page)[0]


def send(client: Browser, name: str = "Anna Pell", password: str = WORDS, **more):
    headers = more.pop("headers", None)
    sent = {"form": form_of(client), "name": name, "password": password, **more}
    return client.ask("POST", data=sent, headers=headers)


def cookie(response, name: str) -> str:
    found = [c for c in response.headers.get_list("set-cookie") if c.startswith(f"{name}=")]
    return found[0] if found else ""


def test_the_right_password_sets_a_cookie_that_scripts_and_other_sites_cannot_use(client, db):
    answer = send(client)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    for name in ("benchmark-session", "benchmark-device"):
        text = cookie(answer, name).lower()
        assert "httponly" in text
        assert "samesite=strict" in text
        assert "path=/" in text
        assert "domain" not in text
    token = re.findall("benchmark-session=([^;]+)", cookie(answer, "benchmark-session"))[0]
    assert Accounts(db).person(token) == "Anna Pell"


def test_behind_tls_every_cookie_goes_by_tls_alone(served, db):
    behind = served(db, CLUB_URL)
    answer = send(behind)
    assert answer.status_code == 303
    assert all("secure" in text.lower() for text in answer.headers.get_list("set-cookie"))
    assert answer.headers["strict-transport-security"].startswith("max-age=")


def test_without_tls_no_browser_is_told_to_insist_on_it(client):
    assert "strict-transport-security" not in client.ask("GET").headers


@pytest.mark.parametrize(
    ("name", "password"), [("Anna Pell", OTHER), ("Nobody", WORDS), ("", ""), ("' or 1=1 --", "x")]
)
def test_a_wrong_name_or_password_gets_one_answer_and_no_cookie(client, name, password):
    answer = send(client, name, password)
    assert answer.status_code == 403
    assert "Name and password do not fit: check both and try again." in answer.text
    assert not cookie(answer, "benchmark-session")


def test_the_answer_never_repeats_the_password(client):
    assert "secret-of-mine" not in send(client, "Anna Pell", "secret-of-mine").text


def test_too_many_failures_have_to_wait(client):
    for _ in range(6):
        send(client, "Anna Pell", "wrong")
    answer = send(client)
    assert answer.status_code == 429
    assert "Too many attempts that failed: wait 1 s, then try again." in answer.text


def test_a_name_is_shown_again_as_text(client):
    answer = send(client, '"><script>alert(1)</script>', "wrong")
    assert "<script" not in answer.text
    assert "&quot;&gt;&lt;script&gt;" in answer.text


def test_the_page_runs_no_script_and_fetches_nothing(client):
    answer = client.ask("GET")
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none';")
    assert "script-src" not in policy
    assert "<script" not in answer.text
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-frame-options"] == "DENY"


def forged(client: Browser, **sent):
    return client.ask("POST", data={"name": "Anna Pell", "password": WORDS, **sent})


def test_a_form_from_elsewhere_is_refused(served, db):
    """Somebody else's page can make a browser send a form, but knows not what our cookie holds."""
    client = served(db)
    assert forged(client).status_code == 403
    form = form_of(client)
    assert forged(client, form=form[::-1]).status_code == 403
    assert forged(client, form="").status_code == 403
    assert forged(client, form=form).status_code == 303


def test_the_value_of_another_browser_does_not_fit(served, db):
    assert forged(served(db), form=form_of(served(db))).status_code == 403


@pytest.mark.parametrize(
    "origin", ["https://elsewhere.example", "null", "http://testserver:81", "http://["]
)
def test_a_form_that_says_it_comes_from_elsewhere_is_refused(client, origin):
    assert send(client, headers={"origin": origin}).status_code == 403


@pytest.mark.parametrize("host", ["laps.example", "127.0.0.1:8501"])
def test_behind_a_proxy_the_public_host_is_ours(served, db, host):
    behind = served(db, CLUB_URL)
    answer = send(behind, headers={"origin": CLUB_URL, "host": host})
    assert answer.status_code == 303


def test_a_refused_form_looks_at_no_password(client, monkeypatch):
    looked = []
    monkeypatch.setattr(accounts, "fits", lambda *given: looked.append(given))
    forged(client)
    assert looked == []
    send(client)
    assert len(looked) == 1


def test_a_large_form_is_not_read(client):
    assert send(client, "x" * 10_000).status_code == 403


@pytest.mark.parametrize("body", [b"", b"\xff\xfe", b"form", b"&" * 4000, b"%00=%00" * 20])
def test_a_form_that_is_none_is_refused(client, body):
    assert client.ask("POST", content=body).status_code == 403


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    body=st.binary(max_size=6000) | st.text(max_size=300).map(str.encode),
    cookies=st.lists(st.text(st.characters(max_codepoint=255), max_size=60), max_size=3),
    origin=st.none() | st.text(st.characters(max_codepoint=126, min_codepoint=33), max_size=40),
)
def test_whatever_is_sent_is_answered_and_signs_nobody_in(client, body, cookies, origin):
    names = ("benchmark-form", "benchmark-device", "benchmark-session")
    held = "; ".join(f"{name}={text}" for name, text in zip(names, cookies, strict=False))
    headers = [(b"cookie", "".join(c for c in held if c.isprintable()).encode("latin-1"))]
    if origin is not None:
        headers.append((b"origin", origin.encode()))
    for content in (body, b"form=" + body, b"name=Anna+Pell&password=" + body):
        answer = client.ask("POST", content=content, headers=headers)
        assert answer.status_code in (403, 429)
        assert not cookie(answer, "benchmark-session")


def test_other_ways_to_ask_are_refused(client):
    assert client.ask("PUT").status_code == 405


def test_failed_sign_ins_are_noted_without_the_name_that_was_typed(client, db):
    """People type passwords into the field of the name."""
    send(client, "my password by mistake", "x")
    noted = Accounts(db).refusals()
    assert [(one.action, one.times) for one in noted] == [("sign in", 1)]
    assert "mistake" not in noted[0].detail


def test_a_browser_that_signed_in_before_is_known_by_its_cookie(served, client, db):
    send(client)
    stranger = served(db)
    for _ in range(6):
        send(stranger, "Anna Pell", "wrong")
    assert send(stranger).status_code == 429
    assert send(client).status_code == 303


def test_the_app_may_fetch_from_itself_alone():
    parts = [part.split() for part in HEADERS["Content-Security-Policy"].split(";")]
    policy = {name: sources for name, *sources in parts}
    assert policy["default-src"] == policy["connect-src"] == ["'self'"]
    assert policy["frame-ancestors"] == policy["object-src"] == ["'none'"]
    allowed = {source for sources in policy.values() for source in sources}
    assert allowed <= {"'self'", "'none'", "'unsafe-inline'", "'unsafe-eval'", "data:", "blob:"}


def test_how_many_people_are_there_is_told_to_nobody():
    async def answer(_scope, _receive, _send):
        raise AssertionError("the server's own page was asked")

    async def status() -> int:
        transport = httpx.ASGITransport(SafeHeaders(answer, https=False))
        async with httpx.AsyncClient(transport=transport, base_url="http://testserver") as http:
            return (await http.get("/_stcore/metrics")).status_code

    assert asyncio.run(status()) == 404


def test_what_a_page_offers_for_download_is_kept_by_no_browser():
    """Whoever uses the browser after a sign-out must not find a hand-in there."""
    app = Starlette(
        routes=[Route("/{path:path}", lambda _: PlainTextResponse("x"))],
        middleware=[Middleware(SafeHeaders, https=False)],
    )

    async def kept(path: str) -> str | None:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://testserver") as http:
            return (await http.get(path)).headers.get("cache-control")

    assert asyncio.run(kept("/media/0f.csv")) == "no-store"
    assert asyncio.run(kept("/static/app.js")) is None
