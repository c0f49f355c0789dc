"""Planning: what was mapped and judged possible, vessels used up and left, the plan. All of it is invented."""

from __future__ import annotations

from datetime import date

import pytest

from ledger.events import Event
from ledger.projections.planning import Planning, VesselView, planning_of
from ledger.rounds.rules import load_rules
from ledger.vocabulary import Side, Vein
from tests.examples import m
from tests.lives import a_history, happening

THREE_MONTHS = '[[rule]]\nid = "mapping-age"\nmonths = 3\n'
MAPPED = happening(
    "vein-mapping",
    "2025-11-30",
    side="left",
    vessels=[
        {"vein": "cephalic", "segment": "forearm-mid", "diameter_mm": m("2.4"), "compressible": True},
        {"vein": "cephalic", "segment": "upper-arm-mid", "diameter_mm": m("3.6"), "compressible": True},
        {"artery": "brachial", "segment": "elbow", "diameter_mm": m("4.4")},
    ],
    suitable_for=[{"access_kind": "fistula", "side": "left", "site": "upper-arm", "outflow": "cephalic"}],
)


def on(day: str, *events: Event, site: str = "") -> Planning:
    rules = load_rules(site) if site else load_rules()
    return planning_of(a_history(*events), date.fromisoformat(day), rules)


def vessel(made: Planning, side: Side | None, vein: Vein, segment: str = "") -> VesselView:
    return next(one for one in made.vessels if (one.side, one.vein, one.segment) == (side, vein, segment))


@pytest.mark.parametrize(("day", "is_old"), [("2026-02-27", False), ("2026-02-28", True)])
def test_a_mapping_is_old_from_the_day_of_the_sites_limit_also_at_the_end_of_a_month(day: str, is_old: bool) -> None:
    made = on(day, MAPPED, site=THREE_MONTHS)

    assert [one.old for one in made.mappings] == [is_old]
    assert {one.old for one in made.mapped} == {is_old}
    assert {one.old for one in made.possible} == {is_old}
    assert ("old since 28 February 2026" in made.mappings[0].age) is is_old


def test_without_a_limit_of_the_site_its_age_is_told_and_no_more() -> None:
    (found,) = on("2029-01-01", MAPPED).mappings

    assert not found.old
    assert "1128 days old; no limit is set here" in found.age


def test_vessels_are_mapped_by_segment_and_a_newer_look_takes_the_place_of_an_older() -> None:
    again = happening(
        "vein-mapping",
        "2026-01-30",
        vessels=[{"side": "left", "vein": "cephalic", "segment": "upper-arm-mid", "diameter_mm": m("4.0")}],
    )
    made = on("2026-02-01", MAPPED, again)

    assert sorted((one.vessel, str(one.segment), one.day) for one in made.mapped) == [
        ("brachial", "elbow", "2025-11-30"),
        ("cephalic", "forearm-mid", "2025-11-30"),
        ("cephalic", "upper-arm-mid", "2026-01-30"),
    ]


def test_a_vein_is_in_use_used_up_held_a_line_or_nothing_is_recorded_of_it() -> None:
    events = (
        happening("creation", "2023-02-01", access="A1", access_kind="fistula", side="left", site="wrist",
                  inflow="radial", outflow="cephalic"),
        happening("abandonment", "2024-03-01", access="A1", how="given-up", reason="thrombosis"),
        happening("creation", "2024-05-01", access="A2", access_kind="fistula", side="left", site="upper-arm",
                  inflow="brachial", outflow="cephalic"),
        happening("catheter-placed", "2024-03-02", access="C1", access_kind="tunnelled-catheter",
                  vein="internal-jugular", side="right"),
        happening("catheter-removed", "2024-09-02", access="C1"),
    )  # fmt: skip
    made = on("2026-02-01", *events, MAPPED)

    forearm = vessel(made, Side.LEFT, Vein.CEPHALIC, "forearm")
    upper = vessel(made, Side.LEFT, Vein.CEPHALIC, "upper-arm")
    neck = vessel(made, Side.RIGHT, Vein.INTERNAL_JUGULAR)
    untouched = vessel(made, Side.RIGHT, Vein.BASILIC, "forearm")
    assert (forearm.state, upper.state, neck.state, untouched.state) == (
        "used-up",
        "in-use",
        "held-a-line",
        "nothing-recorded",
    )
    assert [one.is_left for one in (forearm, upper, neck, untouched)] == [False, False, True, True]
    assert "given up" in forearm.told[0]
    assert any("mapped 30 November 2025" in words for words in forearm.told)


def test_a_narrowing_of_a_deep_vein_and_a_lead_are_told_beside_it() -> None:
    events = (
        happening("creation", "2024-05-01", access="A2", access_kind="graft", side="left"),
        happening(
            "angiogram",
            "2025-05-01",
            access="A2",
            lesions=[{"lesion": "L1", "place": "brachiocephalic-vein", "side": "left", "stenosis_percent": m("70")}],
        ),
        happening(
            "background",
            "2025-06-01",
            items=[{"what": "cardiac-lead", "side": "right", "vein": "subclavian", "since": "2018"}],
        ),
    )
    made = on("2026-02-01", *events)

    assert vessel(made, Side.LEFT, Vein.BRACHIOCEPHALIC).state == "narrowed"
    assert vessel(made, Side.RIGHT, Vein.BRACHIOCEPHALIC).state == "nothing-recorded"
    assert "cardiac lead" in vessel(made, Side.RIGHT, Vein.SUBCLAVIAN).told[0]


def test_both_arms_chest_and_legs_are_listed_also_where_nothing_is_recorded() -> None:
    made = on("2026-02-01", happening("care-began", "2026-01-01"))

    assert list(made.by_region()) == [
        "RIGHT arm",
        "LEFT arm",
        "RIGHT chest and neck",
        "LEFT chest and neck",
        "great veins",
        "RIGHT leg",
        "LEFT leg",
    ]
    assert {one.state for one in made.vessels} == {"nothing-recorded"}


def test_the_life_plan_is_told_with_its_parts_and_what_nobody_said() -> None:
    plan = happening(
        "life-plan-reviewed",
        "2025-02-01",
        next_access="fistula",
        next_side="left",
        next_site="upper-arm",
        contingency="tunnelled-catheter",
        contingency_vein="internal-jugular",
        contingency_side="right",
        vessels_to_spare=["basilic"],
        arm_to_spare="right",
    )
    made = on("2026-01-31", plan)
    parts = {part.key: part.words for part in made.plan.parts} if made.plan is not None else {}

    assert parts["next-access"] == "LEFT upper-arm fistula"
    assert parts["if-it-fails"] == "RIGHT tunnelled catheter by the internal jugular vein"
    assert parts["to-spare"] == "basilic and the RIGHT arm"
    assert parts["next-way"] == "not recorded"
    assert made.plan is not None
    assert not made.plan.old
    assert vessel(made, Side.RIGHT, Vein.CEPHALIC, "forearm").spare == "arm to be spared, plan of 1 February 2025"
    assert vessel(made, Side.LEFT, Vein.BASILIC, "forearm").spare == ""
    later = on("2026-02-01", plan).plan
    assert later is not None
    assert later.old


def test_what_is_planned_and_decided_stands_beside_the_vessels() -> None:
    planned = happening("access-planned", "2026-01-05", access="A9", access_kind="graft", side="right")
    decided = happening("decision", "2026-01-06", what="declines-fistula", by_patient=True)
    made = on("2026-02-01", planned, decided)

    assert "Planned: RIGHT graft" in made.planned[0]
    assert "declines" in made.decisions[0].words
    assert made.accesses == ()


def test_an_arm_that_is_not_to_be_used_is_told_beside_each_of_its_veins_and_of_no_other() -> None:
    told = happening("background", "2026-01-05", items=[{"what": "arm-not-to-use", "side": "left"}])
    made = on("2026-02-01", told)

    assert {one.spare for one in made.by_region()["LEFT arm"]} == {"arm not to use, as told on 5 January 2026"}
    assert {one.spare for region, those in made.by_region().items() if region != "LEFT arm" for one in those} == {""}
