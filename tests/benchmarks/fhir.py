"""FHIR resources written: ours against a bare `orjson.dumps` of the same dicts, and against `fhir.resources`.

Written means: the resources of one history, derived before, as the bytes that leave, decimals in the digits that were
said. The bare peer writes the same dicts with floats in the place of decimals, which loses digits. The other peer
validates each and writes it through its model, as a sender without a mapping of its own would. The third row has no
limit: it says what deriving costs besides, from the history on.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from typing import Any

import orjson

from fhir_mapping.elements import written
from fhir_mapping.resources import resources_of
from fhir_mapping.site import Site
from tests.benchmarks import Ratio, interleaved
from tests.examples import EXAMPLES, words
from tests.lives import PATIENT, a_history

SITE = Site(namespace="https://invented.example/access-ledger")


def run(scale: float) -> Iterable[Ratio]:
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))
    resources = resources_of(history, PATIENT, SITE, words)
    bare = [orjson.loads(written(one)) for one in resources]
    models = [
        getattr(import_module(f"fhir.resources.R4B.{one['resourceType'].lower()}"), one["resourceType"]) for one in bare
    ]
    n = len(resources)
    times = max(1, int(20 * scale))

    def ours(_: int) -> None:
        for one in resources:
            written(one)

    def orjson_alone(_: int) -> None:
        for one in bare:
            orjson.dumps(one)

    def through_models(_: int) -> None:
        for model, one in zip(models, bare, strict=True):
            model.model_validate(one).model_dump_json()

    def derived(_: int) -> None:
        for one in resources_of(history, PATIENT, SITE, words):
            written(one)

    yield _ratio("FHIR resources written", *interleaved(ours, orjson_alone, times), n, 0.5, "dict + orjson")
    yield _ratio("FHIR resources written", *interleaved(ours, through_models, times), n, 30.0, "fhir.resources")
    yield _ratio(
        "FHIR resources derived and written", *interleaved(derived, through_models, times), n, None, "fhir.resources"
    )


def _ratio(name: str, ours: float, peer: float, n: int, wanted: float | None, peer_name: str) -> Ratio:
    made: dict[str, Any] = {"name": f"{name}, against {peer_name}", "peer_name": peer_name, "wanted": wanted}
    return Ratio(ours=ours / n, peer=peer / n, unit="µs", n=n, **made)
