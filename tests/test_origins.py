"""A page of another site is turned away without asking anybody on the internet."""

from __future__ import annotations

import pytest
from streamlit import net_util
from streamlit.web.server.server_util import is_url_from_allowed_origins

from benchmark.show.origins import ask_nobody


@pytest.fixture
def asked(monkeypatch):
    """What was asked for on the network."""
    found: list[str] = []
    monkeypatch.setattr(net_util, "_make_blocking_http_get", lambda url, **_: found.append(url))
    monkeypatch.setattr(net_util, "_external_ip", None)
    monkeypatch.setattr(net_util, "get_external_ip", net_util.get_external_ip)  # put back after
    return found


def test_without_it_streamlit_asks_at_every_attempt(asked):
    """Once this fails, `origins.py` can go."""
    assert not is_url_from_allowed_origins("http://elsewhere.example")
    assert asked


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", ""])
def test_a_page_of_another_site_is_turned_away_and_nobody_is_asked(asked, origin):
    ask_nobody()
    assert not is_url_from_allowed_origins(origin)
    assert is_url_from_allowed_origins("http://127.0.0.1:8501")
    assert asked == []
