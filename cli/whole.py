"""Is what runs one whole: three packages from one place and of one version?

Their names are common words. Another installed package called `ledger`, or a folder of
that name where the command is run, would be imported instead of ours and half work.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from importlib import import_module
from types import ModuleType

from ledger.errors import LedgerError

PACKAGES = ("ledger", "fhir_mapping", "cli")


class NotWhole(LedgerError):
    """What is installed here is not one application."""


def check_whole(packages: Iterable[str] = PACKAGES) -> None:
    """Raises NotWhole when the packages do not come from one folder, or do not all say the same version."""
    found = [_found(name) for name in packages]
    places = {_place_of(module) for module in found}
    versions = {getattr(module, "__version__", None) for module in found}
    if len(places) > 1:
        listed = ", ".join(f"{module.__name__} in {_place_of(module)}" for module in found)
        raise NotWhole(
            f"The parts of access-ledger come from different places: {listed}.",
            "Install access-ledger in an environment of its own, and do not start it from a folder that holds "
            "packages of these names.",
        )
    if len(versions) > 1 or None in versions:
        listed = ", ".join(f"{module.__name__} {getattr(module, '__version__', 'unknown')}" for module in found)
        raise NotWhole(
            f"The parts of access-ledger are of different versions: {listed}.",
            "Install access-ledger anew, in an environment of its own.",
        )


def version() -> str:
    """The version of this application."""
    return str(import_module("ledger").__version__)


def _found(name: str) -> ModuleType:
    try:
        return import_module(name)
    except ImportError:
        raise NotWhole(
            f"A part of access-ledger, {name}, is missing.",
            "Install access-ledger anew, in an environment of its own.",
        ) from None


def _place_of(module: ModuleType) -> str:
    where = module.__file__
    return os.path.dirname(os.path.dirname(os.path.realpath(where))) if where else "an unknown place"
