"""A small OpenID provider on loopback, for tests of the login: discovery, authorize, token, keys; RS256, PKCE S256.

OpenID Connect Core 1.0 (code flow, 3.1) and Discovery 1.0 (4.2); PKCE: RFC 7636. It asks who to be and believes it.
"""

import base64
import hashlib
import html
import json
import secrets
import threading
import time
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

CLIENT, SECRET = "vansnap-board", "a secret of the test"


class Provider(ThreadingHTTPServer):
    """Serves the people it is given, each with the claims of one identity token, and those who come by a token that is wrong."""

    def __init__(
        self,
        people: Mapping[str, Mapping[str, object]],
        port: int = 0,
        *,
        forged: Collection[str] = (),
        unsigned: Collection[str] = (),
    ) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.issuer = f"http://127.0.0.1:{self.server_address[1]}"
        self.people, self.forged, self.unsigned = people, forged, unsigned
        self.key = RSAKey.generate_key(2048, parameters={"kid": "test", "use": "sig", "alg": "RS256"})
        self.other_key = RSAKey.generate_key(2048, parameters={"kid": "test", "use": "sig", "alg": "RS256"})
        self.codes: dict[str, tuple[str, dict[str, str]]] = {}
        self.tokens_given = 0


class _Handler(BaseHTTPRequestHandler):
    server: Provider

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(address.query).items()}
        if address.path == "/.well-known/openid-configuration":
            at = self.server.issuer
            self._json(
                {
                    "issuer": at,
                    "authorization_endpoint": f"{at}/authorize",
                    "token_endpoint": f"{at}/token",
                    "jwks_uri": f"{at}/keys",
                    "response_types_supported": ["code"],
                    "subject_types_supported": ["public"],
                    "id_token_signing_alg_values_supported": ["RS256"],
                    "code_challenge_methods_supported": ["S256"],
                }
            )
        elif address.path == "/keys":
            self._json({"keys": [self.server.key.as_dict(private=False)]})
        elif address.path == "/authorize" and "as" not in query:
            links = "".join(
                f'<p><a href="/authorize?{html.escape(urlencode({**query, "as": name}))}">{html.escape(name)}</a></p>'
                for name in self.server.people
            )
            self._send(200, "text/html", f"<h1>Who are you?</h1>{links}".encode())
        elif address.path == "/authorize":
            code = secrets.token_urlsafe(16)
            self.server.codes[code] = (query["as"], query)
            self.send_response(302)
            self.send_header(
                "Location", f"{query['redirect_uri']}?{urlencode({'code': code, 'state': query['state']})}"
            )
            self.end_headers()
        else:
            self._send(404, "text/plain", b"")

    def do_POST(self) -> None:
        form = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
        given = {name: values[0] for name, values in form.items()}
        who, asked = self.server.codes.pop(given.get("code", ""), ("", {}))
        basic = base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        told = self.headers.get("Authorization") == f"Basic {basic}" or given.get("client_secret") == SECRET
        challenge = base64.urlsafe_b64encode(hashlib.sha256(given.get("code_verifier", "").encode()).digest())
        proven = challenge.decode().rstrip("=") == asked.get("code_challenge")
        if self.path != "/token" or not who or not told or not proven:
            self._send(400, "application/json", b'{"error": "invalid_grant"}')
            return
        now = int(time.time())
        claims = {"iss": self.server.issuer, "aud": CLIENT, "sub": who, "iat": now, "exp": now + 300}
        claims |= {"nonce": asked.get("nonce"), **self.server.people[who]}
        claims = {name: claim for name, claim in claims.items() if claim is not None}
        self.server.tokens_given += 1
        key = self.server.other_key if who in self.server.forged else self.server.key
        token = jwt.encode({"alg": "RS256", "kid": "test"}, claims, key, algorithms=["RS256"])
        if who in self.server.unsigned:  # RFC 7519, 6.1
            header = base64.urlsafe_b64encode(b'{"alg":"none"}').decode().rstrip("=")
            token = f"{header}.{token.split('.')[1]}."
        self._json({"access_token": "none needed", "token_type": "Bearer", "expires_in": 300, "id_token": token})

    def _json(self, document: object) -> None:
        self._send(200, "application/json", json.dumps(document).encode())

    def _send(self, code: int, kind: str, content: bytes) -> None:
        self.send_response(code)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)


@contextmanager
def provider(
    people: Mapping[str, Mapping[str, object]], *, forged: Collection[str] = (), unsigned: Collection[str] = ()
) -> Iterator[Provider]:
    """A provider that runs while the block does."""
    with Provider(people, forged=forged, unsigned=unsigned) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
