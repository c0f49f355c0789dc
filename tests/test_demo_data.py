"""The demonstration data: complete, admissible, invented, and each quote stands in the report that it names."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from cli import demo
from cli.main import main
from ledger.admission import doubts_of
from ledger.arrival import arrive
from ledger.confirming import review_of
from ledger.dates import PartialDate
from ledger.entries import event_to_dict, validated
from ledger.events import FACT_KINDS, KINDS
from ledger.store import Ledger, schema
from ledger.vocabulary import Fate

LINES = demo.lines()
PEOPLE = demo.people()
TEXTS = {name: demo.report_bytes(name).decode("utf-8") for name in demo.report_names()}
KEYS = {"patient", "event", "source", "ordinal", "recorded_at", "by", "how", "quotes", "words", "label", "corrects"}


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    with demo.open_demo(tmp_path_factory.mktemp("demo") / "demo.sqlite") as built:
        demo.build_demo(built)
        yield built


# --- How much there is --------------------------------------------------------------------------------------------


def test_the_demo_is_large_enough_to_look_at():
    accesses = {line["event"]["access"] for line in LINES if "access" in line["event"]}

    assert len(PEOPLE["patients"]) >= 14
    assert len(accesses) >= 30
    assert len(LINES) >= 400
    assert len(TEXTS) >= 25


def test_every_kind_of_fact_is_there_and_so_are_links_corrections_and_retractions():
    said = Counter(line["event"]["kind"] for line in LINES)

    assert set(said) == set(KINDS)
    assert set(said) >= FACT_KINDS
    assert said["correction"] >= 5
    assert said["retraction"] >= 3


def test_between_six_and_eight_reports_wait_and_one_came_twice(ledger: Ledger):
    counted = ledger.papers.counted()

    assert counted == {"confirmed": 29, "waiting": 8}
    assert len(TEXTS) == 38
    assert TEXTS["fax-2026-09-28-0911.txt"] == TEXTS["fax-2026-09-28-0926.txt"]


def test_a_report_about_a_stranger_and_one_that_names_two_patients_are_nobodys(ledger: Ledger):
    """The number of the one Anselm Thornquist, the birth date of the other: that is no match."""
    waiting = {report.file_name: report.patient for report in ledger.papers.reports(state="waiting")}

    nobodys = {name for name, patient in waiting.items() if patient is None}

    assert nobodys == {"saltmarsh-2026-11-16.txt", "harrow-lane-2026-11-17.txt"}
    assert waiting["nursing-2026-11-19.txt"] == "P0022"
    assert waiting["marlbeck-2026-11-17.txt"] == "P0009"


# --- Each line ----------------------------------------------------------------------------------------------------


def test_lines_say_only_what_a_line_can_say():
    for line in LINES:
        assert line.keys() <= KEYS | {"retracts"}, line


def test_labels_are_unique_and_every_label_that_is_named_stands_on_an_earlier_line():
    seen: set[str] = set()
    for line in LINES:
        named = {*_labels_in(line["event"]), *(line[key] for key in ("corrects", "retracts") if key in line)}

        assert named <= seen, named - seen

        if "label" in line:
            assert line["label"] not in seen
            seen.add(line["label"])


def test_ids_of_accesses_visits_lesions_and_devices_begin_with_their_patient():
    for line in LINES:
        for name, value in _fields_of(line["event"]):
            if name in ("access", "visit", "lesion", "device", "old_device", "part", "survivor"):
                assert value.startswith(line["patient"] + "-"), (line["patient"], name, value)


def test_no_line_is_recorded_before_it_happened_nor_out_of_order():
    last = datetime.min.replace(tzinfo=ZoneInfo("UTC"))
    zone = ZoneInfo(PEOPLE["zone"])
    for line in LINES:
        recorded = datetime.fromisoformat(line["recorded_at"])
        event = _fact_of(line["event"])

        assert recorded >= last
        assert PartialDate(event["happened"]).earliest_in(zone) <= recorded.astimezone(zone).replace(tzinfo=None)
        assert recorded.astimezone(zone).date() <= demo.TODAY
        assert recorded.utcoffset() == recorded.astimezone(zone).utcoffset()

        last = recorded


def test_persons_units_and_centres_that_lines_name_are_there():
    known = {one["id"] for part in ("units", "centres", "persons") for one in PEOPLE[part]}
    for line in LINES:
        assert line["by"] in known
        for name, value in _fields_of(line["event"]):
            if name == "centre" or (name == "unit" and value != "units"):  # a dose has a unit too
                assert value in known, value


# --- Quotes -------------------------------------------------------------------------------------------------------


def test_every_quote_stands_word_for_word_in_its_report_and_is_no_mere_fragment():
    for line in LINES:
        for quote in line.get("quotes", ()):
            assert quote["words"] in TEXTS[quote["report"]], quote
            assert len(quote["words"]) >= 8


def test_words_that_are_said_to_stand_in_a_report_stand_there():
    for line in LINES:
        for said in line.get("words", {}).values():
            if isinstance(said, dict):
                assert said["words"] in TEXTS[said["report"]], said


def test_every_number_from_a_report_stands_in_the_words_that_its_entry_quotes():
    """A percentage, a balloon and a flow rest on the quoted words, not on somebody's memory of the rest."""
    for line in LINES:
        if not line.get("quotes"):
            continue
        quoted = " ".join(quote["words"] for quote in line["quotes"])
        for name, value in _fields_of(_fact_of(line["event"])):
            if isinstance(value, dict) and name != "length_mm":  # lengths are given in mm or cm
                number = value["value"]
                assert re.search(rf"(?<![\d.]){re.escape(number)}(?![\d])", quoted), (number, quoted)


def test_each_report_names_its_patient_with_number_and_birth_date_as_the_register_does(ledger: Ledger):
    for line in LINES:
        for quote in line.get("quotes", ()):
            name = quote["report"]
            (part,) = arrive(TEXTS[name].encode(), file_name=name).parts
            owner = "P0014" if name == "harrow-lane-2026-08-05.txt" else line["patient"]
            patient = ledger.who.patient(owner)

            assert patient.birth_date in {day for clue in part.clues.birth_dates for day in clue.readings}, name
            values = {clue.value for clue in part.clues.identifiers}
            assert {one.value for one in patient.identifiers} & values, name


# --- Invented -----------------------------------------------------------------------------------------------------


def test_the_data_says_that_it_is_invented(ledger: Ledger):
    assert "invented" in PEOPLE["about"]
    for text in TEXTS.values():
        assert text.rstrip().endswith("everything in it are invented. ***")
    for one in (*ledger.who.units(), *ledger.who.centres(), *ledger.who.people(), *ledger.who.patients()):
        assert one.invented


def test_numbers_are_of_systems_that_cannot_exist():
    """`.example` is reserved by RFC 2606 and belongs to nobody."""
    for patient in PEOPLE["patients"]:
        for number in patient["identifiers"]:
            assert re.fullmatch(r"https://[a-z-]+\.example/[a-z]+", number["system"])
            assert re.fullmatch(r"(FV|HL|SR)-\d{5,6}", number["value"])


def test_two_patients_are_called_alike():
    alike = [patient["id"] for patient in PEOPLE["patients"] if patient["name"] == "Anselm Thornquist"]

    assert alike == ["P0013", "P0014"]


# --- Built --------------------------------------------------------------------------------------------------------


def test_every_line_is_admitted_and_goes_in_once(ledger: Ledger):
    stored = [entry for patient in PEOPLE["patients"] for entry in ledger.history(patient["id"], sessions=True).entries]
    own = [entry for entry in stored if not entry.id.startswith("P")]

    kinds = Counter(entry.kind for entry in own)

    assert kinds == Counter(line["event"]["kind"] for line in LINES)
    assert len({entry.id for entry in own}) == len(LINES)


def test_every_event_passes_the_border_once_more(ledger: Ledger):
    for patient in PEOPLE["patients"]:
        for entry in ledger.history(patient["id"], sessions=True).entries:
            assert validated(event_to_dict(entry.event)) == entry.event


def test_times_persons_and_ways_of_signing_are_those_of_the_story(ledger: Ledger):
    told = Counter((line["by"], line.get("how", "claimed"), _utc(line["recorded_at"])) for line in LINES)

    stored = Counter(
        (entry.recorded_by.person, entry.recorded_by.how.value, entry.recorded_at[:19])
        for patient in PEOPLE["patients"]
        for entry in ledger.history(patient["id"], sessions=True).entries
    )

    assert stored == told


def test_the_only_doubt_that_is_left_open_is_the_side_of_a_graft_in_two_records(ledger: Ledger):
    doubts = defaultdict(set)
    for patient in PEOPLE["patients"]:
        for doubt in doubts_of(ledger.history(patient["id"], sessions=True)):
            doubts[patient["id"]].add(doubt.code)

    assert dict(doubts) == {"P0016": {"side-disagrees"}}


def test_two_builds_hold_the_same_ids_hashes_and_texts(tmp_path: Path, ledger: Ledger):
    with demo.open_demo(tmp_path / "again.sqlite") as again:
        demo.build_demo(again)

        for table in schema.metadata.tables:
            rows = [sorted(map(repr, one.db.execute(f"SELECT * FROM {table}").fetchall())) for one in (ledger, again)]
            assert rows[0] == rows[1], table


def test_every_report_that_was_gone_through_has_nothing_open(ledger: Ledger):
    for report in ledger.papers.reports(state="confirmed"):
        assert review_of(ledger, report.id).open == (), report.file_name


def test_what_a_report_proposed_is_kept_with_what_became_of_it(ledger: Ledger):
    (review,) = [one for one in ledger.history("P0009").entries if one.kind == "report-reviewed"][:1]

    fates = {fate.kind: fate for fate in review.event.fates}

    banding = next(one for one in ledger.history("P0009").entries if one.kind == "banding")
    assert fates["banding"].entry == banding.id
    assert fates["banding"].fate in (Fate.ACCEPTED, Fate.EDITED)


def test_the_tour_shows_a_brief_whom_to_look_at_and_what_to_type(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    where = tmp_path / "demo.sqlite"

    code = main(["demo", "--ledger", str(where)])

    said = capsys.readouterr().out
    looked_at = said[said.index("Who needs looking at") :]
    assert code == 0
    assert "Its today is 2026-11-20" in said
    assert "intervals 210, 120, 64 days" in said
    assert looked_at.index("P0008") < looked_at.index("P0001")  # no thrill this morning comes first
    assert f"ACCESS_LEDGER={where}" in looked_at


# --- The six lives ------------------------------------------------------------------------------------------------


def test_life_one_the_cephalic_arch_came_back_after_210_120_and_64_days(ledger: Ledger):
    history = ledger.history("P0001")

    days = [one.happened.earliest for one in history.facts if one.kind == "angioplasty"]

    assert [(after - before).days for before, after in pairwise(days)] == [210, 120, 64]


def test_life_one_the_fax_said_right_until_the_full_report_settled_it(ledger: Ledger):
    history = ledger.history("P0001")
    as_known = history.seen(known_on=datetime(2026, 11, 13).date())

    before = {doubt.code for doubt in doubts_of(as_known)}
    after = {doubt.code for doubt in doubts_of(history)}
    stent = next(one for one in history.facts if one.kind == "stent")

    assert "lesion-on-other-side" in before
    assert not after
    assert [placed.side.value for placed in stent.fact.stents] == ["left"]  # type: ignore[union-attr]
    assert any("LEFT" in (ledger.papers.words(quote) or "") for quote in stent.entry.evidence.quotes)


def test_life_two_nine_of_twelve_runs_in_four_weeks_by_10_october_and_nobody_knew_before_18_november(ledger: Ledger):
    history = ledger.history("P0002", sessions=True)
    four_weeks = [
        one.fact.use.value  # type: ignore[union-attr]
        for one in history.facts
        if one.kind == "cannulation-session" and "2026-09-13" <= one.happened <= "2026-10-10"
    ]
    as_known = history.seen(known_on=datetime(2026, 11, 17).date())

    known_then = [one for one in as_known.facts if one.kind == "cannulation-session" and one.happened > "2026-09-15"]

    assert Counter(four_weeks) == {"two-needles": 9, "one-needle-and-line": 3}
    assert not known_then
    assert (demo.TODAY - datetime(2026, 10, 10).date()).days == 41
    assert not any(one.kind == "catheter-removed" for one in history.facts)


def test_life_three_cultures_were_positive_on_days_0_15_and_30(ledger: Ledger):
    history = ledger.history("P0003")

    positive = sorted(
        {
            one.happened.earliest
            for one in history.facts
            if one.kind == "culture" and one.fact.positive  # type: ignore[union-attr]
        }
    )

    assert positive[0].strftime("%A") == "Monday"
    assert [(day - positive[0]).days for day in positive] == [0, 15, 30]


def test_life_four_the_arterial_limb_was_unknown_until_the_message_came(ledger: Ledger):
    history = ledger.history("P0004")
    before = history.seen(known_on=datetime(2026, 9, 24).date())

    def limb(seen: Any) -> list[str]:
        return [
            one.fact.arterial_limb.value
            for one in seen.of_access("P0004-A1")
            if getattr(one.fact, "arterial_limb", None) is not None
        ]

    assert limb(before) == []
    assert limb(history) == ["medial"]


def test_life_five_the_fistula_goes_on_from_the_graft_that_was_given_up(ledger: Ledger):
    history = ledger.history("P0005")

    kinds = [one.kind for one in history.of_access("P0005-A2")]
    fistula = next(one.fact for one in history.of_access("P0005-A4") if one.kind == "creation")

    assert kinds.index("thrombectomy") < kinds.index("abandonment")
    assert fistula.continues_from == "P0005-A2"  # type: ignore[union-attr]


def test_life_six_the_decision_is_asked_anew_every_quarter(ledger: Ledger):
    history = ledger.history("P0006")

    asked = [
        one.happened.earliest
        for one in history.facts
        if one.kind == "decision" and one.fact.what.value == "chooses-catheter"  # type: ignore[union-attr]
    ]

    assert len(asked) == 7
    assert all(85 <= (after - before).days <= 95 for before, after in pairwise(asked))


# --- Helpers ------------------------------------------------------------------------------------------------------


def _fields_of(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Every named value at any depth; a quantity counts as one value."""
    if isinstance(value, dict) and not ({"value", "low"} & value.keys()):
        for inner_name, inner in value.items():
            yield from _fields_of(inner, inner_name)
    elif isinstance(value, list):
        for inner in value:
            yield from _fields_of(inner, name)
    else:
        yield name, value


def _fact_of(event: dict[str, Any]) -> dict[str, Any]:
    fact: dict[str, Any] = event["to"] if event["kind"] == "correction" else event
    return fact


def _labels_in(event: Any) -> set[str]:
    return {value[1:] for _, value in _fields_of(event) if isinstance(value, str) and value.startswith("@")}


def _utc(instant: str) -> str:
    return datetime.fromisoformat(instant).astimezone(ZoneInfo("UTC")).strftime("%Y-%m-%dT%H:%M:%S")
