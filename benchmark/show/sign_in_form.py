"""The sign-in form of a served club: one plain page with no script, and the cookies it sets.

The app's own pages talk over a socket that can set no cookie, so this one stands beside them. The
cookie with the session's token is out of reach of scripts (HttpOnly), is sent to no request that
starts on another site (SameSite=Strict), and is sent by TLS alone where there is TLS. A form that
somebody else's page sends here is refused: it lacks the value that our page and its cookie share.
"""

from __future__ import annotations

import html
import secrets
from collections.abc import Awaitable, Callable
from functools import partial
from string import Template
from urllib.parse import parse_qs, urlsplit

import anyio
from anyio import CapacityLimiter, to_thread
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from benchmark.errors import BenchmarkError
from benchmark.show.serving import Serving
from benchmark.store.accounts import Accounts, SignInFailed, note_refusal
from benchmark.store.sessions import DEVICE_S, LONGEST_S

ADDRESS = "/sign-in"
SESSION, DEVICE, FORM = "benchmark-session", "benchmark-device", "benchmark-form"
MOST_BYTES = 4096  # of a form
BODY_LIMIT_S = 10.0
AT_ONCE = 2  # passwords looked at together: each takes 64 MiB
FORM_S = 3600
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
EXPIRED = "This page had grown old. Please send it once more."
PAGE = Template("""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sign in</title>
<style>
:root { color-scheme: light dark; --ground: #fbfaf7; --text: #1e2428; --mark: #0f6b70;
  --on: #ffffff; --edge: #8b867a; --bad: #9b1c1c; }
@media (prefers-color-scheme: dark) { :root { --ground: #14181b; --text: #eceae4;
  --mark: #4fb3b8; --on: #14181b; --edge: #7b858c; --bad: #ff9d94; } }
body { background: var(--ground); color: var(--text); font: 1rem/1.5 system-ui, sans-serif;
  margin: 0; padding: 2rem 1.25rem; }
main { max-width: 24rem; margin: 0 auto; }
h1 { font-size: 1.75rem; line-height: 1.2; margin: 0 0 1rem; }
label { display: block; margin-top: 1rem; font-weight: 600; }
input { box-sizing: border-box; width: 100%; margin-top: .25rem; padding: .6rem; font: inherit;
  color: inherit; background: transparent; border: 1px solid var(--edge); border-radius: 4px; }
button { margin-top: 1.5rem; padding: .6rem 1.5rem; font: inherit; font-weight: 600;
  color: var(--on); background: var(--mark); border: 0; border-radius: 4px; cursor: pointer; }
input:focus, button:focus, a:focus { outline: 3px solid var(--mark); outline-offset: 2px; }
a { color: var(--mark); }
.bad { color: var(--bad); font-weight: 600; }
</style>
</head>
<body>
<main>
<h1>Sign in</h1>
$said
<form method="post" action="$address">
<input type="hidden" name="form" value="$form">
<label for="name">Name</label>
<input id="name" name="name" value="$name" autocomplete="username" autocapitalize="none"
  spellcheck="false" maxlength="100" required>
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password"
  maxlength="256" required>
<button type="submit">Sign in</button>
</form>
<p>No password yet, or forgotten? An owner of the club gives you one.</p>
<p><a href="/">Go on without signing in</a></p>
</main>
</body>
</html>
""")


def routes(serving: Serving) -> list[Route]:
    """Give the route of the form for a store that is served to a club."""
    accounts = Accounts(serving.db)
    limiter: list[CapacityLimiter] = []

    async def answer(request: Request) -> Response:
        if request.method != "POST":
            return _page(request, serving)
        if not limiter:  # it belongs to the running loop
            limiter.append(CapacityLimiter(AT_ONCE))
        return await _posted(request, serving, accounts, limiter[0])

    endpoint: Callable[[Request], Awaitable[Response]] = answer
    return [Route(ADDRESS, endpoint, methods=["GET", "POST"])]


def _page(
    request: Request, serving: Serving, *, said: str = "", name: str = "", status: int = 200
) -> Response:
    """Draw the form; its hidden value stands in a cookie too."""
    form = request.cookies.get(FORM, "")
    if len(form) != len(_form_value()):
        form = _form_value()
    shown = f'<p class="bad" role="alert">{html.escape(said)}</p>' if said else ""
    text = PAGE.substitute(
        said=shown, address=ADDRESS, form=html.escape(form), name=html.escape(name)
    )
    headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-store"}
    response = HTMLResponse(text, status_code=status, headers=headers)
    _set(response, serving, FORM, form, FORM_S)
    return response


async def _posted(
    request: Request, serving: Serving, accounts: Accounts, limiter: CapacityLimiter
) -> Response:
    """Sign in with what was sent, or draw the form again with what was wrong."""
    sent = await _fields(request)
    name, password = sent.get("name", ""), sent.get("password", "")
    if not _is_ours(request, serving, sent.get("form", "")):
        return _page(request, serving, said=EXPIRED, name=name, status=403)
    address = request.client.host if request.client else ""
    work = partial(
        accounts.sign_in, name, password, address=address, device=request.cookies.get(DEVICE)
    )
    try:
        found = await to_thread.run_sync(work, limiter=limiter)
    except SignInFailed as failed:
        await to_thread.run_sync(note_refusal, serving.db, None, "sign in", f"from {address}")
        status = 429 if failed.wait_s else 403
        return _page(request, serving, said=_sentence(failed), name=name, status=status)
    except BenchmarkError as error:
        return _page(request, serving, said=_sentence(error), name=name, status=503)
    response = RedirectResponse("/", status_code=303)
    _set(response, serving, SESSION, found.token, int(LONGEST_S))
    _set(response, serving, DEVICE, found.device, int(DEVICE_S))
    response.delete_cookie(FORM)
    return response


async def _fields(request: Request) -> dict[str, str]:
    """Read a small form; of a large or a slow one nothing."""
    body = b""
    with anyio.move_on_after(BODY_LIMIT_S):
        async for part in request.stream():
            body += part
            if len(body) > MOST_BYTES:
                return {}
    sent = parse_qs(body.decode("utf-8", "replace"))
    return {name: values[0] for name, values in sent.items()}


def _is_ours(request: Request, serving: Serving, form: str) -> bool:
    """Tell whether our own page sent the form: its value is the cookie's, its origin our host."""
    origin = request.headers.get("origin")
    hosts = {serving.host or request.headers.get("host"), request.headers.get("host")}
    try:
        if origin is not None and urlsplit(origin).netloc not in hosts:
            return False
    except ValueError:  # "http://[" is no address at all
        return False
    kept = request.cookies.get(FORM, "")
    return len(kept) == len(_form_value()) and secrets.compare_digest(
        kept.encode("utf-8"), form.encode("utf-8")
    )


def _form_value() -> str:
    return secrets.token_urlsafe(32)


def _set(response: Response, serving: Serving, name: str, value: str, max_age_s: int) -> None:
    response.set_cookie(
        name, value, max_age=max_age_s, httponly=True, samesite="strict", secure=serving.https
    )


def _sentence(error: BenchmarkError) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."
