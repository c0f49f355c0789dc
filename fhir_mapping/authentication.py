"""Who we are to a server: nobody, the bearer of a token, or a SMART Backend Service.

SMART Backend Services (https://hl7.org/fhir/smart-app-launch/backend-services.html): the token endpoint is discovered,
a signed assertion (RS384 or ES384) is traded for a token, and a new one is asked for when it runs out or the server
says 401. Secrets are read from a file or the environment when they are needed, and are in no log and no error.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

from fhir_mapping.settings import Server, Settings
from fhir_mapping.talking import Authentication, Stopped

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
LIVES_S = 240  # An assertion may live five minutes at most.
EARLY_S = 30


def authentication_for(server: Server, settings: Settings) -> Authentication:
    """How requests to a server are signed. Raises Stopped where a secret is missing."""
    if server.auth == "bearer":
        return _Bearer(server, settings)
    if server.auth == "smart":
        return _Smart(server, settings)
    return _Nobody()


class _Nobody:
    def headers(self) -> dict[str, str]:
        return {}

    def renew(self) -> bool:
        return False


class _Bearer:
    """A token that somebody else renews: read anew when the server says 401."""

    def __init__(self, server: Server, settings: Settings) -> None:
        self._server = server
        self._settings = settings
        self._token = self._read()

    def _read(self) -> str:
        server = self._server
        if server.token_file is not None:
            token = _secret(self._settings.path(server.token_file), server).strip()
        else:
            token = os.environ.get(server.token_env or "", "").strip()
        if not token:
            raise Stopped(
                f"There is no token for {server.name} where the settings say.",
                "Put it into the file that token_file names, or into the variable that token_env names.",
            )
        return token

    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self._token}"}

    def renew(self) -> bool:
        before, self._token = self._token, self._read()
        return self._token != before


class _Smart:
    def __init__(self, server: Server, settings: Settings, clock: Callable[[], float] = time.time) -> None:
        self._server = server
        self._settings = settings
        self._clock = clock
        self._token: str | None = None
        self._until = 0.0
        self._endpoint: str | None = server.token_url

    def headers(self) -> dict[str, str]:
        if self._token is None or self._clock() >= self._until - EARLY_S:
            self._ask()
        return {"Authorization": f"Bearer {self._token}"}

    def renew(self) -> bool:
        self._ask()
        return True

    def _ask(self) -> None:
        import httpx

        server = self._server
        verify: Any = True
        if server.ca_file is not None:
            import ssl

            verify = ssl.create_default_context(cafile=str(self._settings.path(server.ca_file)))
        try:
            with httpx.Client(verify=verify, timeout=server.timeout_s) as client:
                if self._endpoint is None:
                    self._endpoint = self._discovered(client)
                got = client.post(
                    self._endpoint,
                    data={
                        "grant_type": "client_credentials",
                        "scope": server.scope or "system/*.cruds",
                        "client_assertion_type": ASSERTION_TYPE,
                        "client_assertion": self._assertion(self._endpoint),
                    },
                    headers={"Accept": "application/json"},
                )
        except httpx.HTTPError as failed:
            raise Stopped(
                f"The token endpoint of {server.name} does not answer ({type(failed).__name__}).",
                "Try again later, or name it with token_url in the settings.",
            ) from None
        try:
            said = got.json()
        except ValueError:
            said = {}
        if got.status_code != 200 or not isinstance(said.get("access_token"), str):
            reason = str(said.get("error", f"status {got.status_code}"))[:60]
            raise Stopped(
                f"{server.name} gives us no token ({reason}).",
                "Check client_id, key_file, algorithm and scope in the settings, and that it knows our public key.",
            )
        self._token = said["access_token"]
        lives = said.get("expires_in", 300)
        self._until = self._clock() + (float(lives) if isinstance(lives, int | float) else 300.0)

    def _discovered(self, client: Any) -> str:
        server = self._server
        got = client.get(
            f"{server.url.rstrip('/')}/.well-known/smart-configuration", headers={"Accept": "application/json"}
        )
        try:
            found = got.json().get("token_endpoint") if got.status_code == 200 else None
        except (ValueError, AttributeError):
            found = None
        if not isinstance(found, str):
            raise Stopped(
                f"{server.name} does not say where tokens are asked for.",
                "Name the place with token_url in the settings.",
            )
        return found

    def _assertion(self, audience: str) -> str:
        from joserfc import jwt
        from joserfc.errors import JoseError
        from joserfc.jwk import ECKey, RSAKey

        server = self._server
        assert server.key_file is not None
        assert server.client_id is not None
        text = _secret(self._settings.path(server.key_file), server)
        kind = RSAKey if server.algorithm == "RS384" else ECKey
        try:
            key: Any
            if text.lstrip().startswith("{"):
                import json

                key = kind.import_key(json.loads(text))
            else:
                key = kind.import_key(text)
            header = {"alg": server.algorithm, "typ": "JWT", "kid": key.kid or key.thumbprint()}
            now = int(self._clock())
            claims = {
                "iss": server.client_id,
                "sub": server.client_id,
                "aud": audience,
                "exp": now + LIVES_S,
                "iat": now,
                "jti": str(uuid4()),
            }
            return jwt.encode(header, claims, key, algorithms=[server.algorithm])
        except (JoseError, ValueError, TypeError, KeyError):
            raise Stopped(
                f"The key for {server.name} cannot be used with {server.algorithm}.",
                "key_file holds a private key, as JWK or PEM: RSA for RS384, P-384 for ES384.",
            ) from None


def _secret(path: Path, server: Server) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise Stopped(
            f"The secret of {server.name} cannot be read.", "Check the path in the settings, and who may read the file."
        ) from None
