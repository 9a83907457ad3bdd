"""An OpenID Connect provider for tests: a process on loopback that anybody may sign in at as anybody.

``python provider.py PORT CLIENT_ID CLIENT_SECRET REDIRECT``. It checks what a provider has to check (client,
redirect address, code, PKCE); ``FORGED`` sign-ins answer with identity tokens that must not be believed.
All people are invented.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import sys
import time
from html import escape
from typing import Any
from urllib.parse import urlencode

import uvicorn
from joserfc import jwt
from joserfc.jwk import RSAKey
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

PEOPLE: dict[str, dict[str, Any]] = {
    "owner": {"name": "Olga Owner", "email": "Owner@Works.example", "email_verified": True},
    "helper": {"name": "Hal Helper", "email": "helper@works.example", "email_verified": True},
    "outsider": {"name": "Otto Outsider", "email": "outsider@works.example", "email_verified": True},
    "reviewer": {"name": "Rita Reviewer", "email": "rita@office.example", "email_verified": True},
    "uninvited": {"name": "Ulf Uninvited", "email": "ulf@office.example", "email_verified": True},
    "keeper": {"name": "Kim Keeper", "email": "kim@works.example", "email_verified": True},
    "stranger": {"name": "Sam Stranger", "email": "sam@elsewhere.example", "email_verified": True},
    "unverified": {"name": "Kim Keeper", "email": "kim@works.example", "email_verified": False},
    "unsaid": {"name": "Kim Keeper", "email": "kim@works.example"},
    "textual": {"name": "Kim Keeper", "email": "kim@works.example", "email_verified": "true"},
    "nobody": {"name": "No Mail"},
}
FORGED = ("other_key", "unsigned", "other_client", "other_issuer", "other_nonce", "expired")
KEEPER = PEOPLE["keeper"]


class Provider:
    """Codes given out and the keys tokens are signed with."""

    def __init__(self, issuer: str, client_id: str, client_secret: str, redirect: str) -> None:
        self.issuer, self.client_id, self.client_secret = issuer, client_id, client_secret
        self.redirect = redirect
        self.key = RSAKey.generate_key(2048, {"kid": "test", "use": "sig"})
        self.other_key = RSAKey.generate_key(2048, {"kid": "test", "use": "sig"})
        self.codes: dict[str, dict[str, str]] = {}

    def metadata(self, _request: Request) -> Response:
        """Where everything is."""
        return JSONResponse(
            {
                "issuer": self.issuer,
                "authorization_endpoint": f"{self.issuer}/authorize",
                "token_endpoint": f"{self.issuer}/token",
                "jwks_uri": f"{self.issuer}/keys",
                "response_types_supported": ["code"],
                "subject_types_supported": ["public"],
                "id_token_signing_alg_values_supported": ["RS256"],
                "code_challenge_methods_supported": ["S256"],
            }
        )

    def keys(self, _request: Request) -> Response:
        """The public key."""
        return JSONResponse({"keys": [self.key.as_dict(private=False)]})

    def authorize(self, request: Request) -> Response:
        """Ask who is there; give a code for whoever is chosen."""
        asked = dict(request.query_params)
        right = asked.get("client_id") == self.client_id and asked.get("redirect_uri") == self.redirect
        if not right or asked.get("code_challenge_method") != "S256":
            return Response("wrong client, address or method", 400)
        chosen = asked.pop("as", None)
        if chosen is None:
            links = "".join(
                f'<p><a href="/authorize?{escape(urlencode(asked | {"as": name}))}">{name}</a></p>'
                for name in (*PEOPLE, *FORGED)
            )
            return HTMLResponse(f"<h1>Who are you?</h1>{links}")
        code = secrets.token_urlsafe(24)
        self.codes[code] = asked | {"as": chosen}
        return RedirectResponse(f"{self.redirect}?{urlencode({'code': code, 'state': asked['state']})}", 302)

    async def token(self, request: Request) -> Response:
        """Give an identity token for a code, once."""
        form = await request.form()
        asked = self.codes.pop(str(form.get("code")), None)
        given = base64.b64decode(request.headers.get("authorization", "").removeprefix("Basic ")).decode()
        digest = hashlib.sha256(str(form.get("code_verifier")).encode()).digest()
        proof = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
        if asked is None or given != f"{self.client_id}:{self.client_secret}":
            return JSONResponse({"error": "invalid_client"}, 401)
        if asked["code_challenge"] != proof or form.get("redirect_uri") != self.redirect:
            return JSONResponse({"error": "invalid_grant"}, 400)
        token = self.identity(asked["as"], asked["nonce"])
        return JSONResponse({"access_token": "unused", "token_type": "Bearer", "id_token": token})

    def identity(self, name: str, nonce: str) -> str:
        """An identity token, wrong in one way for each of ``FORGED``."""
        now = int(time.time())
        claims = {"iss": self.issuer, "aud": self.client_id, "sub": name, "nonce": nonce}
        claims |= {"iat": now, "exp": now + 600} | PEOPLE.get(name, KEEPER)
        wrong = {
            "other_client": {"aud": "somebody else"},
            "other_issuer": {"iss": "https://elsewhere.example"},
            "other_nonce": {"nonce": "replayed"},
            "expired": {"iat": now - 7200, "exp": now - 3600},
        }
        claims |= wrong.get(name, {})
        if name == "unsigned":
            parts = ({"alg": "none", "kid": "test"}, claims)
            return ".".join(map(_plain, parts)) + "."
        key = self.other_key if name == "other_key" else self.key
        return jwt.encode({"alg": "RS256", "kid": "test"}, claims, key)


def _plain(part: dict[str, Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=").decode()


def main(port: str, client_id: str, client_secret: str, redirect: str) -> None:
    """Serve until terminated."""
    provider = Provider(f"http://127.0.0.1:{port}", client_id, client_secret, redirect)
    routes = [
        Route("/.well-known/openid-configuration", provider.metadata),
        Route("/keys", provider.keys),
        Route("/favicon.ico", lambda _request: Response(status_code=204)),
        Route("/authorize", provider.authorize),
        Route("/token", provider.token, methods=["POST"]),
    ]
    uvicorn.run(Starlette(routes=routes), host="127.0.0.1", port=int(port), log_level="warning")


if __name__ == "__main__":
    main(*sys.argv[1:])
