"""From proposals to entries by a person: what is plain, what became of each, twice, in two sittings, and half-way."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ledger.confirming import (
    Choice,
    Decision,
    Review,
    confirm,
    in_bulk,
    needs_a_look,
    plainly_told,
    review_of,
    with_choices,
)
from ledger.dates import PartialDate
from ledger.entries import Signature
from ledger.errors import NotFound, StaleHistory, WrongInput
from ledger.matching import Register
from ledger.people import Identifier, Person
from ledger.receiving import opened_up, receive
from ledger.store import Ledger, open_ledger
from ledger.vocabulary import ConfirmedHow, Fate
from tests.store.drafts import a_fistula, add

BY = Signature(person="N1")
PATIENT = "P0001"
ACCEPTED, DISMISSED = Decision(fate=Fate.ACCEPTED), Decision(fate=Fate.DISMISSED, reason="it says so elsewhere")

REPORT = """\
Invented report. No such patient, surgeon or place exists.
Patient: Maud Vellacott-Orme    DOB: 14 July 1958    MRN: K204817
Date of procedure: 12 May 2024

PROCEDURE: Fistulogram and balloon angioplasty of the left brachiocephalic fistula.

FINDINGS: There was an 80% stenosis of the cephalic arch. The central veins were patent.
The cephalic arch stenosis was dilated with an 8 mm x 40 mm balloon to 20 atm.
Residual stenosis was 20%.

No complications. The fistula may be used tomorrow with two 17 gauge needles.
"""


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """One invented patient with a left brachiocephalic fistula A1, made in March 2023."""
    with open_ledger(tmp_path / "ledger.sqlite", create=True, zone="Europe/London") as found:
        found.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        found.who.add_patient(
            name="Maud Vellacott-Orme",
            birth_date=PartialDate("1958-07-14"),
            identifiers=(Identifier(system="https://invented.example/mrn", value="K204817"),),
            invented=True,
        )
        add(found, PATIENT, a_fistula())
        yield found


def came(ledger: Ledger, text: str = REPORT, patient: str | None = None) -> str:
    """A report that came in; gives its id."""
    register = Register(ledger.who.patients())
    (received,) = receive(ledger, opened_up(text.encode(), "r.txt"), register, patient=patient, person="N1")
    assert received.report is not None
    return received.report


def kinds(ledger: Ledger) -> list[str]:
    return [entry.kind for entry in ledger.history(PATIENT).entries]


def numbers(review: Review, kind: str) -> list[int]:
    return [index for index, one in enumerate(review.reading.proposed) if one.kind == kind]


def test_what_is_accepted_becomes_entries_with_their_quotes_and_one_review_keeps_the_fate_of_each(
    ledger: Ledger,
) -> None:
    report = came(ledger)
    review = review_of(ledger, report)
    (plasty,) = numbers(review, "angioplasty")

    done = confirm(ledger, review, {index: ACCEPTED if index == plasty else DISMISSED for index in review.open}, by=BY)

    (entry,) = done.entries
    assert (entry.kind, entry.event.access) == ("angioplasty", "A1")  # type: ignore[union-attr]
    assert any("balloon angioplasty" in (ledger.papers.words(quote) or "") for quote in entry.evidence.quotes)
    assert done.review is not None
    fates = done.review.event.fates  # type: ignore[union-attr]
    assert [fate.fate for fate in fates] == ["accepted" if i == plasty else "dismissed" for i in range(len(fates))]
    assert fates[plasty].entry == entry.id
    assert (done.state, done.open) == ("confirmed", 0)
    assert ledger.papers.report(report).state == "confirmed"


def test_confirming_again_finds_nothing_open_and_adds_nothing(ledger: Ledger) -> None:
    report = came(ledger)
    review = review_of(ledger, report)
    confirm(ledger, review, dict.fromkeys(review.open, ACCEPTED), by=BY)
    before = kinds(ledger)

    again = review_of(ledger, report)
    done = confirm(ledger, again, {}, by=BY)

    assert again.open == ()
    assert (done.entries, done.review) == ((), None)
    assert kinds(ledger) == before


def test_the_same_decisions_given_to_an_older_view_are_stale(ledger: Ledger) -> None:
    report = came(ledger)
    one, other = review_of(ledger, report), review_of(ledger, report)
    confirm(ledger, one, dict.fromkeys(one.open, ACCEPTED), by=BY)
    before = kinds(ledger)

    with pytest.raises(StaleHistory):
        confirm(ledger, other, dict.fromkeys(other.open, ACCEPTED), by=BY)

    assert kinds(ledger) == before


def test_what_fails_half_way_leaves_nothing_and_can_be_given_again(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = came(ledger)
    review = review_of(ledger, report)
    before = kinds(ledger)

    def fails(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(type(ledger.papers), "change", fails)
        with pytest.raises(KeyboardInterrupt):
            confirm(ledger, review, dict.fromkeys(review.open, DISMISSED), by=BY)
    assert kinds(ledger) == before
    assert ledger.db.execute("SELECT COUNT(*) FROM texts WHERE words LIKE '%elsewhere%'").fetchone()[0] == 0

    done = confirm(ledger, review_of(ledger, report), dict.fromkeys(review.open, ACCEPTED), by=BY)

    assert done.state == "confirmed"


def test_a_lesion_is_told_once_also_when_angiogram_and_angioplasty_are_accepted_in_two_sittings(
    ledger: Ledger,
) -> None:
    report = came(ledger)
    review = review_of(ledger, report)
    for kind in ("angiogram", "angioplasty"):
        review = review_of(ledger, report)
        confirm(ledger, review, dict.fromkeys(numbers(review, kind), ACCEPTED), by=BY)

    facts = {one.kind: one.fact for one in ledger.history(PATIENT).facts}

    assert facts["angiogram"].lesions[0].stenosis_percent is not None  # type: ignore[union-attr]
    assert facts["angioplasty"].lesions[0].found_percent is None  # type: ignore[union-attr]
    assert facts["angiogram"].lesions[0].lesion == facts["angioplasty"].lesions[0].lesion  # type: ignore[union-attr]


def test_an_edit_is_what_is_recorded_and_the_fate_names_the_field(ledger: Ledger) -> None:
    report = came(ledger)
    review = review_of(ledger, report)
    (plasty,) = numbers(review, "angioplasty")
    edit = Decision(fate=Fate.EDITED, changes={"happened": "2024-05-13"})

    done = confirm(ledger, review, {plasty: edit}, by=BY)

    assert [entry.happened for entry in done.entries] == ["2024-05-13"]
    fate = done.review.event.fates[plasty]  # type: ignore[union-attr]
    assert (fate.fate, fate.edited) == ("edited", ("happened",))


def test_a_report_without_a_day_waits_until_a_person_gives_it(ledger: Ledger) -> None:
    report = came(ledger, REPORT.replace("Date of procedure: 12 May 2024", ""))
    without = review_of(ledger, report)
    done = confirm(ledger, without, dict.fromkeys(numbers(without, "angioplasty"), ACCEPTED), by=BY)
    assert done.entries == ()
    assert done.waiting

    dated = review_of(ledger, report, happened=PartialDate("2024-05"))
    done = confirm(ledger, dated, dict.fromkeys(numbers(dated, "angioplasty"), ACCEPTED), by=BY)

    assert [entry.happened for entry in done.entries] == ["2024-05"]


def test_what_admission_refuses_waits_with_its_reason_and_the_rest_goes_in(ledger: Ledger) -> None:
    report = came(ledger, REPORT.replace("12 May 2024", "12 May 2022"))
    review = review_of(ledger, report)
    review = with_choices(review, {ref: Choice(id="A1") for ref in review.matches})

    done = confirm(ledger, review, dict.fromkeys(review.open, ACCEPTED), by=BY)

    assert done.refused or done.doubts
    for index, refusal in done.refused:
        assert index is not None
        assert done.review.event.fates[index].fate == "refused"  # type: ignore[union-attr]
        assert refusal.remedy
    assert done.open == len(done.refused)


def test_an_access_that_a_person_named_stays_named_in_the_next_sitting(ledger: Ledger) -> None:
    report = came(ledger, REPORT.replace("left", "right"))
    review = review_of(ledger, report)
    assert review.choices == {}
    (ref,) = review.matches
    picked = with_choices(review, {ref: Choice(id="A1")})
    confirm(ledger, picked, dict.fromkeys(numbers(picked, "angioplasty"), ACCEPTED), by=BY)

    again = review_of(ledger, report)

    assert again.choices == {ref: Choice(id="A1")}
    assert set(numbers(again, "angioplasty")) <= again.before.keys()


def test_a_new_access_has_the_same_id_however_often_the_report_is_laid_out(ledger: Ledger) -> None:
    report = came(ledger, REPORT.replace("left brachiocephalic fistula", "right thigh loop graft"))

    first, second = review_of(ledger, report), review_of(ledger, report)

    assert [choice.is_new for choice in first.choices.values()] == [True]
    assert first.choices == second.choices


# --- In bulk ------------------------------------------------------------------------------------------------------


def test_in_bulk_an_instruction_is_never_taken(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger))
    # Even if a reader took every word for plain.
    plain = tuple(replace(one, plain=True, doubts=()) for one in review.reading.proposed)
    review = replace(review, reading=replace(review.reading, proposed=plain))

    taken, left = plainly_told(review, also_new=True, looked_at=True)

    assert numbers(review, "instruction")
    assert numbers(review, "angioplasty")[0] in taken
    assert not set(numbers(review, "instruction")) & taken.keys()
    assert taken.keys() | left.keys() == set(review.open)
    assert not taken.keys() & left.keys()


def test_in_bulk_everything_is_marked_as_taken_without_reading(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger))
    taken, _ = plainly_told(review, looked_at=True)

    done = confirm(ledger, review, taken, by=in_bulk("N1"))

    assert taken
    assert {entry.recorded_by.how for entry in done.entries} == {ConfirmedHow.IN_BULK}
    assert done.state == "waiting"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("14 July 1958", "3 March 1931"), "in doubt"),
        (("Date of procedure: 12 May 2024", ""), "the day is not known"),
        (("left", "right"), "side"),
    ],
)
def test_in_bulk_nothing_is_taken_of_a_report_in_doubt(ledger: Ledger, change: tuple[str, str], says: str) -> None:
    review = review_of(ledger, came(ledger, REPORT.replace(*change), patient=PATIENT))

    taken, left = plainly_told(review, also_new=True, looked_at=True)

    assert taken == {}
    assert any(says in why.lower() for why in left.values()), left


def test_in_bulk_a_patient_who_was_found_by_name_and_birth_date_alone_is_left_to_a_person(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger, REPORT.replace("MRN: K204817", "")))

    taken, left = plainly_told(review)

    assert taken == {}
    assert "without a number" in left[0]


def test_in_bulk_a_match_to_a_patient_that_no_person_has_looked_at_is_not_taken(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger))

    taken, left = plainly_told(review)
    looked_at, _ = plainly_told(review, looked_at=True)

    assert taken == {}
    assert set(left.values()) >= {"nobody has looked yet whether it is this patient's"}
    assert looked_at
    assert needs_a_look(review)


def test_in_bulk_a_side_that_no_person_has_looked_at_is_not_taken(ledger: Ledger) -> None:
    made = MADE.replace("Creation of right", "PROCEDURE: Creation of right")
    review = review_of(ledger, came(ledger, made, patient=PATIENT))
    creation = numbers(review, "creation")
    plain = tuple(replace(one, plain=True, doubts=()) for one in review.reading.proposed)
    review = replace(review, reading=replace(review.reading, proposed=plain))

    taken, left = plainly_told(review, also_new=True)
    looked_at, _ = plainly_told(review, also_new=True, looked_at=True)

    assert taken == {}
    assert left[creation[0]] == "it rests on a side that nobody has looked at yet"
    assert creation[0] in looked_at


def test_in_bulk_what_is_told_of_a_side_on_record_is_taken_once_a_person_has_linked_the_report(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger, patient=PATIENT))

    taken, _ = plainly_told(review)

    assert numbers(review, "angioplasty")[0] in taken
    assert not needs_a_look(review)


# --- What cannot be laid out --------------------------------------------------------------------------------------


def test_a_report_whose_patient_nobody_knows_is_not_laid_out(ledger: Ledger) -> None:
    report = came(ledger, REPORT.replace("K204817", "X1").replace("Maud Vellacott-Orme", "Nobody At All"))

    with pytest.raises(WrongInput, match="report link"):
        review_of(ledger, report)


def test_a_report_whose_words_were_erased_is_not_laid_out(ledger: Ledger) -> None:
    from ledger.store.upkeep import erase

    report = came(ledger)
    erase(ledger, PATIENT)

    with pytest.raises(NotFound, match="erased"):
        review_of(ledger, report)


def test_a_report_that_could_not_be_read_is_not_laid_out(ledger: Ledger) -> None:
    register = Register(ledger.who.patients())
    opened = opened_up(bytes(range(256)) * 20, "noise.bin")
    (bad,) = receive(ledger, opened, register, patient=PATIENT, person="N1")

    with pytest.raises(WrongInput, match="could not be read"):
        review_of(ledger, bad.report or "")


# --- Laws ---------------------------------------------------------------------------------------------------------

FATES = st.sampled_from([Fate.ACCEPTED, Fate.DISMISSED, Fate.LEFT, Fate.ALREADY_KNOWN])


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(sittings=st.lists(st.lists(FATES, min_size=6, max_size=6), min_size=1, max_size=4))
def test_however_many_sittings_each_proposal_is_decided_once_and_recorded_once(
    tmp_path_factory: pytest.TempPathFactory, sittings: list[list[Fate]]
) -> None:
    with open_ledger(tmp_path_factory.mktemp("law") / "l.sqlite", create=True, zone="Europe/London") as ledger:
        ledger.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        ledger.who.add_patient(name="Maud Vellacott-Orme", birth_date=PartialDate("1958-07-14"), invented=True)
        add(ledger, PATIENT, a_fistula())
        report = came(ledger, patient=PATIENT)
        wanted: dict[int, Fate] = {}

        for fates in sittings:
            review = review_of(ledger, report)
            assert set(review.open) == set(range(len(review.reading.proposed))) - wanted.keys()
            chosen = {index: fates[index % 6] for index in review.open}
            wanted |= {index: fate for index, fate in chosen.items() if fate is not Fate.LEFT}
            confirm(ledger, review, {index: Decision(fate=fate) for index, fate in chosen.items()}, by=BY)

        proposed = review_of(ledger, report).reading.proposed
        made = [entry.kind for entry in ledger.history(PATIENT).entries if entry.evidence.report == report]
        accepted = sorted(proposed[index].kind for index, fate in wanted.items() if fate is Fate.ACCEPTED)
        assert sorted(made) == accepted
        assert (ledger.papers.report(report).state == "confirmed") == (len(wanted) == len(proposed))


# --- A short addendum ---------------------------------------------------------------------------------------------

MADE = """\
Invented report. No such patient, surgeon or place exists.
Patient: Maud Vellacott-Orme    DOB: 14 July 1958    MRN: K204817
Date of procedure: 3 June 2025

OPERATION: Creation of right radiocephalic AV fistula under block.
The cephalic vein was anastomosed end to side to the radial artery. Good thrill.
"""
ADDENDUM = """\
ADDENDUM (invented)
Patient: Maud Vellacott-Orme    DOB: 14 July 1958    MRN: K204817
Date of procedure: 3 June 2025

The side should read left, not right.
"""


def test_a_short_addendum_corrects_the_side_that_its_first_report_told(ledger: Ledger) -> None:
    first = came(ledger, MADE)
    review = review_of(ledger, first)
    confirm(ledger, review, dict.fromkeys(review.open, ACCEPTED), by=BY)

    second = review_of(ledger, came(ledger, ADDENDUM))
    done = confirm(ledger, second, dict.fromkeys(second.open, ACCEPTED), by=BY)

    assert second.earlier == (first,)
    assert [one.kind for one in second.reading.proposed] == ["creation"]
    (creation,) = (
        one for one in ledger.history(PATIENT).facts if one.fact.happened == "2025-06-03" and one.kind == "creation"
    )
    assert creation.fact.side == "left"  # type: ignore[union-attr]
    assert [one.kind for one in done.entries] == ["correction"]


def test_a_short_addendum_whose_first_report_is_not_known_says_so(ledger: Ledger) -> None:
    review = review_of(ledger, came(ledger, ADDENDUM))

    assert review.reading.proposed == ()
    assert any("first report is not known here" in doubt for doubt in review.reading.doubts)


def test_a_short_addendum_before_its_first_report_is_gone_through_waits_for_it(ledger: Ledger) -> None:
    first = came(ledger, MADE)

    review = review_of(ledger, came(ledger, ADDENDUM))

    assert review.earlier == (first,)
    assert any("has not been gone through yet" in doubt for doubt in review.reading.doubts)


def test_an_addendum_about_a_side_moves_what_was_told_of_an_access_known_before_to_the_other_one(
    ledger: Ledger,
) -> None:
    first = review_of(ledger, came(ledger, REPORT))
    confirm(ledger, first, dict.fromkeys(first.open, ACCEPTED), by=BY)
    said = ADDENDUM.replace("3 June 2025", "12 May 2024").replace("left, not right", "right")

    second = review_of(ledger, came(ledger, said))

    assert "angioplasty" in [one.kind for one in second.reading.proposed]
    assert all(one.side == "right" for one in second.reading.accesses)
    assert not any(match.access == "A1" for match in second.matches.values())


NO_ADDENDA = [
    "PROCEDURE: Left AVF fistulogram. An addendum will follow: the side should read left.",
    "The referral should read left. See the addendum of last year.",
]


@pytest.mark.parametrize("text", NO_ADDENDA)
def test_what_only_speaks_of_an_addendum_is_none(text: str) -> None:
    from ledger.reading import read_report

    assert read_report(text).amends == ()
