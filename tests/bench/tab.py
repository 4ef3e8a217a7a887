"""A browser's tab without the browser: it speaks the websocket protocol of Streamlit's page.

The messages are those of the installed package (`streamlit.proto`); what a tab sends and gets is as
read in `streamlit/web/server/starlette/starlette_websocket.py` and `starlette_routes.py` of 1.67:
a rerun asks for a page with the state of its widgets, deltas bring the page's elements, and the
script's end closes the answer. Uploads go to the address that the server names.
"""

from __future__ import annotations

import asyncio
import re
import time
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPResponse
from urllib.parse import urlencode

from streamlit.proto.Alert_pb2 import Alert
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.Common_pb2 import FileURLs, UploadedFileInfo
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.asyncio.client import ClientConnection, connect

HOST = "127.0.0.1"
XSRF = "_streamlit_xsrf"
ANSWER_LIMIT_S = 120.0
AGAIN = ForwardMsg.ScriptFinishedStatus.FINISHED_EARLY_FOR_RERUN
FRAGMENT = ForwardMsg.ScriptFinishedStatus.FINISHED_FRAGMENT_RUN_SUCCESSFULLY


@dataclass
class Answer:
    """What a page drew, and how long it took from asking to its end. [s]"""

    took_s: float = 0.0
    exceptions: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    buttons: dict[str, str] = field(default_factory=dict)
    uploader: str = ""

    def says(self, text: str) -> bool:
        return any(text in word.replace("\\", "") for word in self.words)

    def take(self, message: ForwardMsg) -> None:
        """Take in one element of the page."""
        element = message.delta.new_element
        kind = element.WhichOneof("type")
        if kind == "exception":
            self.exceptions.append(f"{element.exception.type}: {element.exception.message}")
        elif kind == "alert":
            self.words.append(element.alert.body)
            if element.alert.format == Alert.ERROR:
                self.errors.append(element.alert.body)
        elif kind == "markdown":
            self.words.append(element.markdown.body)
        elif kind == "button":
            self.buttons[element.button.label] = element.button.id
        elif kind == "file_uploader":
            self.uploader = self.uploader or element.file_uploader.id


class Tab:
    """One open page; `async with Tab(port) as tab`, with the cookies of who is signed in."""

    def __init__(self, port: int, cookies: Mapping[str, str] | None = None) -> None:
        self.port = port
        self._cookies = dict(cookies or {})
        self.session = ""
        self.pages: dict[str, str] = {}
        self._widgets: list[WidgetState] = []
        self._page = ""

    async def __aenter__(self) -> Tab:
        self._cookies[XSRF] = await asyncio.to_thread(self._xsrf)
        self._socket: ClientConnection = await connect(
            f"ws://{HOST}:{self.port}/_stcore/stream",
            subprotocols=["streamlit"],  # type: ignore[list-item]
            additional_headers={"Cookie": written(self._cookies)},
            max_size=None,
            proxy=None,
            open_timeout=60,
            ping_timeout=None,
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._socket.close()

    async def ask(
        self, page: str | None = None, query: str = "", press: str | None = None
    ) -> Answer:
        """Ask for a page by its address, else for the open one anew; or press a button."""
        if page is not None and page != self._page:
            self._page, self._widgets = page, []
        widgets = list(self._widgets)
        if press is not None:
            widgets.append(WidgetState(id=press, trigger_value=True))
        message = BackMsg()
        state = message.rerun_script
        state.query_string = query
        state.page_script_hash = self.pages.get(self._page, "")
        state.page_name = self._page
        state.widget_states.widgets.extend(widgets)
        started = time.perf_counter()
        await self._socket.send(message.SerializeToString())
        answer = await asyncio.wait_for(self._answer(), ANSWER_LIMIT_S)
        answer.took_s = time.perf_counter() - started
        return answer

    async def upload(self, uploader: str, files: Sequence[tuple[str, bytes]]) -> None:
        """Put files into the page's uploader, in place of those that were there."""
        infos = []
        for name, body in files:
            urls = await self._urls(name)
            status = await asyncio.to_thread(self._put, urls.upload_url, name, body)
            if status != 204:
                raise ConnectionError(f"upload of {name}: status {status}")
            infos.append(
                UploadedFileInfo(file_id=urls.file_id, name=name, size=len(body), file_urls=urls)
            )
        state = WidgetState(id=uploader)
        state.file_uploader_state_value.uploaded_file_info.extend(infos)
        self._widgets = [state] if infos else []

    async def _answer(self) -> Answer:
        answer = Answer()
        while True:
            message = ForwardMsg()
            message.ParseFromString(bytes(await self._socket.recv()))  # type: ignore[arg-type]
            kind = message.WhichOneof("type")
            if kind == "delta":
                answer.take(message)
            elif kind == "new_session":
                answer = Answer()
                self.session = message.new_session.initialize.session_id or self.session
            elif kind == "navigation":
                self.pages = {
                    p.url_pathname: p.page_script_hash for p in message.navigation.app_pages
                }
            elif kind == "script_finished" and message.script_finished not in (AGAIN, FRAGMENT):
                return answer

    async def _urls(self, name: str) -> FileURLs:
        message = BackMsg()
        message.file_urls_request.request_id = uuid.uuid4().hex
        message.file_urls_request.session_id = self.session
        message.file_urls_request.file_names.append(name)
        await self._socket.send(message.SerializeToString())
        while True:
            got = ForwardMsg()
            got.ParseFromString(bytes(await self._socket.recv()))  # type: ignore[arg-type]
            if got.WhichOneof("type") == "file_urls_response":
                return got.file_urls_response.file_urls[0]

    def _xsrf(self) -> str:
        connection = HTTPConnection(HOST, self.port, timeout=60)
        connection.request("GET", "/_stcore/health")
        response = connection.getresponse()
        response.read()
        connection.close()
        return cookies_of(response).get(XSRF, "")

    def _put(self, url: str, name: str, body: bytes) -> int:
        edge = uuid.uuid4().hex
        head = (
            f'--{edge}\r\nContent-Disposition: form-data; name="{name}"; filename="{name}"\r\n'
            "Content-Type: text/csv\r\n\r\n"
        )
        connection = HTTPConnection(HOST, self.port, timeout=60)
        headers = {
            "Content-Type": f"multipart/form-data; boundary={edge}",
            "X-Xsrftoken": self._cookies[XSRF],
            "Cookie": written(self._cookies),
        }
        path = url if url.startswith("/") else f"/{url}"
        connection.request(
            "PUT", path, head.encode() + body + f"\r\n--{edge}--\r\n".encode(), headers
        )
        status = connection.getresponse().status
        connection.close()
        return status


def sign_in(port: int, name: str, password: str) -> dict[str, str]:
    """Sign in by the app's own form, as a browser does, and give the cookies that it sets."""
    got, text = _request(port, "GET", "/sign-in", {})
    form = re.search(r'name="form" value="([^"]+)"', text)
    fields = {"form": form[1] if form else "", "name": name, "password": password}
    answer, _ = _request(
        port,
        "POST",
        "/sign-in",
        {"Cookie": written(cookies_of(got)), "Content-Type": "application/x-www-form-urlencoded"},
        urlencode(fields),
    )
    if answer.status != 303:
        raise ConnectionError(f"sign-in of {name}: status {answer.status}")
    return {name: value for name, value in cookies_of(answer).items() if value.strip('"')}


def cookies_of(response: HTTPResponse) -> dict[str, str]:
    """Give the cookies that an answer sets."""
    told = response.headers.get_all("Set-Cookie") or []
    pairs = [one.split(";")[0].partition("=") for one in told]
    return {name: value for name, _, value in pairs}


def written(cookies: Mapping[str, str]) -> str:
    """Write cookies as a browser sends them."""
    return "; ".join(f"{name}={value}" for name, value in cookies.items())


def _request(
    port: int, method: str, address: str, headers: Mapping[str, str], body: str | None = None
) -> tuple[HTTPResponse, str]:
    connection = HTTPConnection(HOST, port, timeout=60)
    connection.request(method, address, body, dict(headers))
    response = connection.getresponse()
    text = response.read().decode()
    connection.close()
    return response, text
