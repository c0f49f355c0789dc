"""`access-ledger serve`: the pages, on this machine or on the unit's network.

On loopback nothing is needed. Everywhere else what goes over the wire is encrypted: with a certificate of our own, or
by a proxy in front of us that is named. Everything that can be wrong is found before the first page is served.
"""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import ssl
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import say
from cli.options import ByOption, LedgerOption, TodayOption, day_from, opened, person_of, where_of
from ledger.errors import LedgerError, WrongInput

if TYPE_CHECKING:
    import uvicorn
    from starlette.applications import Starlette

    from cli.pages.rights import Account
    from ledger.store import Ledger

DEMO_PERSON = "nkemelu"
"""Who one is when the demonstration is opened by its link: the unit nurse, who does not exist."""


def serve(
    port: Annotated[int, typer.Option("--port", metavar="PORT", help="The port; 0 for any that is free.")] = 8750,
    listen: Annotated[
        str,
        typer.Option("--listen", metavar="ADDRESS", help="The address to listen on. Not loopback: TLS, or a proxy."),
    ] = "127.0.0.1",
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate", metavar="FILE", help="The certificate, with its chain (PEM).", show_default=False
        ),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option("--key", metavar="FILE", help="The certificate's private key (PEM).", show_default=False),
    ] = None,
    behind_proxy: Annotated[
        list[str] | None,
        typer.Option(
            "--behind-proxy",
            metavar="ADDRESS",
            help="A proxy in front does TLS; only from this address (or network) are requests taken. Repeatable.",
            show_default=False,
        ),
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOST",
            help="A name by which browsers come here, beside those in the certificate. Repeatable.",
            show_default=False,
        ),
    ] = None,
    openid: Annotated[
        Path | None,
        typer.Option(
            "--openid", metavar="FILE", help="Sign-in through OpenID Connect: its settings (TOML).", show_default=False
        ),
    ] = None,
    link: Annotated[
        bool,
        typer.Option("--link", help="Make a link that signs --by in once, also where there are accounts."),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the address as one line of JSON.")] = False,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
) -> None:
    """Serve the pages until stopped.

    As long as nobody has an account and only this machine is served, a link is printed that signs in once.
    """
    from cli.pages.doors import Doors
    from cli.pages.shell import Site, application
    from ledger.store import open_ledger

    def clock() -> datetime:
        return datetime.now(UTC)

    where, proxies = where_of(ledger), _networks(behind_proxy or [])
    is_loopback = _is_loopback(listen)
    tls = _checked_tls(certificate, key)
    if not is_loopback and tls is None and not proxies:
        raise WrongInput(
            f"Without encryption the pages are served to this machine only, and {listen} is not only this machine.",
            "Give --certificate and --key, or name the proxy that does TLS in front with --behind-proxy ADDRESS.",
        )
    if tls is not None and proxies:
        raise WrongInput("A certificate and a proxy that does TLS do not go together.", "Leave one of them out.")
    with opened(ledger) as found:
        wants_link = link or (is_loopback and not proxies and not _has_accounts(found))
        account = _whoever_opens_the_link(found, by) if wants_link else None
        if account is None and not _has_accounts(found):
            raise WrongInput(
                "Nobody could sign in: there is no account yet.",
                "Make one with `access-ledger account add PERSON --role administers`, or a link that works once with "
                "--link.",
            )
        epoch = None if account is None else _epoch_of(found, account.person)
        day = day_from(today, "--today") if today else _demo_day(found)
        _check_writable(found, by)
    settings = None
    if openid is not None:
        from cli.pages.openid import OpenId, Settings

        settings = OpenId(Settings.from_file(openid), clock)
    doors = Doors(clock, openid=settings)
    hosts = _names(listen, name or [], certificate, bool(proxies))
    site = Site(lambda: open_ledger(where), doors, day=day, hosts=hosts, proxies=proxies)
    with _bound(listen, port) as sock:
        scheme, host = "http" if tls is None else "https", _host_to_open(listen, hosts, is_loopback)
        address = f"{scheme}://{host}:{sock.getsockname()[1]}"
        path = None if account is None else doors.one_time_link(account, epoch=epoch)
        server = _server(application(site), certificate, key)
        # From before the address is told: a signal that came as an exception could be lost while things are begun.
        before = {one: signal.signal(one, server.handle_exit) for one in (signal.SIGINT, signal.SIGTERM)}
        try:
            if as_json:
                told = {"format": 1, "address": address, "link": path and address + path, "process": os.getpid()}
                say.out(say.json_text(told, one_line=True))
            else:
                _tell(address, path, account, bool(proxies))
            sys.stdout.flush()  # A script waits for the address, and we do not end.
            server.run([sock])
        finally:
            site.close()
            for one, handler in before.items():
                signal.signal(one, handler)
    if not as_json:
        say.aside("Stopped.")


def _server(app: Starlette, certificate: Path | None, key: Path | None) -> uvicorn.Server:
    import uvicorn

    from cli.pages.connections import MOST, BoundedConnection

    return uvicorn.Server(
        uvicorn.Config(
            app,
            http=BoundedConnection,
            ws="none",
            lifespan="off",
            ssl_certfile=certificate,
            ssl_keyfile=key,
            limit_concurrency=MOST,
            timeout_graceful_shutdown=10,
            # Whose word counts about addresses and TLS is decided in `cli.pages.guarding`.
            proxy_headers=False,
            log_level="warning",
            access_log=False,
            server_header=False,
        )
    )


def _tell(address: str, path: str | None, account: Account | None, behind: bool) -> None:
    if path is not None and account is not None:
        say.out(f"Open {address}{path}")
        say.out(f"The link signs {account.person} in, once, within a quarter of an hour. Stop with Ctrl-C.")
    elif behind:
        say.out(f"Waiting for the proxy at {address}. Stop with Ctrl-C.")
    else:
        say.out(f"Open {address}")
        say.out("Stop with Ctrl-C.")


# --- Who ----------------------------------------------------------------------------------------------------------


def _has_accounts(ledger: Ledger) -> bool:
    from ledger.store.accounts import Accounts

    return Accounts(ledger).there_are_any()


def _epoch_of(ledger: Ledger, person: str) -> int | None:
    from ledger.store.accounts import Accounts

    found = Accounts(ledger).find(person)
    if found is not None and not found.is_open:
        raise WrongInput("The account of that person is closed.", "`access-ledger account change --reopen` opens it.")
    return None if found is None else found.epoch


def _whoever_opens_the_link(ledger: Ledger, by: str | None) -> Account:
    """--by; where nobody was named, the demonstration's nurse, or the only person whom the ledger knows."""
    from cli.pages.rights import Account, Role

    if by is None:
        people = ledger.who.people()
        if _demo_day(ledger) is not None:
            by = DEMO_PERSON
        elif len(people) == 1:
            by = people[0].id
    person = ledger.who.person(person_of(ledger, by))
    assert person is not None
    return Account(person=person.id, name=person.name, roles=frozenset(Role))


def _demo_day(ledger: Ledger) -> date | None:
    row = ledger.db.execute("SELECT value FROM meta WHERE key=?", ("demo_today",)).fetchone()
    return None if row is None else date.fromisoformat(row[0])


def _check_writable(ledger: Ledger, by: str | None) -> None:
    """That the pages were opened goes on record; where that cannot be written, no look could be."""
    from cli.main import reference_of
    from ledger.store.upkeep import note

    try:
        note(ledger, "pages served", person=by)
    except Exception as wrong:
        raise WrongInput(
            (
                wrong.problem
                if isinstance(wrong, LedgerError)
                else f"The audit cannot be written ({reference_of(wrong)})."
            )
            + " Every look at a patient is put on record there, so nothing is served.",
            wrong.remedy if isinstance(wrong, LedgerError) else "Check who owns the ledger's file and its folder.",
        ) from None


# --- Where --------------------------------------------------------------------------------------------------------


def _is_loopback(listen: str) -> bool:
    if listen == "localhost":
        return True
    try:
        return ipaddress.ip_address(listen).is_loopback
    except ValueError:
        raise WrongInput(
            f"{listen[:60]!r} is not an address to listen on.",
            "Give an address of this machine, such as 127.0.0.1 or 0.0.0.0; names for browsers go into --name.",
        ) from None


def _networks(proxies: list[str]) -> list[str]:
    try:
        return [str(ipaddress.ip_network(one.strip())) for text in proxies for one in text.split(",")]
    except ValueError:
        raise WrongInput(
            "What --behind-proxy names is not an address.",
            "Give the address that the proxy comes from, such as 10.0.0.5, or its network, such as 10.0.0.0/28.",
        ) from None


def _bound(listen: str, port: int) -> socket.socket:
    """A socket at this address. Raises WrongInput when it is taken or not ours."""
    family = socket.AF_INET6 if ":" in listen else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((listen, port))
        sock.listen(128)
    except (OSError, OverflowError) as failed:
        sock.close()
        if isinstance(failed, PermissionError):
            problem = f"You may not listen on port {port}."
            remedy = "Take a port above 1023, or let a proxy stand in front."
        elif getattr(failed, "errno", None) == 98 or "in use" in str(failed):
            problem = f"Port {port} at {listen} is taken by another program."
            remedy = "Stop that program, or take another port with --port; 0 takes any that is free."
        else:
            problem = f"It is not possible to listen on {listen}, port {port}."
            remedy = "Give an address of this machine, and a port up to 65535."
        raise WrongInput(problem, remedy) from None
    return sock


def _checked_tls(certificate: Path | None, key: Path | None) -> ssl.SSLContext | None:
    """That certificate and key can be read and belong together. Raises WrongInput."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise WrongInput("A certificate needs its key, and a key its certificate.", "Give --certificate and --key.")
    for file in (certificate, key):
        try:
            with file.open("rb"):
                pass
        except OSError:
            raise WrongInput(
                f"{file} cannot be read.", "Check that it is there, and that whoever runs this may read it."
            ) from None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # A key with a passphrase would make a server ask when nobody is there.
        context.load_cert_chain(certificate, key, password=lambda: b"")
    except (ssl.SSLError, OSError, ValueError):
        raise WrongInput(
            f"{certificate} and {key} are not a certificate and its key.",
            "Give PEM files that belong together; the key without a passphrase, readable by this user only.",
        ) from None
    _warn_when_it_ends(certificate)
    return context


def _warn_when_it_ends(certificate: Path) -> None:
    from cryptography import x509

    ends = x509.load_pem_x509_certificates(certificate.read_bytes())[0].not_valid_after_utc
    left = (ends - datetime.now(UTC)).days
    if left < 14:
        say.aside(f"The certificate {'ended' if left < 0 else 'ends'} on {ends:%d %B %Y}. Put a new one in its place.")


def _names(listen: str, given: list[str], certificate: Path | None, behind: bool) -> list[str]:
    """The names that the pages answer to: this machine's for itself, the certificate's, the address, those given."""
    from cli.pages.guarding import LOOPBACK

    names = [] if behind else list(LOOPBACK)
    names += given
    if certificate is not None:
        from cryptography import x509

        first = x509.load_pem_x509_certificates(certificate.read_bytes())[0]
        try:
            told = first.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        except x509.ExtensionNotFound:
            told = None
        if told is not None:
            names += told.get_values_for_type(x509.DNSName)
            names += [_bracketed(str(one)) for one in told.get_values_for_type(x509.IPAddress)]
    if listen != "localhost" and not ipaddress.ip_address(listen).is_unspecified:
        names.append(_bracketed(listen))
    if not given and behind:
        raise WrongInput(
            "Behind a proxy the pages have to know by which name browsers come.",
            "Give it with --name, for example --name access.hospital.example; the proxy passes it on as Host.",
        )
    return list(dict.fromkeys(one.lower() for one in names))


def _bracketed(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def _host_to_open(listen: str, hosts: list[str], is_loopback: bool) -> str:
    """What to write into the address line of a browser."""
    from cli.pages.guarding import LOOPBACK

    if is_loopback:
        return _bracketed(listen)
    own = [host for host in hosts if host not in LOOPBACK and "*" not in host]
    return own[0] if own else _bracketed(listen)
