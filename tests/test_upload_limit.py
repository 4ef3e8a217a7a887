"""What a visitor may have the app hold: a limit for each page, and one for all."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace

import httpx
import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import Response
from starlette.routing import Route
from streamlit.web.server.starlette.starlette_routes import BASE_ROUTE_UPLOAD_FILE

from benchmark.show import upload_limit
from benchmark.show.upload_limit import MOST_A_FILE, MOST_A_PAGE, MOST_IN_ALL, UploadLimit


def file(size: int) -> SimpleNamespace:
    return SimpleNamespace(data=range(size))  # as long, and of no weight


@pytest.fixture
def held(monkeypatch):
    found: dict[str, dict[str, SimpleNamespace]] = {}
    monkeypatch.setattr(upload_limit, "held_now", lambda: found)
    return found


def ask(*requests: tuple[str, str]) -> list[int]:
    """Send requests at once; those that pass are answered when all have come in."""

    async def passed(_request) -> Response:
        await asyncio.sleep(0.05)
        return Response(status_code=204)

    async def all_of_them() -> list[int]:
        app = Starlette(
            routes=[Route("/{path:path}", passed, methods=["GET", "PUT", "DELETE"])],
            middleware=[Middleware(UploadLimit)],
        )
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://testserver"
        ) as client:
            answers = await asyncio.gather(*(client.request(*one) for one in requests))
        return [answer.status_code for answer in answers]

    return asyncio.run(all_of_them())


def put(page: str, number: int = 1) -> tuple[str, str]:
    return "PUT", f"/{BASE_ROUTE_UPLOAD_FILE}/{page}/{number}"


def test_a_page_that_holds_much_takes_no_more_and_the_others_do(held):
    held["one"] = {"a": file(MOST_A_PAGE - 1)}
    assert ask(put("one"), put("two")) == [204, 204]
    held["one"]["b"] = file(1)
    assert ask(put("one"), put("two")) == [413, 204]
    assert ask(("DELETE", put("one")[1]), ("GET", "/")) == [204, 204]


def test_a_page_takes_so_many_files_however_small(held):
    held["one"] = {str(number): file(1) for number in range(upload_limit.MOST_FILES_A_PAGE)}
    assert ask(put("one"), put("two")) == [413, 204]


def test_all_pages_together_take_no_more_than_the_machine_holds(held):
    held.update({str(page): {"a": file(MOST_A_PAGE)} for page in range(MOST_IN_ALL // MOST_A_PAGE)})
    assert ask(put("new")) == [413]


def test_what_is_on_its_way_counts_and_is_forgotten_when_it_came(held):
    at_once = -(-MOST_A_PAGE // MOST_A_FILE)
    answers = ask(*(put("one", number) for number in range(at_once + 3)))
    assert sorted(answers) == [204] * at_once + [413] * 3
    assert ask(put("one")) == [204]
