"""What is installed is what is here: every package and data file is taken along, tests and fixtures stay."""

from __future__ import annotations

import tomllib
from fnmatch import fnmatch
from pathlib import Path

ROOT = Path(__file__).parent.parent
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
PACKAGES: list[str] = SETTINGS["tool"]["setuptools"]["packages"]
DATA: dict[str, list[str]] = SETTINGS["tool"]["setuptools"]["package-data"]


def test_every_package_is_named_one_by_one() -> None:
    there = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for top in ("ledger", "fhir_mapping", "cli")
        for path in (ROOT / top).rglob("*.py")
    }

    assert set(PACKAGES) == there


def test_every_data_file_is_taken_along() -> None:
    left_behind = []
    for top in ("ledger", "fhir_mapping", "cli"):
        for path in sorted((ROOT / top).rglob("*")):
            if path.is_file() and path.suffix != ".py" and "__pycache__" not in path.parts and not _is_taken(path):
                left_behind.append(str(path.relative_to(ROOT)))

    assert left_behind == []


def _is_taken(path: Path) -> bool:
    """Whether the nearest package's patterns, or those for all packages, name the file."""
    package = path.parent
    while ".".join(package.relative_to(ROOT).parts) not in PACKAGES:
        package = package.parent
    inside = path.relative_to(package)
    patterns = [*DATA["*"], *DATA.get(".".join(package.relative_to(ROOT).parts), [])]
    # A pattern without a folder is for files of the package itself.
    return any(fnmatch(str(inside), one) and one.count("/") == len(inside.parts) - 1 for one in patterns)


def test_the_three_packages_say_one_version() -> None:
    import cli
    import fhir_mapping
    import ledger

    versions = {ledger.__version__, fhir_mapping.__version__, cli.__version__, SETTINGS["project"]["version"]}

    assert len(versions) == 1
