"""The life of an access, a line a fact; what was corrected and withdrawn only where it is asked for."""

from __future__ import annotations

from datetime import date

from ledger.evidence import Evidence
from ledger.projections.timeline import timeline_of
from ledger.vocabulary import ConfirmedHow
from tests.examples import quoted, words
from tests.lives import a_history, an_entry, corrected, grown, happening, retracted
from tests.projections.telling import FISTULA, LINE, fistula, given_up, line, looked, used

PEOPLE = {"N1": "Nurse Invented", "C1": "Invented Access Centre"}.get


def sentences(timeline) -> list[str]:
    return [line.sentence for line in timeline.lines]


def test_the_life_of_one_access_in_clinical_order_whatever_was_entered_first():
    history = a_history(
        looked("2024-05-06", thrill="continuous"), line("2024-01-08"), fistula("2024-03-04"), used("2024-06")
    )

    life = timeline_of(history, FISTULA, words, PEOPLE)

    assert life.name == "LEFT upper-arm fistula (brachiocephalic)"
    assert life.text_lines() == [
        "4 March 2024  Made: LEFT upper-arm fistula (brachiocephalic).  (Nurse Invented)",
        "6 May 2024  Looked at, listened to and felt: continuous thrill.  (Nurse Invented)",
        "June 2024  Used with two needles.  (Nurse Invented)",
    ]


def test_confirmed_in_bulk_is_said_beside_the_line():
    history = a_history(an_entry(fistula("2024-03-04"), 1, how=ConfirmedHow.IN_BULK))

    (told,) = timeline_of(history, FISTULA, words, PEOPLE).lines

    assert told.confirmed == "Nurse Invented, in bulk, without reading each"


def test_the_reports_own_words_stand_below_the_line_on_request():
    evidence = Evidence(report="r-1", quotes=(quoted("Rash after contrast in 2019"),))
    history = a_history(an_entry(fistula("2024-03-04"), 1, evidence=evidence))

    life = timeline_of(history, FISTULA, words, PEOPLE)

    assert life.text_lines(quotes=True)[1] == "    “Rash after contrast in 2019”"
    assert len(life.text_lines()) == 1


def test_words_that_were_erased_are_said_not_to_be_held():
    evidence = Evidence(report="r-1", quotes=(quoted("Rash after contrast in 2019"),))
    history = a_history(an_entry(fistula("2024-03-04"), 1, evidence=evidence))

    (told,) = timeline_of(history, FISTULA, lambda quote: None).lines

    assert told.quotes == ("[words not held here]",)


def test_a_correction_replaces_the_line_and_the_audit_view_shows_both():
    history = a_history(fistula("2024-03-04", side="right"))
    first = history.entries[0].id
    history = corrected(history, first, fistula("2024-03-04", side="left"))

    plain = timeline_of(history, FISTULA, words)
    audit = timeline_of(history, FISTULA, words, audit=True)

    assert sentences(plain) == ["Made: LEFT upper-arm fistula (brachiocephalic)."]
    assert [(line.standing, line.sentence) for line in audit.lines] == [
        ("corrected", "Made: RIGHT upper-arm fistula (brachiocephalic)."),
        (
            "in-force",
            f"Made: LEFT upper-arm fistula (brachiocephalic). This is in place of entry {first[:8]}.",
        ),
    ]


def test_a_withdrawn_line_is_gone_and_the_audit_view_says_who_withdrew_it():
    history = a_history(fistula("2024-03-04"), given_up("2024-09-02"))
    history = retracted(history, history.entries[1].id)

    plain = timeline_of(history, FISTULA, words)
    audit = timeline_of(history, FISTULA, words, PEOPLE, audit=True)

    assert sentences(plain) == ["Made: LEFT upper-arm fistula (brachiocephalic)."]
    assert [(line.standing, line.kind, line.person) for line in audit.lines] == [
        ("in-force", "creation", "Nurse Invented"),
        ("withdrawn", "abandonment", "Nurse Invented"),
        ("about", "retraction", "Nurse Invented"),
    ]


def test_a_retraction_that_was_itself_retracted_brings_the_line_back():
    history = a_history(fistula("2024-03-04"), given_up("2024-09-02"))
    history = retracted(history, history.entries[1].id)
    history = retracted(history, history.entries[2].id)

    plain = timeline_of(history, FISTULA, words)
    audit = timeline_of(history, FISTULA, words, audit=True)

    assert [line.kind for line in plain.lines] == ["creation", "abandonment"]
    assert [line.standing for line in audit.lines if line.kind == "retraction"] == ["withdrawn", "about"]


def test_in_a_view_as_of_a_day_what_possibly_happened_by_then_is_marked():
    history = a_history(fistula("2021-03-04"), given_up("2024")).seen(as_of=date(2024, 6, 1))

    life = timeline_of(history, FISTULA, words)

    assert life.as_of == "1 June 2024"
    assert life.text_lines()[1].startswith("2024  [possibly by then] Given up")


def test_links_between_accesses_stand_in_the_audit_view_of_both():
    history = a_history(fistula("2024-03-04"), looked("2024-05-06", "A2", thrill="weak"))
    history = grown(history, happening("accesses-are-one", "2024-06-03", survivor=FISTULA, other="A2"))

    life = timeline_of(history, FISTULA, words, audit=True)

    assert [line.kind for line in life.lines] == ["creation", "examination", "accesses-are-one"]


def test_the_whole_patient_tells_what_names_no_access_as_well():
    history = a_history(happening("care-began", "2023-01-09"), line("2024-01-08"))

    life = timeline_of(history, None, words)

    assert [(line.kind, line.access) for line in life.lines] == [("care-began", None), ("catheter-placed", LINE)]


def test_the_timeline_as_json_says_who_confirmed_each_line():
    told = timeline_of(a_history(fistula("2024-03")), FISTULA, words, PEOPLE).to_json()

    assert told["format"] == 1
    assert told["lines"][0]["happened"] == "2024-03"
    assert told["lines"][0]["confirmed"] == "Nurse Invented"


def test_what_came_from_a_report_about_somebody_else_is_gone_and_shown_as_moved_in_the_audit_view():
    evidence = Evidence(report="r-1")
    history = a_history(fistula("2024-03-04"), an_entry(given_up("2024-09-02"), 2, evidence=evidence))
    history = grown(history, happening("report-moved", "2024-10-07", report="r-1", to_patient="P0002"))

    plain = timeline_of(history, FISTULA, words)
    audit = timeline_of(history, FISTULA, words, audit=True)

    assert [line.kind for line in plain.lines] == ["creation"]
    assert [(line.standing, line.kind) for line in audit.lines] == [("in-force", "creation"), ("moved", "abandonment")]
