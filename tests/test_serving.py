"""How the app may be served, and when it refuses to start."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from http.client import HTTPConnection
from itertools import pairwise

import pytest

from benchmark.commands.manner import Manner, manner
from benchmark.commands.serving import SERVED_SETTINGS, free_port, settings
from benchmark.errors import BadQuestion, NotAllowed
from benchmark.store.accounts import Accounts
from benchmark.store.people import name_role
from benchmark.store.roles import Role
from benchmark.store.served import CLUB, READ_ONLY, SERVED
from benchmark.store.store import Store
from tests.lap_files import read_once
from tests.sheets import write_sheet
from tests.signed_in import OWNER, WORDS, cheap_hashes
from tests.test_vouching import ONE

BENCHMARK = [sys.executable, "-c", "from benchmark.cli import main; main()"]


@pytest.fixture
def laptop(tmp_path):
    db = tmp_path / "laps.duckdb"
    with Store.open(db, create=True) as store:
        store.add(read_once(write_sheet(tmp_path / "day.csv")))
    return db


def named(db, name: str = OWNER):
    with Store.open(db, write=True) as store:
        name_role(store, name, Role.OWNER)
    return db


@pytest.fixture
def club(laptop, monkeypatch):
    cheap_hashes(monkeypatch)
    Accounts(named(laptop)).add(OWNER, WORDS)
    return laptop


@pytest.fixture
def provider(tmp_path):
    path = tmp_path / "provider.toml"
    path.write_text(ONE, encoding="utf-8")
    return path


def test_a_laptop_serves_itself_without_sign_in(laptop, tmp_path):
    assert manner(laptop) == Manner()
    assert manner(tmp_path / "none.duckdb").served == ""


@pytest.mark.parametrize("more", [{"address": "0.0.0.0"}, {"address": "::"}, {"url": "http://a.b"}])
def test_others_do_not_reach_an_app_that_lets_anybody_change_it(laptop, more):
    with pytest.raises(BadQuestion, match=r"`--club` .* or `--read-only`"):
        manner(laptop, **more)


def test_a_club_without_an_owner_refuses_to_start(laptop, tmp_path, provider):
    for db in (laptop, tmp_path / "none.duckdb"):
        for file in (None, provider):
            with pytest.raises(BadQuestion, match="no owner is named"):
                manner(db, club=True, provider=file)


def test_a_club_whose_owner_cannot_sign_in_refuses_to_start(laptop, provider):
    named(laptop)
    with pytest.raises(BadQuestion, match=r"no owner of .* has a password"):
        manner(laptop, club=True)
    with pytest.raises(BadQuestion, match="no owner can sign in"):
        manner(laptop, club=True, provider=provider)


def test_a_password_of_somebody_else_is_not_the_owners(laptop, monkeypatch):
    cheap_hashes(monkeypatch)
    Accounts(named(laptop)).add("Ben Ruddock", WORDS)
    with pytest.raises(BadQuestion, match=r"no owner of .* has a password"):
        manner(laptop, club=True)


def test_a_club_starts_where_an_owner_has_a_password(club):
    assert manner(club, club=True, address="0.0.0.0") == Manner(CLUB, "0.0.0.0")


def test_a_club_starts_where_a_provider_can_vouch_for_an_owner(laptop, provider):
    named(laptop, "anna@club.example")
    how = manner(laptop, club=True, provider=provider)
    assert (how.served, how.provider) == (CLUB, provider)


def test_a_provider_without_what_it_needs_refuses_to_start(laptop, provider):
    named(laptop, "anna@club.example")
    provider.write_text("[auth]\n", encoding="utf-8")
    with pytest.raises(BadQuestion, match="redirect_uri"):
        manner(laptop, club=True, provider=provider)


def test_a_store_with_people_is_never_served_as_a_laptops(club):
    assert manner(club).served == CLUB


def test_read_only_starts_without_anybody(laptop, tmp_path):
    assert manner(laptop, read_only=True, address="0.0.0.0") == Manner(READ_ONLY, "0.0.0.0")


def test_options_that_contradict_are_refused(laptop, provider):
    with pytest.raises(BadQuestion, match="choose one"):
        manner(laptop, club=True, read_only=True)
    with pytest.raises(BadQuestion, match="add `--club`"):
        manner(laptop, provider=provider)


@pytest.mark.parametrize("url", ["laps.example", "ftp://a.b", "https://a.b/laps", "https://"])
def test_an_address_that_is_none_is_refused(club, url):
    with pytest.raises(BadQuestion, match="write it as in https://"):
        manner(club, club=True, url=url)


def value_of(options: list[str], name: str) -> list[str]:
    return [value for key, value in pairwise(options) if key == f"--{name}"]


def test_served_to_others_the_server_is_shut_where_it_can_be(tmp_path):
    options = settings(8501, Manner(CLUB, "0.0.0.0", "https://laps.example"))
    assert value_of(options, "server.allowedHosts")[0] == "laps.example"
    assert value_of(options, "server.corsAllowedOrigins") == ["https://laps.example"]
    assert value_of(options, "client.showErrorDetails") == ["none"]
    assert value_of(options, "browser.gatherUsageStats") == ["false"]
    assert value_of(options, "server.enableAgentApi") == ["false"]
    assert all(value_of(options, name) == [str(value)] for name, value in SERVED_SETTINGS.items())


def test_on_a_laptop_only_the_names_of_this_machine_are_answered():
    hosts = value_of(settings(8501, Manner()), "server.allowedHosts")
    assert hosts == ["127.0.0.1", "localhost", "::1"]


def test_every_setting_is_one_that_the_server_knows():
    from streamlit import config

    known = config.get_config_options()
    assert {name for name in SERVED_SETTINGS if name not in known} == set()


@pytest.mark.parametrize("how", [Manner(), Manner(CLUB), Manner(READ_ONLY)])
def test_no_grid_offers_its_own_download_which_would_run_a_name_as_a_formula(how):
    assert value_of(settings(8501, how), "client.disableDataExport") == ["true"]


def test_an_address_that_is_not_of_this_machine_is_told():
    with pytest.raises(BadQuestion, match="is no address of this machine"):
        free_port(None, "192.0.2.1")  # RFC 5737: an address for documentation


def test_served_to_be_read_the_store_itself_refuses(laptop, monkeypatch, tmp_path):
    monkeypatch.setenv(SERVED, READ_ONLY)
    with Store.open(laptop) as store:
        assert store.counted() == 7
    for more in ({"write": True}, {"create": True}):
        with pytest.raises(NotAllowed, match="served to be read only"):
            Store.open(laptop, **more)
    with pytest.raises(NotAllowed):
        Store.open(tmp_path / "new.duckdb", create=True)
    assert not (tmp_path / "new.duckdb").exists()


def test_the_command_refuses_with_its_sentence_and_code(laptop):
    done = subprocess.run(
        [*BENCHMARK, "app", "--club", "--db", str(laptop)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2
    assert "no owner is named" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_served_app_sends_its_headers_and_no_form_where_nobody_signs_in(laptop):
    """One real start of the server, to be read; that of a club is in the browser's tests."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [*BENCHMARK, "app", "--read-only", "--port", str(port), "--db", str(laptop)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ) as child:
        try:
            assert child.stdout is not None
            assert str(port) in child.stdout.readline()
            page = asked(port, "/")
            assert page.status == 200
            assert "frame-ancestors 'none'" in page.headers["content-security-policy"]
            assert page.headers["x-content-type-options"] == "nosniff"
            assert "Streamlit" in asked(port, "/sign-in").text  # the app's own page, and no form
            assert asked(port, "/sign-in", "POST").status == 405
        finally:
            child.send_signal(signal.SIGTERM)


class Answer:
    def __init__(self, response) -> None:
        self.status, self.headers = response.status, response.headers
        self.text = response.read().decode()


def asked(port: int, path: str, method: str = "GET") -> Answer:
    connection = HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request(method, path)
        return Answer(connection.getresponse())
    finally:
        connection.close()
