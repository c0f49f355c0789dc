"""Entries by hand: options made from the classes, prompts, corrections and retractions."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from cli.chair import asked_next
from cli.kinds import BY_HAND, NOT_BY_HAND, Around, Field, Shape, fields_of, sentence_about, told, typed_changes
from cli.record import checked_event
from ledger.entries import event_to_dict
from ledger.errors import WrongInput
from ledger.events import KINDS
from ledger.vocabulary import AccessKind
from tests.cli.conftest import NAME, Desk
from tests.examples import ALL_EXAMPLES, PATIENT, TEXTS, full, minimal, words

AROUND = Around(
    today=date(2026, 11, 24),
    keep=lambda text: next(
        {"text": text_id, "start": held.index(text), "end": held.index(text) + len(text)}
        for text_id, held in TEXTS.items()
    ),
    entry=str,
    access=str,
    mint=lambda *_: None,
)


def as_typed(fields: tuple[Field, ...], values: dict[str, Any]) -> dict[str, Any]:
    """What a person would type for plain values: the other way round than `told`."""
    typed = {}
    for field in fields:
        if field.name in values:
            value = values[field.name]
            typed[field.name] = [_typed(field, one) for one in value] if field.several else _typed(field, value)
    return typed


def _typed(field: Field, value: Any) -> Any:
    match field.shape:
        case Shape.QUANTITY:
            amount = value["value"] if "value" in value else f"{value['low']}-{value['high']}"
            return f"{value.get('comparator') or ''}{amount} {value.get('how') or ''}".strip()
        case Shape.WORDS:
            (text,) = TEXTS.values()
            return text[value["start"] : value["end"]]
        case Shape.YES_NO:
            return "yes" if value else "no"
        case Shape.PARTS:
            return as_typed(field.parts, value)
        case _:
            return str(value)


@pytest.mark.parametrize("kind", BY_HAND)
@pytest.mark.parametrize("example", [minimal, full])
def test_every_kind_can_be_typed_field_by_field(kind: str, example: Any) -> None:
    event = example(kind)
    values = event_to_dict(event)

    typed = as_typed(fields_of(kind), values)
    again = checked_event({"kind": kind, **told(fields_of(kind), typed, AROUND)}, "")

    assert again == event


def test_every_kind_is_recorded_by_hand_or_has_a_command_of_its_own() -> None:
    assert set(BY_HAND) | NOT_BY_HAND == set(KINDS) == set(ALL_EXAMPLES)
    assert all(sentence_about(kind).endswith((".", "?", "!")) for kind in BY_HAND)


@pytest.mark.parametrize("kind", BY_HAND)
def test_every_kind_has_help_with_each_of_its_fields(kind: str, desk: Desk) -> None:
    helped = desk.ok("record", kind, "--help")

    for field in fields_of(kind):
        assert field.option in helped.out


def test_parts_can_be_typed_as_text_with_a_dot_for_parts_of_parts_and_numbers_for_several(with_fistula: Desk) -> None:
    with_fistula.ok(
        "record angioplasty P0001 --access A1 --happened 2024-09-05 --lesion",
        "place=cephalic-arch,found_percent=80,residual_percent=<20,balloons.diameter_mm=8,balloons.2.diameter_mm=10",
    )

    with with_fistula.open() as ledger:
        fact = ledger.history("P0001").facts[-1].fact

    (lesion,) = fact.lesions  # type: ignore[union-attr]
    assert [str(one.diameter_mm) for one in lesion.balloons] == ["8", "10"]
    assert str(lesion.residual_percent) == "<20"


def test_the_same_place_of_the_same_access_is_the_same_lesion(with_fistula: Desk) -> None:
    for day in ("2024-09-05", "2025-01-09"):
        with_fistula.ok(*f"record angioplasty P0001 --access A1 --happened {day} --lesion place=cephalic-arch".split())

    with with_fistula.open() as ledger:
        lesions = {one.fact.lesions[0].lesion for one in ledger.history("P0001").facts if one.kind == "angioplasty"}  # type: ignore[union-attr]

    assert len(lesions) == 1


def test_recording_prints_the_name_of_the_entry_and_what_it_says(desk: Desk) -> None:
    ran = desk.ok("record creation P0001 --happened 2024-03 --access-kind fistula --side left")

    assert ran.out.startswith("P0001.1  March 2024: Made: LEFT fistula")


def test_the_day_may_be_said_with_date_as_well(desk: Desk) -> None:
    line = "record creation P0001 --access-kind fistula --side left"

    first = desk.ok(f"{line} --date 2024-03").out
    again = desk.ok(f"{line} --happened 2024-03").out

    assert "March 2024" in first
    assert "already" in again


def test_recording_the_same_twice_adds_nothing(desk: Desk) -> None:
    line = "record creation P0001 --happened 2024-03 --access-kind fistula --side left"
    desk.ok(line)

    again = desk.ok(line)

    assert again.out == "P0001.1 says so already; nothing was added.\n"


def test_a_retracted_fact_is_entered_again_only_with_anew(with_fistula: Desk) -> None:
    line = "record thrombosis P0001 --access A1 --happened 2025-02-03"
    with_fistula.ok(line)
    with_fistula.ok("retract", "P0001.2", "--why", "mistaken")

    without, with_it = with_fistula.ok(line), with_fistula.ok(line, "--anew")

    assert "nothing was added" in without.out
    assert with_it.out.startswith("P0001.4  3 February 2025")


def test_a_new_access_gets_an_id_and_an_access_is_named_in_words(desk: Desk) -> None:
    made = desk.ok("record creation P0001 --happened 2024-03 --access-kind fistula --side left --json")
    access = made.json["recorded"][0]["event"]["access"]

    seen = desk.ok(
        "record examination P0001 --happened 2024-04-02 --thrill continuous --json --access",
        "left fistula",
    )

    assert access.startswith("A")
    assert seen.json["recorded"][0]["event"]["access"] == access


def test_words_that_fit_two_accesses_are_asked_about(with_fistula: Desk) -> None:
    with_fistula.ok(
        "record creation P0001 --access A2 --happened 2025-01-07 --access-kind graft --side left --site thigh"
    )

    ran = with_fistula.run("record examination P0001 --happened 2025-04-02 --access left")

    assert ran.code == 1
    assert "A1" in ran.err
    assert "A2" in ran.err


def test_typed_words_are_kept_apart_from_the_entry_and_go_with_a_refused_one(with_fistula: Desk) -> None:
    refused = with_fistula.run(
        "record first-cannulation P0001 --access A1 --happened 2023-01-01 --note",
        "an unheard of word",
    )

    assert refused.code == 1
    with with_fistula.open() as ledger:
        kept = ledger.db.execute("SELECT COUNT(*) FROM texts WHERE words LIKE '%unheard%'").fetchone()[0]
    assert kept == 0


def test_doubts_are_said_and_the_entry_goes_in(with_fistula: Desk) -> None:
    ran = with_fistula.ok("record first-cannulation P0001 --access A1 --happened 2024-03-13")

    assert ran.out.startswith("P0001.2 ")
    assert "Careful:" in ran.out


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("record examination P0001 --access A1 --happened 2024-13", "not a date"),
        ("record examination P0001 --access A1 --happened 2024-04-02 --thrill loud", "not one of its values"),
        ("record measurement P0001 --access A1 --happened 2024-04-02 --flow-ml-min fast", "not a quantity"),
        ("record first-cannulation P0001 --access A1 --happened 2024-06-02 --gauge thick", "not a whole number"),
        ("record angiogram P0001 --access A1 --happened 2024-06-02 --lesion where=here", "no part of that name"),
        ("record angiogram P0001 --access A1 --happened 2024-06-02 --lesion cephalic-arch", "PART=VALUE"),
        ("record referral P0001 --access A1 --happened 2024-06-02 --finding P0001.77", "no such entry"),
        ("record examination P0001 --happened 2024-04-02", "needs --access"),
        ("record examination P0001 --access A9 --happened 2024-04-02", "no such access"),
        ("record examination P0009 --access A1 --happened 2024-04-02", "No patient here has that id"),
        ("record creation P0001 --happened 2024-04-02", "needs --access-kind"),
        ("correct P0001.1 --set colour=blue", "no field of that name"),
        ("correct P0001.1 --set happened=", "cannot be unknown"),
        ("correct P0001.1", "Nothing to change"),
        ("correct P0001.9 --set side=right", "no such entry"),
        ("correct nonsense --set side=right", "not the name of an entry"),
        ("retract P0001.1", "needs a reason"),
    ],
)
def test_what_cannot_be_recorded_says_why_and_leaves_nothing(with_fistula: Desk, line: str, says: str) -> None:
    ran = with_fistula.run(line)

    assert ran.code == 1
    assert says in " ".join(ran.err.split())
    assert NAME.split()[0] not in ran.err
    with with_fistula.open() as ledger:
        assert ledger.history("P0001").version == 1


def test_an_unknown_kind_is_wrong_usage(desk: Desk) -> None:
    ran = desk.run("record", "wedding", "P0001")

    assert ran.code == 2


def test_nobody_records_without_a_name(with_fistula: Desk) -> None:
    with_fistula.by = None

    ran = with_fistula.run("record thrombosis P0001 --access A1 --happened 2025-02-03")

    assert ran.code == 1
    assert "--by" in ran.err


# --- correct, retract ---------------------------------------------------------------------------------------------


def test_a_correction_stands_in_the_place_of_what_it_corrects(with_fistula: Desk) -> None:
    ran = with_fistula.ok("correct", "P0001.1", "--set", "side=right", "--set", "site=", "--why", "read the wrong line")

    assert ran.out.startswith("P0001.2")
    with with_fistula.open() as ledger:
        (one,) = ledger.history("P0001").facts
    assert one.fact.side == "right"  # type: ignore[union-attr]
    assert one.fact.site is None  # type: ignore[union-attr]


def test_correcting_what_was_corrected_since_is_stale_and_names_what_holds(with_fistula: Desk) -> None:
    with_fistula.ok("correct", "P0001.1", "--set", "side=right")

    ran = with_fistula.run("correct", "P0001.1", "--set", "side=left")

    assert ran.code == 4
    assert "P0001.2" in ran.err


def test_a_correction_that_changes_nothing_adds_nothing(with_fistula: Desk) -> None:
    ran = with_fistula.ok("correct", "P0001.1", "--set", "side=left")

    assert "nothing was added" in ran.out


def test_retracting_a_correction_brings_back_what_it_corrected(with_fistula: Desk) -> None:
    with_fistula.ok("correct", "P0001.1", "--set", "side=right")

    ran = with_fistula.ok("retract", "P0001.2", "--why", "it was left after all")

    assert "P0001.1 holds again" in ran.out
    with with_fistula.open() as ledger:
        (one,) = ledger.history("P0001").facts
    assert one.fact.side == "left"  # type: ignore[union-attr]


def test_retracting_altogether_leaves_nothing_of_a_corrected_fact(with_fistula: Desk) -> None:
    with_fistula.ok("correct", "P0001.1", "--set", "side=right")

    with_fistula.ok("retract", "P0001.2", "--altogether", "--why", "another patient's")

    with with_fistula.open() as ledger:
        assert ledger.history("P0001").facts == ()


def test_a_retraction_can_be_retracted(with_fistula: Desk) -> None:
    with_fistula.ok("retract", "P0001.1", "--why", "mistaken")

    ran = with_fistula.ok("retract", "P0001.2", "--why", "it was right")

    assert "P0001.1 holds again" in ran.out


def test_a_session_has_a_name_of_its_own_and_can_be_corrected_by_it(with_fistula: Desk) -> None:
    ran = with_fistula.ok("record cannulation-session P0001 --access A1 --happened 2024-09-02 --needles 2 --gauge 16")
    assert ran.out.startswith("P0001.s1 ")

    corrected = with_fistula.ok("correct", "P0001.s1", "--set", "gauge=15")

    assert corrected.out.startswith("P0001.s2 ")


# --- Laws of typing -----------------------------------------------------------------------------------------------


def test_a_quantity_is_kept_as_it_was_typed() -> None:
    (field,) = (one for one in fields_of("measurement") if one.name == "flow_ml_min")

    said = [told([field], {"flow_ml_min": text}, AROUND)["flow_ml_min"] for text in ("812.50", "<600", "3-4", "~5")]

    assert said == [
        {"value": "812.50"},
        {"value": "600", "comparator": "<"},
        {"low": "3", "high": "4"},
        {"value": "5", "comparator": "~"},
    ]


def test_a_choice_may_be_begun() -> None:
    (thrill,) = (one for one in fields_of("examination") if one.name == "thrill")

    assert told([thrill], {"thrill": "cont"}, AROUND) == {"thrill": "continuous"}


def test_a_choice_that_begins_several_is_not_guessed() -> None:
    (place,) = (one for one in fields_of("complication") if one.name == "place")

    with pytest.raises(WrongInput) as wrong:
        told([place], {"place": "cephalic"}, AROUND)

    assert "cephalic-arch" in wrong.value.problem
    assert "cephalic-vein" in wrong.value.problem


def test_today_and_yesterday_are_days_of_the_unit() -> None:
    (happened,) = (one for one in fields_of("examination") if one.name == "happened")

    days = [told([happened], {"happened": text}, AROUND)["happened"] for text in ("today", "Yesterday")]

    assert days == ["2026-11-24", "2026-11-23"]


def test_a_change_names_a_field_by_its_name_or_its_option() -> None:
    values, cleared = typed_changes("angiogram", ["lesion=place=cephalic-arch", "flow-seen=yes", "clot="])

    assert values == {"lesions": ["place=cephalic-arch"], "flow_seen": "yes"}
    assert cleared == {"clot"}


def test_the_examples_are_of_the_patient_that_the_tests_mean() -> None:
    assert PATIENT == "P0001"
    assert words(full("visit").operator) is not None  # type: ignore[union-attr, arg-type]


# --- At a terminal ------------------------------------------------------------------------------------------------


def test_a_terminal_asks_at_the_chair_for_what_matters_with_the_access_and_today_ready(with_fistula: Desk) -> None:
    screen = with_fistula.at_terminal(
        "record examination P0001",
        answers=[
            ("which [1]:", "\r"),
            ("When [", "2024-04-05\r"),
            ("Thrill: 1 continuous", ""),
            ("which:", "1\r"),
            ("Bruit", ""),
            ("which:", "low\r"),
            ("Pulse", ""),
            ("which:", "\r"),
            ("Augments (y/n):", "y\r"),
            ("elevation (y/n):", ".\r"),
        ],
    )

    assert "P0001.2  5 April 2024: Looked at, listened to and felt: continuous thrill" in " ".join(screen.split("\n"))
    with with_fistula.open() as ledger:
        fact: Any = ledger.history("P0001").facts[-1].fact
    assert (fact.thrill, fact.bruit, fact.pulse, fact.augments) == ("continuous", "low-pitched-continuous", None, True)


def test_of_a_catheter_a_terminal_asks_for_the_exit_site_and_proposes_the_line_that_is_used(
    with_fistula: Desk,
) -> None:
    with_fistula.ok(
        "record catheter-placed P0001 --access C1 --happened 2024-03-01 --access-kind tunnelled-catheter --side right"
    )
    with_fistula.ok("record access-used P0001 --access C1 --happened 2024-03-08 --use catheter")

    screen = with_fistula.at_terminal(
        "record examination P0001",
        answers=[("which [1]:", "\r"), ("When [", "2024-04-05\r"), ("clean (y/n):", "n\r"), ("which", ".\r")],
    )

    assert "Thrill" not in screen
    with with_fistula.open() as ledger:
        fact: Any = ledger.history("P0001").facts[-1].fact
    assert (fact.access, fact.exit_site_clean) == ("C1", False)


def test_the_method_of_a_measurement_decides_what_is_asked_and_the_working_is_shown(with_fistula: Desk) -> None:
    screen = with_fistula.at_terminal(
        "record measurement P0001 --access A1",
        answers=[
            ("When [", "2024-09-02\r"),
            ("which:", "urea\r"),
            ("Urea systemic:", "80\r"),
            ("Urea arterial:", "72\r"),
            ("Urea venous:", "20\r"),
            ("Blood flow (mL/min):", ".\r"),
        ],
    )

    assert "recirculation: (80 - 72) / (80 - 20) x 100 = 13.33 %" in screen


def test_a_number_that_is_none_is_asked_for_again(with_fistula: Desk) -> None:
    screen = with_fistula.at_terminal(
        "record cannulation-session P0001 --access A1 --happened 2024-09-02",
        answers=[
            ("which:", "\r"),
            ("Needles:", "two\r"),
            ("Needles:", "2\r"),
            ("Gauge:", ".\r"),
        ],
    )

    assert "Write it in digits" in screen
    assert "P0001.s1  2 September 2024: Session; 2 needles" in screen


def test_what_was_given_with_the_command_is_not_asked_for(with_fistula: Desk) -> None:
    screen = with_fistula.at_terminal(
        "record examination P0001 --access A1 --thrill continuous", answers=[("When [", "2024-04-05\r")]
    )

    assert "Bruit" not in screen
    assert "P0001.2  5 April 2024" in screen


def test_every_field_that_is_asked_for_at_the_chair_is_one_of_its_kind() -> None:
    for kind in ("examination", "cannulation-session", "measurement"):
        known = {field.name for field in fields_of(kind)}
        methods = next(one.choices for one in fields_of("measurement") if one.name == "method")
        for access_kind in AccessKind:
            for method in (None, *methods):
                assert set(asked_next(kind, access_kind, {"method": method})) <= known


# --- What is worked out -------------------------------------------------------------------------------------------


def test_a_flow_is_set_against_the_one_before_it_in_the_same_way_of_measuring(with_fistula: Desk) -> None:
    line = "record measurement P0001 --access A1 --happened {} --method {} --flow-ml-min {} --json"
    with_fistula.ok(line.format("2024-09-02", "indicator-dilution", "1100"))
    with_fistula.ok(line.format("2024-10-02", "duplex", "1500"))

    ran = with_fistula.ok(line.format("2024-11-02", "indicator-dilution", "800"))

    (worked,) = ran.json["recorded"][0]["worked"]
    assert (worked["name"], worked["working"], worked["result"]) == (
        "fall in flow",
        "(1100 - 800) / 1100 x 100",
        "27.3 %",
    )


def test_the_history_shows_the_working_below_a_measurement(with_fistula: Desk) -> None:
    with_fistula.ok(
        "record measurement P0001 --access A1 --happened 2024-09-02 --method machine --static-venous-pressure-mmhg 30 "
        "--chamber-height-cm 20 --systolic-mmhg 120 --diastolic-mmhg 75"
    )

    told = " ".join(with_fistula.ok("history A1").out.split())

    assert "static pressure ratio, venous needle: (30 + (0.35 x 20 + 3.4)) / ((120 + 2 x 75) / 3) = 0.4489" in told


def test_a_terminal_asks_again_when_an_answer_cannot_be_read(with_fistula: Desk) -> None:
    screen = with_fistula.at_terminal(
        "record access-used P0001 --access A1",
        answers=[
            ("When [", "the other day\r"),
            ("When [", "2024-09-02\r"),
            ("which:", "99\r"),
            ("which:", "1\r"),
        ],
    )

    assert "Write 2019, 2019-03" in screen
    assert "P0001.2  2 September 2024" in screen
