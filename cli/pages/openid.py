"""Sign-in through the hospital's OpenID Connect, where there is one.

The authorization code flow with PKCE (OpenID Connect Core 1.0, section 3.1; RFC 7636), its addresses found by discovery
(OpenID Connect Discovery 1.0), the answer's issuer compared (RFC 9207). Signatures are checked by joserfc against the
provider's keys. One claim of the ID token, `sub` unless the settings say otherwise, names the person; which account
that is was said beforehand by a command, and nobody gets an account by signing in.

Not here: signing out at the provider (we end our own session), and claims that only the UserInfo endpoint gives.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import ssl
import threading
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote_plus, urlencode, urlsplit

from ledger.errors import LedgerError, WrongInput

if TYPE_CHECKING:
    import httpx
    from joserfc.jwk import KeySet

ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "Ed25519", "EdDSA")
"""Signatures by the provider's private key. Nothing that a shared secret could make, and never none."""
PENDING = timedelta(minutes=10)
MOST_PENDING = 1000
KEPT = timedelta(hours=1)
"""How long addresses and keys of the provider are used before they are asked for again."""
LEEWAY_SECONDS = 60
SECONDS = 10.0
"""How long the provider may take to answer."""

_SETTINGS = {"issuer", "client", "secret_file", "claim", "scopes", "label", "certificates"}


class NotSignedIn(LedgerError):
    """The provider, or what it sent, lets nobody in."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Which provider, and as whom we ask it. Without a secret we are a public client, which PKCE alone protects."""

    issuer: str
    client: str
    secret: str | None = None
    claim: str = "sub"
    scopes: tuple[str, ...] = ("openid",)
    label: str = "Sign in with your hospital account"
    certificates: Path | None = None

    @classmethod
    def from_file(cls, file: Path) -> Settings:
        """The settings in a TOML file. Raises WrongInput, which says what is missing or wrong in it."""
        remedy = (
            'Write issuer = "https://…" and client = "…"; secret_file, claim, scopes, label, certificates as needed.'
        )
        try:
            found = tomllib.loads(file.read_text("utf-8"))
        except (OSError, ValueError):
            raise WrongInput(f"{file} cannot be read as TOML.", remedy) from None
        unknown = sorted(set(found) - _SETTINGS)
        if unknown or not all(isinstance(found.get(name), str) for name in ("issuer", "client")):
            what = (
                f"has settings that there are not: {', '.join(unknown)}" if unknown else "names no issuer or no client"
            )
            raise WrongInput(f"{file} {what}.", remedy)
        if not _is_safe(found["issuer"]):
            raise WrongInput(f"{file} names an issuer that is not an https address.", remedy)
        secret = None
        if "secret_file" in found:
            place = file.parent / str(found["secret_file"])
            try:
                secret = place.read_text("utf-8").strip()
            except OSError:
                raise WrongInput(f"{place} cannot be read.", "Check secret_file, and who may read it.") from None
        certificates = file.parent / str(found["certificates"]) if "certificates" in found else None
        if certificates is not None and not certificates.is_file():
            raise WrongInput(f"There is no file {certificates}.", "Check certificates in the settings.")
        scopes = found.get("scopes", [])
        if not isinstance(scopes, list) or not all(isinstance(scope, str) for scope in scopes):
            raise WrongInput(f"{file} has scopes that are no list of words.", 'Write scopes = ["openid", "profile"].')
        return cls(
            issuer=found["issuer"],
            client=found["client"],
            secret=secret,
            claim=str(found.get("claim", "sub")),
            scopes=("openid", *(scope for scope in scopes if scope != "openid")),
            label=str(found.get("label", cls.label)),
            certificates=certificates,
        )


@dataclass(frozen=True)
class Told:
    """Whom the provider says that somebody is, and where they were going."""

    subject: str
    then: str


@dataclass(frozen=True)
class _Pending:
    browser: str
    nonce: str
    verifier: str
    back: str
    then: str
    until: datetime


class OpenId:
    """Asks one provider. `clock` gives the present instant."""

    def __init__(self, settings: Settings, clock: Callable[[], datetime]) -> None:
        self.settings = settings
        self._clock = clock
        self._pending: dict[str, _Pending] = {}
        self._lock = threading.Lock()
        self._found: tuple[datetime, dict[str, Any]] | None = None
        self._keys: tuple[datetime, KeySet] | None = None

    def begin(self, *, back: str, then: str) -> tuple[str, str]:
        """Where to send the browser, and what its cookie has to bring back. Raises NotSignedIn."""
        where = self._discovered()
        state, nonce, verifier, browser = (secrets.token_urlsafe(32) for _ in range(4))
        now = self._clock()
        with self._lock:
            self._pending = {key: one for key, one in self._pending.items() if one.until > now}
            while len(self._pending) >= MOST_PENDING:
                del self._pending[next(iter(self._pending))]
            self._pending[state] = _Pending(browser, nonce, verifier, back, then, now + PENDING)
        challenge = base64.urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).rstrip(b"=").decode()
        asked = {
            "response_type": "code",
            "client_id": self.settings.client,
            "redirect_uri": back,
            "scope": " ".join(self.settings.scopes),
            "state": state,
            "nonce": nonce,
            "code_challenge": challenge,
            "code_challenge_method": "S256",
        }
        address = str(where["authorization_endpoint"])
        return f"{address}{'&' if urlsplit(address).query else '?'}{urlencode(asked)}", browser

    def finish(self, answered: Mapping[str, str], browser: str) -> Told:
        """Whom the provider's answer names; each answer counts once, in the browser that asked. Raises NotSignedIn."""
        with self._lock:
            pending = self._pending.pop(answered.get("state", ""), None)
        if pending is None or self._clock() > pending.until or not secrets.compare_digest(browser, pending.browser):
            raise NotSignedIn("This sign-in was not begun in this browser, or too long ago.", "Begin again.")
        where = self._discovered()
        issuer = answered.get("iss")
        if issuer != self.settings.issuer and (
            issuer is not None or where.get("authorization_response_iss_parameter_supported") is True
        ):
            raise NotSignedIn("The answer came from another OpenID provider than we asked.", "Begin again.")
        if "error" in answered or not answered.get("code"):
            raise NotSignedIn("Your hospital's sign-in did not let you in.", "Begin again, or ask whoever runs it.")
        token = self._token(where, answered["code"], pending)
        return Told(self._subject(token, pending.nonce, where), pending.then)

    # --- Asking the provider --------------------------------------------------------------------------------------

    def _client(self) -> httpx.Client:
        import httpx

        verify: Any = True
        if self.settings.certificates is not None:
            verify = ssl.create_default_context(cafile=str(self.settings.certificates))
        return httpx.Client(timeout=SECONDS, verify=verify, follow_redirects=False)

    def _asked(self, method: str, address: str, **sent: Any) -> dict[str, Any]:
        import httpx

        try:
            with self._client() as client:
                answer = client.request(method, address, headers={"accept": "application/json"}, **sent)
                found = answer.json() if answer.status_code == 200 else None
        except (httpx.HTTPError, ValueError, OSError):
            found = None
        if not isinstance(found, dict):
            raise NotSignedIn(
                "Your hospital's sign-in does not answer as it should.",
                "Sign in with a password if you have one, or ask whoever runs it.",
            )
        return found

    def _discovered(self) -> dict[str, Any]:
        """The provider's own description, https://openid.net/specs/openid-connect-discovery-1_0.html section 4."""
        now = self._clock()
        if self._found is None or now - self._found[0] > KEPT:
            found = self._asked("GET", self.settings.issuer.rstrip("/") + "/.well-known/openid-configuration")
            ends = ("authorization_endpoint", "token_endpoint", "jwks_uri")
            if found.get("issuer") != self.settings.issuer or not all(_is_safe(str(found.get(end))) for end in ends):
                raise NotSignedIn(
                    "The OpenID provider describes itself as another than the settings name.",
                    "Whoever runs this server has to compare `issuer` with the provider's own description.",
                )
            self._found = now, found
        return self._found[1]

    def _token(self, where: Mapping[str, Any], code: str, pending: _Pending) -> str:
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": pending.back,
            "code_verifier": pending.verifier,
        }
        auth = None
        ways = where.get("token_endpoint_auth_methods_supported") or ["client_secret_basic"]
        if self.settings.secret is None:
            form["client_id"] = self.settings.client
        elif "client_secret_basic" in ways:
            # RFC 6749, 2.3.1: both are form-encoded before they become a user and a password.
            auth = (quote_plus(self.settings.client), quote_plus(self.settings.secret))
        else:
            form |= {"client_id": self.settings.client, "client_secret": self.settings.secret}
        token = self._asked("POST", str(where["token_endpoint"]), data=form, auth=auth).get("id_token")
        if not isinstance(token, str):
            raise NotSignedIn("The OpenID provider sent no ID token.", "Ask whoever runs it.")
        return token

    # --- Believing it ---------------------------------------------------------------------------------------------

    def _subject(self, token: str, nonce: str, where: Mapping[str, Any]) -> str:
        """What the named claim of a valid ID token says (OpenID Connect Core 1.0, 3.1.3.7). Raises NotSignedIn."""
        from joserfc import jwt
        from joserfc.errors import JoseError

        told = where.get("id_token_signing_alg_values_supported") or ["RS256"]
        algorithms = [one for one in ALGORITHMS if one in told]
        refused = NotSignedIn(
            "What the OpenID provider sent cannot be trusted.", "Begin again, or ask whoever runs it."
        )
        try:
            try:
                claims = jwt.decode(token, self._key_set(where), algorithms=algorithms).claims
            except (JoseError, ValueError):
                # The provider may have new keys; they are asked for once, and no oftener than each minute.
                if not self._forget_keys():
                    raise
                claims = jwt.decode(token, self._key_set(where), algorithms=algorithms).claims
            jwt.JWTClaimsRegistry(
                now=int(self._clock().timestamp()),
                leeway=LEEWAY_SECONDS,
                iss={"essential": True, "value": self.settings.issuer},
                aud={"essential": True, "value": self.settings.client},
                sub={"essential": True},
                exp={"essential": True},
                iat={"essential": True},
                nonce={"essential": True, "value": nonce},
            ).validate(claims)
        except (JoseError, ValueError):
            raise refused from None
        several = isinstance(claims["aud"], list) and len(claims["aud"]) > 1
        if (several or "azp" in claims) and claims.get("azp") != self.settings.client:
            raise refused
        found = claims.get(self.settings.claim)
        if not isinstance(found, str) or not found:
            raise NotSignedIn(
                "The OpenID provider does not say who you are in the claim that the settings name.",
                "Whoever runs this server has to compare `claim` with what the provider puts into its ID tokens.",
            )
        if self.settings.claim == "email" and claims.get("email_verified") is not True:
            raise NotSignedIn("The OpenID provider has not verified your address.", "Ask whoever runs it.")
        return found

    def _key_set(self, where: Mapping[str, Any]) -> KeySet:
        from joserfc.jwk import KeySet

        now = self._clock()
        if self._keys is None or now - self._keys[0] > KEPT:
            found = self._asked("GET", str(where["jwks_uri"]))
            self._keys = now, KeySet.import_key_set(found)  # type: ignore[arg-type]
        return self._keys[1]

    def _forget_keys(self) -> bool:
        if self._keys is None or self._clock() - self._keys[0] < timedelta(minutes=1):
            return False
        self._keys = None
        return True


def _is_safe(address: str) -> bool:
    """Whether an address is https, or of this machine, where a provider is tried out."""
    parts = urlsplit(address)
    return parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in ("127.0.0.1", "localhost", "::1"))
