"""The pages, files and lists that are made from the code, and what a receiver needs to know of us."""

from __future__ import annotations

from importlib import resources

from fhir_mapping.checks import TARGETS
from fhir_mapping.definitions import capability_statement, code_systems, structure_definitions
from fhir_mapping.mapping_page import mapping_page, mapping_rows
from fhir_mapping.resources import primary_type
from ledger.events import FACT_KINDS
from tests.examples import EXAMPLES
from tests.fhir.validators import independent_errors


def test_the_shipped_page_is_what_the_code_makes():
    shipped = resources.files("fhir_mapping").joinpath("MAPPING.md").read_text(encoding="utf-8")

    assert shipped == mapping_page(), "write it anew: python -m fhir_mapping.mapping_page"


def test_the_page_tells_of_every_kind_and_every_field():
    rows = {row.kind: row for row in mapping_rows()}

    assert set(rows) == FACT_KINDS
    for kind, examples in EXAMPLES.items():
        for example in examples:
            assert primary_type(example) in rows[kind].primary
            assert {name for name, _ in rows[kind].homes} == {
                name for name in vars(example) if name not in ("kind", "happened", "note")
            }


def test_the_page_says_where_a_word_decides():
    rows = {row.kind: row for row in mapping_rows()}

    assert rows["abandonment"].primary == ("Observation", "Procedure")
    assert rows["instruction"].primary == ("Flag", "ServiceRequest")
    assert "Observation `…/lesion/N`" in rows["angioplasty"].parts
    assert ("stenosis" in "".join(name for name, _ in rows["angioplasty"].homes)) is False


def test_our_definitions_are_valid_resources_themselves():
    # The validator counts elements of repeating parents together, so each type stands before it alone.
    whole = capability_statement()
    rest = whole["rest"][0]
    alone = [
        {**whole, "rest": [{**rest, "resource": [{**one, "interaction": one["interaction"][:1]}]}]}
        for one in rest["resource"]
    ]

    assert independent_errors([*alone, *code_systems()]) == []
    assert independent_errors(structure_definitions()) == []


def test_the_capability_statement_names_every_type_that_is_sent():
    types = {one["type"] for one in capability_statement()["rest"][0]["resource"]}

    assert types == {path.split(".")[0] for path in TARGETS} | {"Patient"}
