"""The table of codes, and the check digits that guard it.

Check values: SNOMED CT ids and LOINC codes published in the value sets named in `codes.tsv`; the two wrong ids were
met on public lists and fail the check digit.
"""

from __future__ import annotations

from dataclasses import replace

import orjson
import pytest

from fhir_mapping.checks import TARGETS
from fhir_mapping.codes import LOINC, SNOMED, code_table, has_right_check_digit
from fhir_mapping.definitions import FILES, file_text
from fhir_mapping.elements import UNITS, unit_of
from fhir_mapping.resources import resources_of
from fhir_mapping.site import Site
from ledger.errors import WrongInput
from ledger.events import KINDS
from tests.examples import words
from tests.fhir.validators import core_package
from tests.lives import PATIENT, a_history, happening

SITE = Site(namespace="https://invented.example/access-ledger")


@pytest.mark.parametrize("code", ["79827002", "233468004", "387713003", "419161000", "51440002", "736922008"])
def test_a_snomed_code_with_its_right_check_digit_passes(code):
    assert has_right_check_digit(SNOMED, code)


@pytest.mark.parametrize("code", ["272248001", "24765003", "285011000000000", "79827020", "7982700A", "", "12345"])
def test_a_snomed_code_that_cannot_exist_is_caught(code):
    assert not has_right_check_digit(SNOMED, code)


def test_every_wrong_last_digit_and_every_swap_of_neighbours_is_caught():
    # Verhoeff's scheme catches all single errors and all transpositions of neighbours (J. Verhoeff, 1969).
    code = "79827002"

    single = [code[:-1] + digit for digit in "0123456789" if digit != code[-1]]
    swapped = [code[:i] + code[i + 1] + code[i] + code[i + 2 :] for i in range(len(code) - 1) if code[i] != code[i + 1]]

    assert not any(has_right_check_digit(SNOMED, wrong) for wrong in single + swapped)


@pytest.mark.parametrize("code", ["11504-8", "28573-4", "70966-7", "72044-1", "71538-3", "10219-4"])
def test_a_loinc_code_passes(code):
    assert has_right_check_digit(LOINC, code)
    number, _, check = code.rpartition("-")
    assert not has_right_check_digit(LOINC, f"{number}-{(int(check) + 1) % 10}")


def test_every_shipped_line_is_verified_and_says_where_it_was_seen():
    assert all(line.verified and line.source for line in code_table())


def test_a_site_replaces_adds_and_leaves_out(tmp_path):
    own = tmp_path / "codes.tsv"
    own.write_text(
        "use\tsystem\tcode\tdisplay\tsource\tverified\n"
        "# our own\n"
        "procedure/angioplasty\thttps://invented.example/codes\tPTA-1\tInvented angioplasty\tour catalogue\tyes\n"
        "procedure/revision/graft\thttps://invented.example/codes\tREV\tInvented revision\tour catalogue\tno\n"
    )

    table = code_table(own)

    assert [line.code for line in table.codings("procedure/angioplasty")] == ["PTA-1"]
    assert [line.code for line in table.codings("procedure/revision/graft")] == ["225892009"]
    site = replace(SITE, codes=table)
    found = resources_of(a_history(happening("angioplasty", "2021", access="A1")), PATIENT, site, words)
    procedure = next(one for one in found if one["resourceType"] == "Procedure")
    codes = [c["code"] for c in procedure["code"]["coding"]]
    assert codes == ["PTA-1", "angioplasty"]


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("procedure/banding\thttp://snomed.info/sct\t272248001\tx\ty\tyes", "check digit"),
        ("procedure/banding\thttp://loinc.org\t11504-9\tx\ty\tyes", "check digit"),
        ("procedure/banding\thttp://snomed.info/sct\t\tx\ty\tyes", "empty"),
        ("procedure/banding\thttp://snomed.info/sct\t79827002\tx\ty\tmaybe", "verified"),
        ("procedure/banding\t79827002", "columns"),
    ],
)
def test_a_line_that_cannot_be_used_is_named_by_its_number(tmp_path, line, what):
    own = tmp_path / "codes.tsv"
    own.write_text(f"use\tsystem\tcode\tdisplay\tsource\tverified\n{line}\n")

    with pytest.raises(WrongInput) as raised:
        code_table(own)

    assert "Line 2" in raised.value.problem
    assert what in raised.value.problem


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(WrongInput):
        code_table(tmp_path / "missing.tsv")


@pytest.mark.parametrize("namespace", ["", "ledger", "https://a b", "urn:oid:1.02", "https://x|y"])
def test_a_namespace_that_is_no_absolute_uri_is_refused(namespace):
    with pytest.raises(WrongInput):
        Site(namespace=namespace)


@pytest.mark.parametrize("name", sorted(FILES))
def test_the_shipped_definitions_are_what_the_code_makes(name):
    from importlib import resources

    shipped = resources.files("fhir_mapping").joinpath(name).read_bytes()

    assert shipped == file_text(name), "write them anew: python -m fhir_mapping.definitions"


def test_hl7s_codes_have_the_displays_of_their_code_systems():
    # Check: the CodeSystem resources in the package of FHIR R4 4.0.1.
    systems = {}
    for file in (core_package() / "package").glob("CodeSystem-*.json"):
        one = orjson.loads(file.read_bytes())
        systems[one["url"]] = dict(concepts_of(one.get("concept", [])))

    checked = 0
    for line in code_table():
        if "hl7.org" in line.system and not line.use.startswith("r5/"):
            assert systems[line.system].get(line.code) == line.display, line.use
            checked += 1
    assert checked > 20


def concepts_of(concepts):
    for one in concepts:
        yield one["code"], one.get("display")
        yield from concepts_of(one.get("concept", []))


def test_our_reference_targets_are_among_those_of_the_standard():
    # Check: the targetProfiles in the StructureDefinitions of FHIR R4 4.0.1.
    for path, targets in TARGETS.items():
        kind = path.split(".")[0]
        definition = orjson.loads((core_package() / "package" / f"StructureDefinition-{kind}.json").read_bytes())
        element = next(one for one in definition["snapshot"]["element"] if one["path"] == path)
        allowed = {profile.rsplit("/", 1)[1] for one in element["type"] for profile in one.get("targetProfile", ())}
        if "*" in targets:
            assert "Resource" in allowed, path
        else:
            assert targets <= allowed or "Resource" in allowed, path


def test_every_quantity_of_every_kind_has_a_unit_or_is_known_to_have_none():
    from fhir_mapping.details import specs_of

    without = set()

    def walk(cls):
        for spec in specs_of(cls):
            if spec.shape == "measured" and unit_of(spec.name) is None:
                without.add(spec.name)
            if spec.nested is not None:
                walk(spec.nested)

    for kind in KINDS:
        if kind not in ("correction",):
            walk(KINDS[kind])

    # The ureas share any one unit; a dose has its unit beside it.
    assert without == {"urea_systemic", "urea_arterial", "urea_venous", "urea_before", "urea_after", "dose"}
    assert unit_of("flow_ml_min") == UNITS["ml_min"]
    assert unit_of("fluoroscopy_min") == UNITS["min"]
