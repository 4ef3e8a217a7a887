"""Headers that tell a browser what a page of ours may do: nothing but talk to us.

Even if somebody's text got past the escaping, a browser would fetch nothing from elsewhere for it,
run no script that is not ours, and show no page of ours inside another. (Content Security Policy
Level 3, W3C; RFC 6797 for Strict-Transport-Security.)
"""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Streamlit's page has one inline script and inline styles, and its charts are compiled in the
# browser (unsafe-eval): without the three there is no page and no chart.
APP_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self'; worker-src 'self' blob:; object-src 'none'; base-uri 'self'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": APP_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
# What a page offers for download, evidence and hand-ins among it: whoever uses the browser after a
# sign-out must not find it in the browser's store.
MEDIA = "/media/"
HTTPS_ONLY = "max-age=31536000"  # a year
# How many people are there, and what the server spends on them, is nobody's business.
METRICS = "/_stcore/metrics"


class SafeHeaders:
    """Adds the headers to every answer, and `Secure` to every cookie where there is TLS."""

    def __init__(self, app: ASGIApp, *, https: bool) -> None:
        self.app = app
        self.https = https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and complete the answer's headers."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if scope["path"].startswith(METRICS):
            await PlainTextResponse("Not Found", 404)(scope, receive, send)
            return

        async def completed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if scope["path"].startswith(MEDIA):
                    headers["Cache-Control"] = "no-store"
                self._complete(headers)
            await send(message)

        await self.app(scope, receive, completed)

    def _complete(self, headers: MutableHeaders) -> None:
        for name, value in HEADERS.items():
            headers.setdefault(name, value)
        if not self.https:
            return
        headers.setdefault("Strict-Transport-Security", HTTPS_ONLY)
        cookies = headers.getlist("set-cookie")
        del headers["set-cookie"]
        for cookie in cookies:
            secured = "; secure" in cookie.lower()
            headers.append("set-cookie", cookie if secured else f"{cookie}; Secure")
