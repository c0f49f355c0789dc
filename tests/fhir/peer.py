"""A real FHIR R4 server beside the tests: the folder of one, named by ACCESS_LEDGER_FHIR_PEER.

It holds `server.mjs` (Node 20 or newer) and `install.sh`. Each test gets a server of its own on loopback, which ends
with the test. Where the folder is not named, or Node or its packages cannot be had, the tests are skipped and say so.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest


@dataclass
class Peer:
    """A running server, and its controls."""

    port: int
    process: subprocess.Popen[bytes]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/fhir"

    def control(self, what: str, body: Any = None) -> bytes:
        data = None if body is None else json.dumps(body).encode()
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/__ctl/{what}", data=data, timeout=30) as got:
            return got.read()

    def faults(self, **faults: int) -> None:
        """What goes wrong with the next writes: `503=2`, `drop=1`, `trunc=1`, `html=1` …"""
        self.control("faults", {name.removeprefix("status_"): count for name, count in faults.items()})

    def held(self, kind: str | None = None) -> list[dict[str, Any]]:
        """What the server holds."""
        found = [json.loads(line) for line in self.control("dump").decode().splitlines() if line]
        return [one for one in found if kind is None or one["resourceType"] == kind]

    def asked(self) -> list[dict[str, Any]]:
        """What the server was asked."""
        found: list[dict[str, Any]] = json.loads(self.control("log"))
        return found

    def writes(self) -> int:
        return sum(1 for one in self.asked() if one["method"] in ("POST", "PUT"))

    def put(self, resource: dict[str, Any]) -> None:
        """Puts something on the server behind everybody's back."""
        request = urllib.request.Request(
            f"{self.url}/{resource['resourceType']}/{resource['id']}",
            data=json.dumps(resource).encode(),
            method="PUT",
            headers={"Content-Type": "application/fhir+json"},
        )
        with urllib.request.urlopen(request, timeout=30):
            pass


@lru_cache(maxsize=1)
def folder() -> Path:
    """The folder of the server. Skips the test, with the reason, where it cannot be run."""
    named = os.environ.get("ACCESS_LEDGER_FHIR_PEER")
    if not named or not (Path(named) / "server.mjs").is_file():
        pytest.skip("no FHIR server to send to: ACCESS_LEDGER_FHIR_PEER names none")
    if shutil.which("node") is None:
        pytest.skip("no Node to run the FHIR server with")
    packages = Path(os.environ.get("FHIR_PEERS") or Path.home() / ".cache" / "fhirpeers")
    if not (packages / "node" / "node_modules").is_dir():
        got = subprocess.run(["sh", str(Path(named) / "install.sh")], capture_output=True, timeout=600, check=False)
        if got.returncode:
            pytest.skip(f"the packages of the FHIR server cannot be installed: npm ended with {got.returncode}")
    return Path(named)


@contextmanager
def running(**environment: str) -> Iterator[Peer]:
    """A server of its own, on a free port of loopback."""
    place = folder()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        ["node", str(place / "server.mjs"), str(port)],
        env={**os.environ, **environment},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    peer = Peer(port, process)
    try:
        for _ in range(150):
            try:
                peer.control("log")
                break
            except OSError:
                assert process.poll() is None, "the FHIR server ended at once"
                time.sleep(0.2)
        yield peer
    finally:
        process.terminate()
        process.wait(timeout=20)
