"""`access-ledger serve` as a process of its own: what it refuses to begin with, in sentences, and how it ends."""

from __future__ import annotations

import json
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from cli.main import main
from ledger.store import open_ledger
from ledger.store.accounts import Accounts

NAME = "access.invented.example"


@pytest.fixture
def file(demo_file: Path, tmp_path: Path) -> Path:
    """The demonstration, in which nobody has an account."""
    found = tmp_path / "ledger.sqlite"
    with closing(sqlite3.connect(demo_file)) as source, closing(sqlite3.connect(found)) as copy:
        source.backup(copy)
        copy.execute("DROP TABLE accounts")
    return found


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for an invented name, and its key."""
    folder, key = tmp_path_factory.mktemp("tls"), ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(datetime.now(UTC) - timedelta(days=1))
        .not_valid_after(datetime.now(UTC) + timedelta(days=60))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(NAME)]), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / "certificate.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return folder / "certificate.pem", folder / "key.pem"


@contextmanager
def serving(file: Path, *options: str) -> Iterator[tuple[dict[str, Any], subprocess.Popen[str]]]:
    """The pages served by a process; what it told of itself, and the process."""
    command = [sys.executable, "-m", "cli.main", "serve", "--json", "--port", "0", "--ledger", str(file), *options]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        try:
            assert line, process.stderr.read()
            yield json.loads(line), process
        finally:
            if process.poll() is None:
                process.terminate()
            process.wait(20)


def test_a_first_start_prints_a_link_and_a_signal_ends_it_in_order(file: Path) -> None:
    with serving(file) as (told, process), httpx.Client(trust_env=False) as browser:
        opened = browser.get(told["link"])
        page = browser.get(told["address"] + "/patient/P0001")
        process.send_signal(signal.SIGTERM)

        assert process.wait(20) == 0
        assert process.stderr is not None
        assert process.stderr.read() == ""

    assert opened.status_code == 303
    assert page.status_code == 200
    with open_ledger(file) as ledger:
        rows = ledger.db.execute("SELECT person, did, patient FROM audit ORDER BY number DESC LIMIT 3").fetchall()
    assert [tuple(row) for row in rows][:1] == [("nkemelu", "brief", 1)]


def test_where_there_are_accounts_no_link_is_made_unless_it_is_asked_for(file: Path) -> None:
    with open_ledger(file) as ledger:
        Accounts(ledger).add("brask", roles=["administers"])

    settings = file.with_name("openid.toml")
    settings.write_text('issuer = "https://id.invented.example"\nclient = "x"\nlabel = "Invented hospital"\n')

    with serving(file, "--openid", str(settings)) as (told, _), httpx.Client(trust_env=False) as browser:
        assert told["link"] is None
        assert "Invented hospital</a>" in browser.get(told["address"] + "/enter").text
    with serving(file, "--link", "--by", "brask") as (told, process):
        assert told["link"].startswith(told["address"] + "/enter?once=")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0


def test_with_a_certificate_the_pages_are_served_over_tls_by_its_name(
    file: Path, certificate: tuple[Path, Path]
) -> None:
    tls = ["--certificate", str(certificate[0]), "--key", str(certificate[1])]

    with serving(file, "--listen", "0.0.0.0", "--link", *tls) as (told, _):
        port = told["address"].rsplit(":", 1)[1]
        assert told["address"] == f"https://{NAME}:{port}"
        with httpx.Client(verify=False, trust_env=False) as browser:
            asked = f"https://127.0.0.1:{port}/enter"
            by_name = browser.get(asked, headers={"host": f"{NAME}:{port}"})
            by_another = browser.get(asked, headers={"host": "other.invented.example"})

    assert (by_name.status_code, by_another.status_code) == (200, 400)
    assert by_name.headers["strict-transport-security"]


def test_an_address_that_is_not_only_this_machine_needs_tls_or_a_proxy(
    file: Path, certificate: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty.pem").write_text("")
    cert, key = (str(one) for one in certificate)
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        for options, told in (
            (["--listen", "0.0.0.0"], "Without encryption"),
            (["--listen", "::"], "Without encryption"),
            (["--listen", "everywhere"], "not an address"),
            (["--certificate", cert], "needs its key"),
            (["--certificate", cert, "--key", str(tmp_path / "none.pem")], "cannot be read"),
            (["--certificate", cert, "--key", str(tmp_path / "empty.pem")], "not a certificate and its key"),
            (["--certificate", key, "--key", cert], "not a certificate and its key"),
            (["--certificate", cert, "--key", key, "--behind-proxy", "10.0.0.5"], "do not go together"),
            (["--behind-proxy", "the-proxy"], "not an address"),
            (["--behind-proxy", "10.0.0.5"], "no account"),
            (["--behind-proxy", "10.0.0.5", "--link"], "by which name"),
            (["--port", str(port)], f"Port {port} at 127.0.0.1 is taken"),
            (["--port", "70000"], "not possible to listen"),
            (["--by", "stranger"], "no such person"),
            (["--openid", str(tmp_path / "none.toml")], "cannot be read"),
            (["--today", "yesterday"], "not a day"),
        ):
            assert main(["serve", "--ledger", str(file), *options]) == 1, options
            assert told in capsys.readouterr().err, options


def test_a_ledger_that_is_newer_or_not_there_or_cannot_be_written_is_not_served(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    newer, guarded = tmp_path / "newer.sqlite", tmp_path / "guarded.sqlite"
    for place, change in (
        (newer, "UPDATE meta SET value='99' WHERE key='format'"),
        (
            guarded,
            "CREATE TRIGGER no_more BEFORE INSERT ON audit BEGIN SELECT RAISE(ABORT, 'readonly database'); END",
        ),
    ):
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(place)) as copy:
            source.backup(copy)
            copy.execute(change)
            copy.commit()

    for place, told in (
        (newer, "newer version"),
        (tmp_path / "none.sqlite", "There is no ledger"),
        (guarded, "Every look at a patient is put on record there, so nothing is served."),
    ):
        assert main(["serve", "--ledger", str(place)]) == 1
        assert told in capsys.readouterr().err


def test_whoever_has_a_ledger_of_their_own_needs_no_set_up_to_try_it(tmp_path: Path, capsys: Any) -> None:
    own = str(tmp_path / "own.sqlite")
    main(["init", "--ledger", own, "--zone", "UTC"])
    capsys.readouterr()
    assert main(["serve", "--ledger", own]) == 1
    assert "--by PERSON" in capsys.readouterr().err
    main(["person", "add", "N1", "--name", "Invented Nurse", "--ledger", own])

    with serving(Path(own)) as (told, _), httpx.Client(trust_env=False) as browser:
        assert browser.get(told["link"]).status_code == 303
        assert "Invented Nurse" in browser.get(told["address"] + "/").text
