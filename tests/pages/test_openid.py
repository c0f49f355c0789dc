"""Sign-in through OpenID Connect: with a real provider (oidc-provider, https://github.com/panva/node-oidc-provider, a
certified implementation, run by Node), and with forged answers that none would give."""

from __future__ import annotations

import base64
import hmac
import json
import re
import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urljoin, urlsplit

import httpx
import pytest
from joserfc import jwt
from joserfc.jwk import OctKey, RSAKey
from starlette.testclient import TestClient

from cli.pages.openid import NotSignedIn, OpenId, Settings
from ledger.errors import WrongInput
from ledger.store.accounts import Accounts
from tests.pages.conftest import NODE_MODULES, Desk, node_package

SECRET = "an invented/secret+of:thirty-two"
BACK = "http://127.0.0.1/enter/openid/back"


# --- A real provider ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def issuer() -> Iterator[str]:
    """The address of a provider that runs on this machine for these tests."""
    node_package("oidc-provider")
    node = shutil.which("node")
    if node is None:
        pytest.skip("Node is not installed here")
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    script = Path(__file__).with_name("openid_provider.mjs")
    with subprocess.Popen(
        [node, str(script), str(NODE_MODULES), str(port), BACK],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as running:
        try:
            assert running.stdout is not None
            assert any("ready" in line for line in running.stdout), "the provider ended"
            yield f"http://127.0.0.1:{port}"
        finally:
            running.terminate()


def signed_in_there(address: str, name: str) -> str:
    """Where the provider sends a browser back to whose owner signs in there under this name, and agrees."""
    with httpx.Client(trust_env=False) as browser:
        answer = browser.get(address)
        for _ in range(12):
            if answer.is_redirect:
                there = urljoin(str(answer.url), answer.headers["location"])
                if there.startswith(BACK):
                    return there
                answer = browser.get(there)
                continue
            action = re.search(r'<form[^>]*action="([^"]+)"', answer.text)
            prompt = re.search(r'name="prompt" value="(\w+)"', answer.text)
            assert action is not None, answer.text[:500]
            assert prompt is not None, answer.text[:500]
            answer = browser.post(
                urljoin(str(answer.url), action[1]), data={"prompt": prompt[1], "login": name, "password": "any"}
            )
    raise AssertionError("the provider never sent the browser back")


@pytest.fixture
def browser_of(desk: Desk, issuer: str) -> Callable[..., TestClient]:
    """Browsers of a house whose hospital has this provider, where nkemelu is called `a.nkemelu`."""
    with desk.ledger() as ledger:
        accounts = Accounts(ledger)
        accounts.add("nkemelu", roles=["looks"])
        accounts.set_subject("nkemelu", issuer, "a.nkemelu")

    def of(**settings: Any) -> TestClient:
        wanted = {"issuer": issuer, "client": "access-ledger", "secret": SECRET, **settings}
        desk.doors.openid = OpenId(Settings(**wanted), lambda: datetime.now(UTC))
        return TestClient(desk.app, base_url="http://127.0.0.1", follow_redirects=False)

    return of


@pytest.mark.parametrize(
    "settings", [{}, {"client": "access-ledger-public", "secret": None}], ids=["with a secret", "public"]
)
def test_whoever_the_hospital_knows_comes_in_without_a_password(
    browser_of: Callable[..., TestClient], desk: Desk, settings: dict[str, Any]
) -> None:
    browser = browser_of(**settings)
    assert 'href="/enter/openid?then=' in browser.get("/enter").text
    away = browser.get("/enter/openid?then=/patient/P0001")

    back = signed_in_there(away.headers["location"], "a.nkemelu")
    answer = browser.get(back)

    assert (answer.status_code, answer.headers["location"]) == (303, "/patient/P0001")
    assert browser.get("/patient/P0001").status_code == 200
    assert browser.get("/accounts").status_code == 403, "as what their account may"
    with desk.ledger() as ledger:
        Accounts(ledger).close("nkemelu")
    assert browser.get("/patient/P0001").status_code == 303


@pytest.mark.parametrize("name", ["somebody.else", "tamm", "nkemelu"])
def test_nobody_gets_an_account_by_signing_in_at_the_hospital(
    browser_of: Callable[..., TestClient], desk: Desk, name: str
) -> None:
    browser = browser_of()
    with desk.ledger() as ledger:
        before = Accounts(ledger).all()

    answer = browser.get(signed_in_there(browser.get("/enter/openid").headers["location"], name))

    assert answer.status_code == 403
    assert "you have no account here" in answer.text
    assert browser.get("/").status_code == 303
    with desk.ledger() as ledger:
        assert Accounts(ledger).all() == before


def test_a_closed_account_is_not_opened_by_the_hospital(browser_of: Callable[..., TestClient], desk: Desk) -> None:
    browser = browser_of()
    with desk.ledger() as ledger:
        Accounts(ledger).close("nkemelu")

    answer = browser.get(signed_in_there(browser.get("/enter/openid").headers["location"], "a.nkemelu"))

    assert answer.status_code == 403
    assert browser.get("/").status_code == 303


def test_an_answer_counts_once_and_only_in_the_browser_that_asked(browser_of: Callable[..., TestClient]) -> None:
    browser = browser_of()
    other = TestClient(browser.app, base_url="http://127.0.0.1", follow_redirects=False)
    back = signed_in_there(browser.get("/enter/openid").headers["location"], "a.nkemelu")
    other.get("/enter/openid")

    assert other.get(back).status_code == 401, "somebody else's answer, which would sign the victim in as another"
    assert browser.get(back).status_code == 401, "used up by that"
    fresh = signed_in_there(browser.get("/enter/openid").headers["location"], "a.nkemelu")
    assert browser.get(fresh).status_code == 303
    assert browser.get(fresh).status_code == 401


@pytest.mark.parametrize(
    ("old", "new"),
    [("state=", "state=x"), ("iss=", "iss=x"), ("code=", "code=x"), ("code=", "error=access_denied&was=")],
)
def test_an_answer_that_was_changed_on_the_way_is_refused(
    browser_of: Callable[..., TestClient], old: str, new: str
) -> None:
    browser = browser_of()
    back = signed_in_there(browser.get("/enter/openid").headers["location"], "a.nkemelu")

    answer = browser.get(back.replace(old, new, 1))

    assert answer.status_code == 401
    assert browser.get("/").status_code == 303


def test_a_wrong_secret_lets_nobody_in(browser_of: Callable[..., TestClient]) -> None:
    browser = browser_of(secret="another secret")
    back = signed_in_there(browser.get("/enter/openid").headers["location"], "a.nkemelu")

    assert browser.get(back).status_code == 401


def test_a_provider_that_describes_itself_as_another_is_refused(
    browser_of: Callable[..., TestClient], issuer: str
) -> None:
    answer = browser_of(issuer=issuer + "/").get("/enter/openid")

    assert answer.status_code == 502
    assert "describes itself as another" in answer.text


def test_a_provider_that_does_not_answer_is_told_in_a_sentence(desk: Desk) -> None:
    desk.doors.openid = OpenId(Settings(issuer="http://127.0.0.1:1", client="x"), lambda: datetime.now(UTC))

    answer = TestClient(desk.app, base_url="http://127.0.0.1", follow_redirects=False).get("/enter/openid")

    assert answer.status_code == 502
    assert "does not answer as it should" in answer.text


# --- Forged answers -----------------------------------------------------------------------------------------------

NOW = datetime(2026, 11, 20, 8, tzinfo=UTC)
ISSUER = "https://id.invented.example"
KEY, OTHER_KEY = (RSAKey.generate_key(2048, {"kid": kid}) for kid in ("one", "two"))


def _base64(part: bytes) -> bytes:
    return base64.urlsafe_b64encode(part).rstrip(b"=")


class Forger(OpenId):
    """Asks nobody: the provider's answers are what the test says."""

    def __init__(self, **settings: Any) -> None:
        self.now = NOW
        super().__init__(Settings(issuer=ISSUER, client="access-ledger", **settings), lambda: self.now)
        self.token = ""
        self.keys = [KEY]
        self.asked: list[str] = []

    def _asked(self, method: str, address: str, **sent: Any) -> dict[str, Any]:
        self.asked.append(address)
        if address.endswith("/.well-known/openid-configuration"):
            ends = {end: f"{ISSUER}/{end}" for end in ("authorization_endpoint", "token_endpoint", "jwks_uri")}
            return {"issuer": ISSUER, **ends, "id_token_signing_alg_values_supported": ["RS256", "HS256", "none"]}
        if address.endswith("jwks_uri"):
            return {"keys": [key.as_dict(private=False) for key in self.keys]}
        return {"id_token": self.token}

    def told(self, *, key: Any = KEY, header: dict[str, str] | None = None, **claims: Any) -> str:
        """The subject that a token with these claims instead of the right ones gives."""
        address, browser = self.begin(back=BACK, then="/")
        asked = {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
        assert (asked["code_challenge_method"], asked["response_type"]) == ("S256", "code")
        right = {
            "iss": ISSUER,
            "aud": "access-ledger",
            "sub": "a.nkemelu",
            "iat": int(self.now.timestamp()),
            "exp": int((self.now + timedelta(minutes=5)).timestamp()),
            "nonce": asked["nonce"],
        }
        wanted = {name: value for name, value in {**right, **claims}.items() if value is not None}
        head = {"alg": "RS256", "kid": "one", **(header or {})}
        if isinstance(key, bytes):
            said = b".".join(_base64(json.dumps(part).encode()) for part in (head, wanted))
            self.token = (said + b"." + _base64(hmac.digest(key, said, "sha256"))).decode()
        else:
            self.token = jwt.encode(head, wanted, key, algorithms=["RS256", "none"])
        return self.finish({"state": asked["state"], "code": "x"}, browser).subject


def test_a_right_token_names_the_person() -> None:
    assert Forger().told() == "a.nkemelu"
    assert Forger(claim="employee").told(employee="E17") == "E17"
    assert Forger().told(aud=["access-ledger", "other"], azp="access-ledger") == "a.nkemelu"


@pytest.mark.parametrize(
    "claims",
    [
        {"iss": "https://evil.example"},
        {"iss": None},
        {"aud": "another-client"},
        {"aud": None},
        {"aud": ["access-ledger", "other"]},
        {"azp": "other"},
        {"exp": int((NOW - timedelta(minutes=2)).timestamp())},
        {"exp": None},
        {"iat": int((NOW + timedelta(hours=1)).timestamp())},
        {"iat": None},
        {"nonce": "another"},
        {"nonce": None},
        {"sub": None},
        {"sub": ""},
    ],
    ids=str,
)
def test_a_token_that_is_for_somebody_else_or_another_time_is_refused(claims: dict[str, Any]) -> None:
    with pytest.raises(NotSignedIn):
        Forger().told(**claims)


def test_a_token_with_another_signature_is_refused() -> None:
    # What everybody knows, taken for a shared secret: https://www.rfc-editor.org/rfc/rfc8725 section 2.1. It is made
    # by hand, since the library would not.
    public_as_secret = KEY.as_pem(private=False)

    for key, header in (
        (OTHER_KEY, {}),
        (OTHER_KEY, {"kid": "two"}),
        (public_as_secret, {"alg": "HS256"}),
        (OctKey.generate_key(256), {"alg": "none"}),
    ):
        with pytest.raises(NotSignedIn):
            Forger().told(key=key, header=header)


def test_new_keys_of_the_provider_are_asked_for_but_not_at_every_wrong_token() -> None:
    forger = Forger()
    forger.told()
    forger.keys = [OTHER_KEY]
    forger.now += timedelta(minutes=2)

    assert forger.told(key=OTHER_KEY, header={"kid": "two"}) == "a.nkemelu"

    for _ in range(5):
        with pytest.raises(NotSignedIn):
            forger.told(header={"kid": "three"})
    assert sum(address.endswith("jwks_uri") for address in forger.asked) == 2


def test_an_address_that_nobody_verified_names_nobody() -> None:
    assert Forger(claim="email").told(email="a@invented.example", email_verified=True) == "a@invented.example"
    with pytest.raises(NotSignedIn, match="verified"):
        Forger(claim="email").told(email="a@invented.example", email_verified=False)
    with pytest.raises(NotSignedIn, match="who you are"):
        Forger(claim="employee").told()


def test_a_sign_in_that_took_too_long_begins_anew() -> None:
    forger = Forger()
    address, browser = forger.begin(back=BACK, then="/")
    state = parse_qs(urlsplit(address).query)["state"][0]
    forger.now += timedelta(minutes=11)

    with pytest.raises(NotSignedIn, match="too long ago"):
        forger.finish({"state": state, "code": "x"}, browser)


def test_what_was_begun_and_not_ended_is_bounded() -> None:
    forger = Forger()

    for _ in range(1500):
        forger.begin(back=BACK, then="/")

    assert len(forger._pending) == 1000


# --- Settings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("issuer =", "TOML"),
        ('client = "x"', "no issuer"),
        ('issuer = "https://id.invented.example"', "no client"),
        ('issuer = "http://id.invented.example"\nclient = "x"', "https"),
        ('issuer = "https://id.invented.example"\nclient = "x"\nsecret = "y"', "secret"),
        ('issuer = "https://id.invented.example"\nclient = "x"\nsecret_file = "none"', "cannot be read"),
        ('issuer = "https://id.invented.example"\nclient = "x"\nscopes = "openid"', "scopes"),
        ('issuer = "https://id.invented.example"\nclient = "x"\ncertificates = "none"', "no file"),
    ],
)
def test_settings_that_cannot_be_right_say_what_is_wrong(tmp_path: Path, text: str, wrong: str) -> None:
    file = tmp_path / "openid.toml"
    file.write_text(text)

    with pytest.raises(WrongInput, match=wrong):
        Settings.from_file(file)


def test_settings_are_read_with_the_secret_from_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(SECRET + "\n")
    file = tmp_path / "openid.toml"
    file.write_text(
        f'issuer = {json.dumps(ISSUER)}\nclient = "access-ledger"\nsecret_file = "secret"\nscopes = ["profile"]\n'
    )

    found = Settings.from_file(file)

    assert (found.secret, found.scopes, found.claim) == (SECRET, ("openid", "profile"), "sub")
