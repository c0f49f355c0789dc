"""The settings file of the FHIR side: this site, and the servers that it sends to by name.

TOML, so that an engineer can read and change it by hand. Without a file, a ledger speaks under its own organisation's
UUID and sends nothing that was not asked for. A secret never stands in this file: it names an environment variable or
a file that holds one.

    [site]
    namespace = "https://unit.example/access-ledger"   # whose identifiers these are; never change it once sent
    assigner = "Invented Dialysis Unit"
    patient_system = "https://hospital.example/mrn"    # the number by which the receivers know patients
    attach_text = false                                # whether report texts and quotes may leave
    codes = "our-codes.tsv"                            # beside this file
    leave_out = ["http://snomed.info/sct"]             # code systems that are not sent

    [servers.hospital]
    url = "https://fhir.hospital.example/r4"

To add a setting, add a field to `Site` or `Server` and its line to `_SITE` or `_SERVER`.
"""

from __future__ import annotations

import json
import os
import tomllib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any
from uuid import UUID

from fhir_mapping.codes import code_table
from fhir_mapping.site import Site
from ledger.errors import NotFound, WrongInput

WAYS = ("auto", "transaction", "conditional-create", "plain-create")
AUTHENTICATIONS = ("none", "bearer", "smart")
RELEASES = ("R4", "R5")


@dataclass(frozen=True, kw_only=True)
class Server:
    """One server, by the name under which the ledger remembers what it was sent.

    `way` is how it is spoken to; `auto` asks its /metadata. `batch` is how many entries a transaction holds at most.
    `all_types` sends also what its statement does not name; `trusted` lets what it holds come in without confirmation.
    `token_file` or `token_env` hold a bearer token; for SMART Backend Services `client_id`, `key_file` (a private JWK
    or PEM), `algorithm`, `scope`, and `token_url` where it is not discovered. `patients` is a file that maps our
    patient ids to the server's addresses.
    """

    name: str
    url: str
    way: str = "auto"
    batch: int = 8
    create_patients: bool = False
    release: str = "R4"
    auth: str = "none"
    token_env: str | None = None
    token_file: str | None = None
    client_id: str | None = None
    key_file: str | None = None
    algorithm: str = "RS384"
    scope: str | None = None
    token_url: str | None = None
    ca_file: str | None = None
    patients: str | None = None
    timeout_s: float = 60.0
    trusted: bool = False
    all_types: bool = False


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What the settings file says, read for one ledger. `folder` is where relative paths in it begin."""

    site: Site
    servers: dict[str, Server] = field(default_factory=dict)
    file: Path | None = None

    def server(self, name: str) -> Server:
        """The server of this name. Raises NotFound."""
        found = self.servers.get(name)
        if found is None:
            there = ", ".join(sorted(self.servers)) or "none yet"
            raise NotFound(
                f"There is no server named {name[:40]!r} in the FHIR settings.",
                f"Servers there: {there}. Add one with `access-ledger fhir server add NAME URL`.",
            )
        return found

    def path(self, name: str) -> Path:
        """A path that the settings name: from their own folder, unless it is absolute."""
        base = self.file.parent if self.file is not None else Path.cwd()
        return base / Path(name).expanduser()


_SITE = {"namespace", "assigner", "patient_system", "attach_text", "codes", "leave_out"}


def settings_for(organisation: UUID, file: Path | None) -> Settings:
    """The settings of a ledger; without a file, or without a [site], those of its organisation. Raises WrongInput."""
    found = _read(file) if file is not None and file.exists() else {}
    unknown = set(found) - {"site", "servers"}
    if unknown:
        raise _wrong(f"has a part that nobody knows: {', '.join(sorted(unknown))[:60]}")
    said = found.get("site", {})
    _check_keys(said, _SITE, "[site]")
    own = said.get("codes")
    base = file.parent if file is not None else Path.cwd()
    site = Site(
        namespace=_text(said, "namespace", "[site]") or f"urn:uuid:{organisation}",
        assigner=_text(said, "assigner", "[site]"),
        patient_system=_text(said, "patient_system", "[site]"),
        attach_text=_truth(said, "attach_text", "[site]"),
        codes=code_table(base / str(own)) if own is not None else code_table(),
        systems_left_out=frozenset(str(one) for one in said.get("leave_out", ())),
    )
    servers = {name: _server(name, held) for name, held in found.get("servers", {}).items()}
    return Settings(site=site, servers=servers, file=file)


def _read(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as wrong:
        raise _wrong(f"is not TOML: {wrong}") from None
    except (OSError, UnicodeDecodeError):
        raise _wrong("cannot be read") from None


def _server(name: str, held: Any) -> Server:
    where = f"[servers.{name}]"
    if not isinstance(held, dict):
        raise _wrong(f"has {where} that is not a table")
    known = {one.name: one for one in fields(Server) if one.name != "name"}
    _check_keys(held, set(known), where)
    values: dict[str, Any] = {}
    for key, value in held.items():
        wanted = known[key].default
        if isinstance(wanted, bool):
            values[key] = _truth(held, key, where)
        elif isinstance(wanted, int | float) and not isinstance(wanted, bool):
            if not isinstance(value, int | float) or isinstance(value, bool) or value <= 0:
                raise _wrong(f"says {key} in {where} as something that is not a positive number")
            values[key] = type(wanted)(value)
        else:
            values[key] = _text(held, key, where)
    if not values.get("url"):
        raise _wrong(f"names no url in {where}")
    made = Server(name=name, **values)
    check_server(made)
    return made


def check_server(server: Server) -> None:
    """Raises WrongInput where what is said of a server cannot work."""
    where = f"[servers.{server.name}]"
    if not server.url.startswith(("https://", "http://")):
        raise _wrong(f"names a url in {where} that does not begin with https:// or http://")
    if "@" in server.url.split("/")[2]:
        raise _wrong(f"puts a password into the url of {where}")
    if not _is_local(server.url) and server.url.startswith("http://"):
        raise _wrong(f"names an unencrypted http:// server in {where} that is not on this machine")
    for what, value, allowed in (
        ("way", server.way, WAYS),
        ("auth", server.auth, AUTHENTICATIONS),
        ("release", server.release, RELEASES),
        ("algorithm", server.algorithm, ("RS384", "ES384")),
    ):
        if value not in allowed:
            raise _wrong(f"says {what} = {value[:20]!r} in {where}, which is none of {', '.join(allowed)}")
    if server.auth == "bearer" and not (server.token_env or server.token_file):
        raise _wrong(f"asks for a bearer token in {where} and says neither token_env nor token_file")
    if server.auth == "smart" and not (server.client_id and server.key_file):
        raise _wrong(f"asks for SMART Backend Services in {where} without client_id and key_file")


def _is_local(url: str) -> bool:
    host = url.split("/")[2].rsplit(":", 1)[0].strip("[]")
    return host in ("localhost", "::1") or host.startswith("127.")


def add_server(file: Path, server: Server) -> None:
    """Adds a server to the settings file, private to its owner. Raises WrongInput when the name is taken."""
    check_server(server)
    found = _read(file) if file.exists() else {}
    if server.name in found.get("servers", {}):
        raise WrongInput(
            f"There is a server named {server.name[:40]!r} already.",
            f"Change it in {file}, or choose another name; what it was sent is remembered under its name.",
        )
    lines = [f"[servers.{server.name}]"]
    for one in fields(Server):
        value = getattr(server, one.name)
        if one.name != "name" and value != one.default and value is not None:
            lines.append(f"{one.name} = {json.dumps(value)}")
    file.parent.mkdir(parents=True, exist_ok=True)
    before = file.read_text(encoding="utf-8").rstrip() + "\n\n" if file.exists() else ""
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(before + "\n".join(lines) + "\n")


def _check_keys(held: Any, known: set[str], where: str) -> None:
    if not isinstance(held, dict):
        raise _wrong(f"has {where} that is not a table")
    unknown = sorted(set(held) - known)
    if unknown:
        raise _wrong(f"says {', '.join(unknown)[:60]} in {where}, which nobody knows")


def _text(held: dict[str, Any], key: str, where: str) -> str | None:
    value = held.get(key)
    if value is not None and not isinstance(value, str):
        raise _wrong(f"says {key} in {where} as something that is not text")
    return value


def _truth(held: dict[str, Any], key: str, where: str) -> bool:
    value = held.get(key, False)
    if not isinstance(value, bool):
        raise _wrong(f"says {key} in {where} as something that is neither true nor false")
    return value


def _wrong(what: str) -> WrongInput:
    return WrongInput(
        f"The FHIR settings file {what}.",
        "Correct it; what may stand in it is shown by `access-ledger fhir settings`.",
    )
