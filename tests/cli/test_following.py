"""Maturation, infections and planning at the terminal and for scripts."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import NAME, Desk


@pytest.fixture
def followed(desk: Desk) -> Desk:
    """A catheter with an infection, a fistula on its way beside it, a mapping and a plan."""
    desk.ok(
        "record catheter-placed P0001 --happened 2024-01-02 --access-kind tunnelled-catheter --access C1 "
        "--vein internal-jugular --side right"
    )
    desk.ok("record vein-mapping P0001 --happened 2024-01-10 --side left")
    desk.ok("record life-plan-reviewed P0001 --happened 2024-01-15 --next-access fistula --next-side left")
    desk.ok(
        "record creation P0001 --happened 2024-02-01 --access-kind fistula --access A1 --side left --site upper-arm "
        "--inflow brachial --outflow cephalic"
    )
    desk.ok("record infection P0001 --happened 2024-02-20 --access C1 --infection-class bloodstream")
    desk.ok("record culture P0001 --happened 2024-02-20 --access C1 --positive --specimen catheter-hub")
    return desk


def test_maturation_shows_steps_checks_and_rules_and_the_catheter_that_waits(followed: Desk) -> None:
    shown = followed.ok("maturation P0001 --today 2024-03-20").out
    told = followed.ok("maturation P0001 --today 2024-03-20 --json").json

    assert f"P0001 {NAME}: new accesses" in shown
    assert "By each rule, none preferred:" in shown
    assert "78 days with a catheter in all" in shown
    assert max(map(len, shown.splitlines())) <= 100
    assert told["format"] == 1
    assert [check["state"] for check in told["accesses"][0]["checks"]] == ["due", "over"]
    assert told["catheters"][0]["days_in_body"] == 78


def test_infections_are_told_by_class_with_their_cultures(followed: Desk) -> None:
    shown = followed.ok("infections P0001 --today 2024-03-20").out
    told = followed.ok("infections P0001 --today 2024-03-20 --json").json

    assert "Bloodstream" in shown
    assert "not tied to it by an entry" in " ".join(shown.split())
    assert "no clearance culture recorded" in shown
    assert told["infections"][0]["clearance"] == "no clearance culture recorded"


def test_no_infection_recorded_is_not_called_none(with_fistula: Desk) -> None:
    assert "that is not the same as none" in with_fistula.ok("infections P0001 --today 2025-01-20").out


def test_planning_lists_both_arms_chest_and_legs_with_the_plan(followed: Desk) -> None:
    shown = followed.ok("planning P0001 --today 2024-03-20").out
    told = followed.ok("planning P0001 --today 2024-03-20 --json").json

    for heading in ("Life plan", "Vein mapping", "RIGHT arm", "LEFT arm", "great veins", "LEFT leg", "Vein book"):
        assert heading in shown
    assert "upper-arm cephalic: in use" in shown
    assert max(map(len, shown.splitlines())) <= 100
    assert told["vein_book"]["occupants"][0]["vein"] == "internal-jugular"


def test_a_mapping_is_old_by_the_rules_of_the_site(followed: Desk, tmp_path: Path) -> None:
    ours = tmp_path / "rules.toml"
    ours.write_text('[[rule]]\nid = "mapping-age"\nmonths = 2\n')

    assert "old since 10 March 2024" in followed.ok("planning P0001 --today 2024-03-20 --rules", ours).out
    assert "no limit is set here" in followed.ok("planning P0001 --today 2024-03-20").out


def test_each_look_is_noted(followed: Desk) -> None:
    for command in ("maturation", "infections", "planning"):
        followed.ok(f"{command} P0001 --today 2024-03-20")

    noted = followed.ok("audit P0001 --json").json["lines"]
    assert {"maturation", "infections", "planning"} <= {line["did"] for line in noted}


def test_goals_stand_beside_the_units_numbers_with_their_sources(followed: Desk) -> None:
    shown = followed.ok("goals --unit U1 --to 2024-12-31").out
    told = followed.ok("goals --unit U1 --to 2024-12-31 --json").json

    assert "goal-fistula-thrombosis-2006 (2006)" in shown
    assert "no standard of care" in shown
    assert max(map(len, shown.splitlines())) <= 100
    assert told["period"] == {"first": "2023-12-31", "last": "2024-12-31"}
    assert all(one["source"] for one in told["goals"])
    assert followed.run("goals --from 2025-01-01 --to 2024-01-01").code == 1
    assert followed.run("goals --unit nowhere").code == 1
