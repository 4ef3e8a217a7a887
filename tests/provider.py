"""A provider of OpenID Connect on loopback, for tests: it vouches for whomever the test names.

It speaks the authorization code flow of OpenID Connect Core 1.0, section 3.1: discovery, the
redirect with a code, the token with a signed ID token, and the keys. It asks for no password.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

CLIENT = "club"


class Provider(ThreadingHTTPServer):
    """Its address, its key, and what it says of the person (`claims`)."""

    def __init__(self, claims: dict[str, Any]) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.claims = claims
        self.key = RSAKey.generate_key(2048, {"kid": "1", "use": "sig", "alg": "RS256"})
        self.nonces: dict[str, str] = {}

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"

    def id_token(self, nonce: str) -> str:
        now = int(time.time())
        said = {"iss": self.address, "aud": CLIENT, "iat": now, "exp": now + 600, "nonce": nonce}
        return jwt.encode({"alg": "RS256", "kid": "1"}, {**said, **self.claims}, self.key)


class Handler(BaseHTTPRequestHandler):
    server: Provider

    def do_GET(self) -> None:
        asked = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(asked.query).items()}
        at = self.server.address
        if asked.path == "/.well-known/openid-configuration":
            self.answer(
                {
                    "issuer": at,
                    "authorization_endpoint": f"{at}/authorize",
                    "token_endpoint": f"{at}/token",
                    "jwks_uri": f"{at}/keys",
                    "id_token_signing_alg_values_supported": ["RS256"],
                    "code_challenge_methods_supported": ["S256"],
                }
            )
        elif asked.path == "/keys":
            self.answer({"keys": [self.server.key.as_dict(private=False)]})
        else:
            code = str(len(self.server.nonces))
            self.server.nonces[code] = query["nonce"]
            self.send_response(302)
            sent = urlencode({"code": code, "state": query["state"]})
            self.send_header("Location", f"{query['redirect_uri']}?{sent}")
            self.end_headers()

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        nonce = self.server.nonces[parse_qs(body)["code"][0]]
        token = self.server.id_token(nonce)
        self.answer(
            {"access_token": "a", "token_type": "Bearer", "expires_in": 600, "id_token": token}
        )

    def answer(self, said: dict[str, Any]) -> None:
        body = json.dumps(said).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def provider(**claims: Any) -> Iterator[Provider]:
    """Run a provider that says this of whoever comes."""
    found = Provider(claims)
    thread = Thread(target=found.serve_forever, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        found.shutdown()
        found.server_close()
        thread.join()
