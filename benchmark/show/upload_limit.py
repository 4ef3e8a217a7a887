"""How much the app takes in at once: uploads stay in memory while their page is open.

The server limits each file, not how many there are, and whoever has a page open may send some: a
stranger could fill the memory. Refused here is what would be too much for one page, or for all.
"""

from __future__ import annotations

from collections.abc import Mapping

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send
from streamlit.runtime import Runtime
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.uploaded_file_manager import UploadedFileRec

UPLOADS = "/_stcore/upload_file/"
# Choices of ours: a page takes some days of lap tables with their evidence, all pages together no
# more than a small machine can hold.
MOST_A_PAGE, MOST_IN_ALL = 200_000_000, 1_000_000_000  # bytes
MOST_FILES_A_PAGE = 100
MOST_A_FILE = 52_000_000  # bytes counted for a file on its way: the server's limit for one


def held_now() -> Mapping[str, Mapping[str, UploadedFileRec]]:
    """Give the files that the app holds, by page and by number of the file."""
    manager = Runtime.instance().uploaded_file_mgr
    if isinstance(manager, MemoryUploadedFileManager):
        return manager.file_storage
    return {}


class UploadLimit:
    """Refuses an upload (413) where there are too many or too large ones already."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self._on_their_way: dict[str, int] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request pass, counted while it is on its way, or refuse it."""
        page = _page_of(scope)
        if page is None:
            await self.app(scope, receive, send)
            return
        if self._too_much(page):
            text = "Too much is uploaded already: hand in what there is, or try again later."
            await PlainTextResponse(text, status_code=413)(scope, receive, send)
            return
        self._on_their_way[page] = self._on_their_way.get(page, 0) + 1
        try:
            await self.app(scope, receive, send)
        finally:
            self._on_their_way[page] -= 1
            if not self._on_their_way[page]:
                del self._on_their_way[page]

    def _too_much(self, page: str) -> bool:
        held = {name: list(files.values()) for name, files in list(held_now().items())}
        sizes = {name: sum(len(one.data) for one in files) for name, files in held.items()}
        coming = self._on_their_way
        of_page = sizes.get(page, 0) + MOST_A_FILE * coming.get(page, 0)
        in_all = sum(sizes.values()) + MOST_A_FILE * sum(coming.values())
        files = len(held.get(page, ())) + coming.get(page, 0)
        return of_page >= MOST_A_PAGE or in_all >= MOST_IN_ALL or files >= MOST_FILES_A_PAGE


def _page_of(scope: Scope) -> str | None:
    """Give the page that an upload belongs to; None where the request is none."""
    if scope["type"] != "http" or scope["method"] != "PUT" or UPLOADS not in scope["path"]:
        return None
    page: str = scope["path"].partition(UPLOADS)[2].partition("/")[0]
    return page
