"""Which access a text is about: kind, side and site, and what is left open where the text contradicts itself."""

from __future__ import annotations

import pytest

from ledger.reading import ReadAccess, read_report
from ledger.vocabulary import AccessKind, Artery, Configuration, Side, Site, Vein


def first(text: str) -> ReadAccess:
    return read_report(text).accesses[0]


def test_a_side_that_is_told_left_and_right_stays_open_with_a_doubt() -> None:
    reading = read_report(
        "PROCEDURE: Left upper arm AV fistula angioplasty.\n"
        "TECHNIQUE: The right brachiocephalic fistula was accessed. The stenosis was dilated with an 8 mm balloon.\n"
        "IMPRESSION: Successful angioplasty of right AV fistula."
    )

    (access,) = reading.accesses
    assert access.side is None
    assert access.doubts == ("the text says left in one place and right in another",)
    assert not any(one.plain for one in reading.proposed)


def test_the_other_arm_of_the_history_is_not_the_side() -> None:
    access = first(
        "INDICATION: Failed left radiocephalic fistula.\nPROCEDURE: Creation of right brachiocephalic AV fistula.\n"
        "The left arm was not touched."
    )

    assert (access.kind, access.side) == (AccessKind.FISTULA, Side.RIGHT)


def test_a_catheter_that_stays_does_not_give_a_fistula_its_side() -> None:
    access = first(
        "PROCEDURE: Angioplasty of AV fistula, left upper arm.\n"
        "He dialyzes by a right internal jugular tunneled dialysis catheter, which was left in place."
    )

    assert (access.kind, access.side, access.site) == (AccessKind.FISTULA, Side.LEFT, Site.UPPER_ARM)


def test_the_side_of_a_catheter_is_that_of_the_vein_that_was_entered() -> None:
    access = first(
        "PROCEDURE: Tunneled dialysis catheter placement.\n"
        "The right internal jugular vein was occluded. The left internal jugular vein was punctured and a 27 cm "
        "catheter was placed, exiting on the right chest wall."
    )

    assert (access.kind, access.side, access.vein) == (AccessKind.TUNNELLED, Side.LEFT, Vein.INTERNAL_JUGULAR)


@pytest.mark.parametrize(
    ("words", "kind", "site", "inflow", "outflow"),
    [
        ("left radiocephalic AV fistula", AccessKind.FISTULA, Site.FOREARM, Artery.RADIAL, Vein.CEPHALIC),
        ("left brachio-cephalic fistula", AccessKind.FISTULA, Site.UPPER_ARM, Artery.BRACHIAL, Vein.CEPHALIC),
        ("left BVT AVF", AccessKind.FISTULA, None, Artery.BRACHIAL, Vein.BASILIC),
        ("left snuffbox fistula", AccessKind.FISTULA, Site.SNUFFBOX, Artery.RADIAL, Vein.CEPHALIC),
        (
            "left brachial artery to axillary vein AV graft",
            AccessKind.GRAFT,
            Site.UPPER_ARM,
            Artery.BRACHIAL,
            Vein.AXILLARY,
        ),
        ("left thigh AV graft", AccessKind.GRAFT, Site.THIGH, None, None),
        ("left loop fistula graft", AccessKind.GRAFT, None, None, None),
        ("left PTFE bridge fistula", AccessKind.GRAFT, None, None, None),
    ],
)
def test_the_name_of_an_access_tells_its_vessels(
    words: str, kind: AccessKind, site: Site | None, inflow: Artery | None, outflow: Vein | None
) -> None:
    access = first(f"PROCEDURE: Thrombectomy of {words} for dialysis.")

    assert (access.kind, access.side) == (kind, Side.LEFT)
    assert (access.site, access.inflow, access.outflow) == (site, inflow, outflow)


def test_a_loop_is_a_loop() -> None:
    assert first("PROCEDURE: Thrombectomy of right forearm loop graft.").configuration is Configuration.LOOP


def test_the_access_operated_on_comes_first() -> None:
    reading = read_report(
        "HISTORY: Right IJ tunneled dialysis catheter. Left forearm graft lost.\n"
        "PROCEDURE: Banding of right brachiocephalic AV fistula."
    )

    assert [(one.kind, one.side) for one in reading.accesses] == [(AccessKind.FISTULA, Side.RIGHT)]


def test_two_accesses_that_were_operated_on_are_two() -> None:
    reading = read_report(
        "PROCEDURES: 1. Ligation of left AV graft. 2. Placement of right IJ tunneled dialysis catheter."
    )

    of = {one.ref: (one.kind, one.side) for one in reading.accesses}
    assert {one.kind: of[one.access or ""] for one in reading.proposed if one.kind != "visit"} == {
        "abandonment": (AccessKind.GRAFT, Side.LEFT),
        "catheter-placed": (AccessKind.TUNNELLED, Side.RIGHT),
    }


@pytest.mark.parametrize(
    "words",
    [
        "a 40-20 mm balloon",
        "20-20% stenosis",
        "stenosis 0-0 %",
        "balloon 7 x 0 mm",
        "999999 units heparin",
        "80%-20%-60%",
    ],
)
def test_odd_numbers_do_not_stop_the_reader(words: str) -> None:
    reading = read_report(f"PROCEDURE: Angioplasty of left AV fistula. FINDINGS: Cephalic arch stenosis, {words}.")

    assert [one.kind for one in reading.proposed][:1] == ["angioplasty"]
