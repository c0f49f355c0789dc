"""The examples in the docstrings of all modules hold."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

WITH_EXAMPLES = [
    ".".join(file.relative_to(ROOT).with_suffix("").parts)
    for package in ("ledger", "fhir_mapping", "cli")
    for file in sorted((ROOT / package).rglob("*.py"))
    if ">>> " in file.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_of_a_module_hold(name: str) -> None:
    found = doctest.testmod(importlib.import_module(name))

    assert found.attempted > 0
    assert found.failed == 0


def test_modules_with_examples_are_found() -> None:
    assert {"ledger.dates", "ledger.store.finding", "cli.pages.chairside"} <= set(WITH_EXAMPLES)
