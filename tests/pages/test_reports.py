"""Reports: the list that waits, and one of them gone through beside its text, with a browser and without."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from ledger.confirming import review_of
from ledger.entries import Draft, Signature
from ledger.events import ReportReviewed
from ledger.matching import Register
from ledger.receiving import opened_up, receive
from ledger.store import Ledger
from ledger.vocabulary import ConfirmedHow, Fate
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE, HERE

BY_HAND = Signature(person="brask", how=ConfirmedHow.CLAIMED)


def _waiting(desk: Desk, patient: str | None) -> str:
    with desk.ledger() as ledger:
        return next(one.id for one in ledger.papers.reports(state="waiting") if one.patient == patient)


def _fields(page: str) -> dict[str, str]:
    """What a browser would send of the form of a report as it was shown, nothing decided."""
    start = page.index('id="decisions"')
    part = page[start : page.index("</form>", start)]
    found = {}
    for tag in re.findall(r"<input [^>]*>", part):
        name, value = re.search(r'name="([^"]+)"', tag), re.search(r'value="([^"]*)"', tag)
        kind = re.search(r'type="(\w+)"', tag)
        if name and value and (kind is None or kind[1] in ("hidden", "text") or " checked" in tag):
            found[name[1]] = value[1].replace("&#34;", '"').replace("&#39;", "'").replace("&amp;", "&")
    for name, words in re.findall(r'<textarea id="[^"]*" name="([^"]+)"[^>]*>([^<]*)</textarea>', part):
        found[name] = words.replace("&#34;", '"').replace("&#39;", "'").replace("&amp;", "&")
    for name, options in re.findall(r'<select id="[^"]*" name="([^"]+)"[^>]*>(.*?)</select>', part, re.DOTALL):
        if held := re.search(r'value="([^"]*)" selected', options):
            found[name] = held[1]
    return found


def _laid_out(client: TestClient, report: str) -> dict[str, str]:
    return _fields(client.get(f"/report/{report}").text)


def _reviews(ledger: Ledger, patient: str, report: str) -> list[Any]:
    return [
        entry
        for entry in ledger.history(patient).entries
        if isinstance(entry.event, ReportReviewed) and entry.event.report == report
    ]


# --- The list -----------------------------------------------------------------------------------------------------


def test_the_list_says_for_whom_a_report_waits_and_why(asking: Callable[..., TestClient]) -> None:
    page = asking().get("/reports").text

    assert "8 reports wait." in page
    assert "Lysander Bramwell-Achebe" in page
    assert "5 proposals, none plain" in page
    assert "The birth date fits the one on record, but does not settle it." in page
    assert page.count("Waits for its patient") == 2


def test_the_list_is_narrowed_by_what_is_awaited_by_unit_by_centre_and_by_age(
    asking: Callable[..., TestClient],
) -> None:
    client = asking()

    def how_many(query: str) -> int:
        found = re.search(r"(\d+) reports? waits?", client.get(f"/reports?{query}").text)
        assert found is not None
        return int(found[1])

    assert how_many("waits=patient") == 2
    assert how_many("waits=person") == 6
    assert how_many(f"unit={HERE}") == 6
    assert how_many(f"unit={ELSEWHERE}") == 0
    assert how_many("sender=Harrow+Lane+Access+Centre") == 3
    assert how_many("sender=Marlbeck+General+Hospital") == 1
    assert how_many("days=2") == 2
    assert how_many("days=99") == 0


def test_whoever_only_looks_sees_no_report_without_a_patient(desk: Desk, asking: Callable[..., TestClient]) -> None:
    from cli.pages.rights import Role

    client = asking(roles=frozenset({Role.LOOKS}))

    assert "Waits for its patient" not in client.get("/reports").text
    assert client.get(f"/report/{_waiting(desk, None)}").status_code == 404
    assert 'id="decisions"' not in client.get(f"/report/{_waiting(desk, 'P0009')}").text


def test_a_report_of_a_foreign_unit_is_not_there(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking(units=frozenset({ELSEWHERE}))
    report = _waiting(desk, "P0009")

    assert "Bramwell" not in client.get("/reports").text
    assert client.get(f"/report/{report}").status_code == 404
    assert client.get(f"/report/{report}/original").status_code == 404
    sent = {"csrf": client.csrf, "do": "record", "fate.0": "accept"}
    assert client.post(f"/report/{report}", data=sent).status_code == 404


# --- Going through one --------------------------------------------------------------------------------------------


def test_what_is_accepted_and_dismissed_is_recorded_in_the_name_of_whoever_is_signed_in(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(person="nkemelu"), _waiting(desk, "P0009")
    sent = _laid_out(client, report)
    sent |= {"fate.0": "accept", "fate.1": "accept", "fate.2": "dismiss", "reason.2": "said twice", "do": "record"}

    answer = client.post(f"/report/{report}", data=sent)

    assert answer.status_code == 303
    assert f"after={report}" in answer.headers["location"]
    with desk.ledger() as ledger:
        (entry,) = _reviews(ledger, "P0009", report)
        fates = [one.fate for one in entry.event.fates]
        assert ledger.papers.words(entry.event.fates[2].reason) == "said twice"
        assert ledger.papers.report(report).state == "waiting"
    assert fates[:3] == [Fate.ACCEPTED, Fate.ACCEPTED, Fate.DISMISSED]
    assert set(fates[3:]) == {Fate.LEFT}
    assert (entry.recorded_by.person, entry.recorded_by.how) == ("nkemelu", ConfirmedHow.SIGNED_IN)


def test_sent_twice_it_is_recorded_once(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client, report = asking(), _waiting(desk, "P0009")
    sent = _laid_out(client, report) | {"fate.0": "accept", "do": "record"}
    client.post(f"/report/{report}", data=sent)
    with desk.ledger() as ledger:
        before = len(ledger.history("P0009").entries)

    answer = client.post(f"/report/{report}", data=sent)

    assert answer.status_code == 409
    with desk.ledger() as ledger:
        assert len(ledger.history("P0009").entries) == before


def test_an_edit_is_kept_and_what_was_not_edited_stays_as_the_report_says(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(), _waiting(desk, "P0009")
    sent = _laid_out(client, report)
    gauge = next(name for name, value in sent.items() if name.endswith(".gauge") and value == "16")
    index = int(gauge.split(".")[1])
    sent |= {gauge: "17", f"fate.{index}": "accept", "do": "record"}

    assert client.post(f"/report/{report}", data=sent).status_code == 303

    with desk.ledger() as ledger:
        (entry,) = _reviews(ledger, "P0009", report)
        fate = entry.event.fates[index]
        event = ledger.history("P0009").entry(fate.entry).event
        text = ledger.papers.report(report).text_id
    assert (fate.fate, fate.edited) == (Fate.EDITED, ("gauge",))
    assert event.gauge == 17
    assert event.words.text == text, "its words are still the report's"


def test_an_edit_that_cannot_be_read_says_so_beside_the_field_and_records_nothing(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(), _waiting(desk, "P0009")
    sent = _laid_out(client, report)
    sent |= {"e.0.happened": "the other day", "fate.0": "accept", "fate.1": "accept", "do": "record"}

    answer = client.post(f"/report/{report}", data=sent)

    assert answer.status_code == 422
    assert "This is not a date." in answer.text
    assert 'value="the other day"' in answer.text, "what was typed is still there"
    assert _fields(answer.text)["fate.1"] == "accept"
    with desk.ledger() as ledger:
        assert _reviews(ledger, "P0009", report) == []


def test_a_dismissal_needs_a_reason(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client, report = asking(), _waiting(desk, "P0009")

    answer = client.post(f"/report/{report}", data=_laid_out(client, report) | {"fate.0": "dismiss", "do": "record"})

    assert answer.status_code == 422
    assert "A reason is needed" in answer.text


def test_when_somebody_else_wrote_meanwhile_nothing_is_recorded_and_nothing_typed_is_lost(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(), _waiting(desk, "P0009")
    sent = _laid_out(client, report) | {"fate.0": "accept", "fate.1": "dismiss", "reason.1": "read it", "do": "record"}
    with desk.ledger() as ledger:
        from ledger.dates import PartialDate
        from ledger.events import Examination

        event = Examination(happened=PartialDate("2026-11-18"), access=ledger.history("P0009").accesses[0])
        ledger.append("P0009", [Draft(event=event, source="test:1")], by=BY_HAND)

    answer = client.post(f"/report/{report}", data=sent)

    assert answer.status_code == 409
    assert "Nothing was recorded." in answer.text
    again = _fields(answer.text)
    assert (again["fate.0"], again["fate.1"], again["reason.1"]) == ("accept", "dismiss", "read it")
    assert client.post(f"/report/{report}", data=again | {"do": "record"}).status_code == 303


def test_where_matching_is_in_doubt_no_access_is_chosen_until_a_person_has(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(), _waiting(desk, "P0010")
    shown = _laid_out(client, report)
    assert not [name for name in shown if name.startswith("access.")]

    left = client.post(f"/report/{report}", data=shown | {"fate.0": "accept", "do": "record"})

    assert "1. angiogram waits" in left.text
    with desk.ledger() as ledger:
        assert ledger.history("P0010").version == _reviews(ledger, "P0010", report)[0].version, "the review and no more"
        access = next(one for one in ledger.history("P0010").accesses if one.endswith("A2"))
    sent = _fields(left.text) | {"access.a1": access, "day": "2026-11-18", "fate.0": "accept", "do": "record"}
    client.post(f"/report/{report}", data=sent)
    with desk.ledger() as ledger:
        fates = _reviews(ledger, "P0010", report)[-1].event.fates
    assert (fates[0].fate, fates[0].access) == (Fate.ACCEPTED, access)


def test_a_refused_entry_says_why_and_stays(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client, report = asking(), _waiting(desk, "P0009")
    sent = _laid_out(client, report) | {"e.0.happened": "2031-01-01", "fate.0": "accept", "do": "record"}

    answer = client.post(f"/report/{report}", data=sent)

    assert 'role="alert" class="stop"' in answer.text
    assert "1. revision:" in answer.text
    assert 'name="fate.0"' in answer.text, "it is still open"


def test_what_another_report_told_before_is_known_already_unless_a_person_says_otherwise(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client = asking()
    with desk.ledger() as ledger:
        register = Register(ledger.who.patients())
        text = _operative_report("P0011", desk, 9)
        receive(ledger, opened_up(text.encode(), "first.txt"), register)
    first = _waiting(desk, "P0011")
    sent = _laid_out(client, first)
    taken = {f"fate.{name[4:]}": "accept" for name in sent if name.startswith("was.")}
    client.post(f"/report/{first}", data=sent | taken | {"do": "record"})
    with desk.ledger() as ledger:
        entries = len(ledger.history("P0011").entries)
        again = text.replace("HARROW LANE ACCESS CENTER", "LETTER FROM HARROW LANE ACCESS CENTER")
        receive(ledger, opened_up(again.encode(), "second.txt"), register)
    second = _waiting(desk, "P0011")

    page = client.get(f"/report/{second}").text
    client.post(f"/report/{second}", data=_fields(page) | taken | {"do": "record"})

    assert "tells the same" in page
    assert 'value="own"' in page
    with desk.ledger() as ledger:
        (entry,) = _reviews(ledger, "P0011", second)
        assert {one.fate for one in entry.event.fates} == {Fate.ALREADY_KNOWN}
        assert len(ledger.history("P0011").entries) == entries + 1, "the review, and nothing told twice"


def test_a_report_that_proposes_nothing_is_done_with_by_a_person(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client, report = asking(), _waiting(desk, "P0002")
    page = client.get(f"/report/{report}").text

    answer = client.post(f"/report/{report}", data=_fields(page) | {"do": "record"})

    assert "It proposes nothing for the ledger." in page
    assert answer.status_code == 303
    with desk.ledger() as ledger:
        assert ledger.papers.report(report).state == "confirmed"
        assert len(_reviews(ledger, "P0002", report)) == 1


def test_a_confirmed_report_says_who_went_through_it_and_what_became_of_it(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    with desk.ledger() as ledger:
        report = next(one.id for one in ledger.papers.reports(state="confirmed") if one.patient == "P0001")

    page = asking().get(f"/report/{report}").text

    assert "Gone through by" in page
    assert "Decided before" in page
    assert "P0001." in page


def test_an_erased_text_leaves_the_page_and_no_word_of_it(desk: Desk, asking: Callable[..., TestClient]) -> None:
    report = _waiting(desk, "P0009")
    with desk.ledger() as ledger, ledger.db.writing():
        ledger.db.execute("UPDATE texts SET words=NULL WHERE text=?", (ledger.papers.report(report).text_id,))

    page = asking().get(f"/report/{report}")

    assert page.status_code == 200
    assert "Its words are not held here" in page.text
    assert "MARLBECK" not in page.text


def test_the_original_is_saved_and_never_shown_as_a_page_of_ours(desk: Desk, asking: Callable[..., TestClient]) -> None:
    answer = asking().get(f"/report/{_waiting(desk, 'P0009')}/original")

    assert answer.content.startswith(b"MARLBECK GENERAL HOSPITAL")
    assert answer.headers["content-disposition"].startswith('attachment; filename="r-')
    assert "marlbeck" not in answer.headers["content-disposition"], "a sender's file name may be a patient's"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-type"] == "application/octet-stream"


# --- Whose it is --------------------------------------------------------------------------------------------------


def test_the_record_stands_beside_what_the_report_says_and_disagreement_is_said(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    with desk.ledger() as ledger:
        report = next(
            one.id for one in ledger.papers.reports(state="waiting") if one.file_name == "harrow-lane-2026-11-17.txt"
        )
    client = asking()

    page = client.get(f"/report/{report}").text

    assert "THORNQUIST, ANSELM" in page
    assert page.count("DIFFERENT") >= 1
    assert "although it disagrees" in page


def test_a_person_says_whose_report_it_is_and_what_speaks_against_it_stays(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(person="nkemelu"), _waiting(desk, None)

    found = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "seek", "q": "osterpyke"})
    answer = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "link", "patient": "P0001"})

    assert "Wilhelmina Osterpike" in found.text
    assert found.text.count("DIFFERENT") == 2, "name and birth date; a number of another house says nothing"
    assert "although it disagrees" in found.text
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "Wilhelmina Osterpike" in page
    assert "Careful:" in page
    with desk.ledger() as ledger:
        linked = ledger.papers.report(report).envelope["linked"]
    assert (linked["by"], linked["person"]) == ("person", "nkemelu")
    assert linked["doubts"]


def test_a_report_cannot_be_put_to_a_patient_of_a_foreign_unit(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client, report = asking(units=frozenset({ELSEWHERE})), _waiting(desk, None)

    answer = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "link", "patient": "P0001"})

    assert answer.status_code == 404
    assert _waiting(desk, None) == report


# --- Bringing reports in ------------------------------------------------------------------------------------------


def test_a_file_that_is_brought_in_is_kept_read_and_put_to_its_patient_once(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, text = asking(), _operative_report("P0011", desk, 9)

    def bring() -> str:
        files = {"files": ("scan.txt", text.encode(), "text/plain")}
        return str(client.post("/reports", data={"csrf": client.csrf}, files=files).headers["location"])

    assert bring() == "/reports?stored=1"
    assert bring() == "/reports?already=1"
    with desk.ledger() as ledger:
        assert [one.file_name for one in ledger.papers.reports(state="waiting", patient="P0011")] == ["scan.txt"]


# --- By keyboard alone --------------------------------------------------------------------------------------------


def _operative_report(patient: str, desk: Desk, day: int) -> str:
    """An invented report of an angioplasty of a patient's fistula or graft, in the words of an access centre."""
    with desk.ledger() as ledger:
        one = ledger.who.patient(patient)
        name = next(iter(_needled(ledger, patient)))
    assert one.birth_date is not None
    return (
        f"HARROW LANE ACCESS CENTER\nOPERATIVE REPORT\n\nPatient: {one.name}\nDate of birth: {one.birth_date}\n"
        f"MRN: {one.identifiers[0].value}\nDate of procedure: 2026-11-{day:02}\n\n"
        f"PROCEDURE: Angiogram and balloon angioplasty of the {name}.\n"
        "FINDINGS: There was a 70% stenosis of the outflow vein.\n"
        "INTERVENTION: It was dilated with an 8 mm balloon. Residual stenosis 10%.\n"
        "COMPLICATIONS: None.\n\n*** Invented; no such person exists. ***\n"
    )


def test_a_liaison_works_off_ten_reports_by_keyboard_alone(desk: Desk, tab: Callable[..., Any]) -> None:
    with desk.ledger() as ledger:
        for report in list(ledger.papers.reports(state="waiting")):
            ledger.papers.change(report.id, state="dismissed")
        register = Register(ledger.who.patients())
        with_one = [one.id for one in ledger.who.patients() if _needled(ledger, one.id)]
        for nth, patient in enumerate(with_one[:10]):
            text = _operative_report(patient, desk, 9 + nth)
            receive(ledger, opened_up(text.encode(), f"centre-{nth}.txt"), register)
        waiting = [one.id for one in ledger.papers.reports(state="waiting")]
        assert len(waiting) == 10
        proposals = sum(len(review_of(ledger, one).reading.proposed) for one in waiting)
    page = tab("/reports")
    keys = 0

    def press(key: str) -> None:
        nonlocal keys
        keys += 1
        page.keyboard.press(key)

    press("Enter")
    for _ in waiting:
        page.wait_for_selector("#decisions")
        here = page.url
        for _ in range(30):
            # The focus lands a moment after the page, or a part of it, is there.
            page.wait_for_function("document.activeElement !== document.body")
            at = page.evaluate("(document.activeElement.closest('.item') || document.activeElement).className")
            if "proposal" in at:
                press("a")
            elif "access" in at:
                ref = page.evaluate("document.activeElement.closest('.item').dataset.ref")
                press("1")
                page.wait_for_selector(f'.access[data-ref="{ref}"]:not([data-undecided])')
            else:
                break
        assert page.evaluate("document.activeElement.id") == "record"
        press("Enter")
        page.wait_for_url(lambda url, here=here: url != here)
        page.wait_for_load_state()
        if page.locator("#onwards").count():
            press("Enter")

    page.get_by_text("Nothing waits here.").wait_for()
    with desk.ledger() as ledger:
        assert [ledger.papers.report(one).state for one in waiting] == ["confirmed"] * 10
    # One key for each proposal, one to record each report, one to begin; a few more where an access was in doubt or
    # admission had something to say. At this rate two hundred reports are a thousand keys.
    assert keys <= proposals + 3 * len(waiting) + 1, keys


def _needled(ledger: Ledger, patient: str) -> list[str]:
    """The names of the patient's fistulas and grafts that are kept."""
    from ledger.projections.rows import rows_of

    rows = rows_of(ledger.history(patient))
    return [row.name for row in rows if row.access_kind in ("fistula", "graft") and row.closed is None]


def test_looking_at_a_proposal_shows_its_quote_and_a_quote_its_proposal(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0009')}")

    page.keyboard.press("n")
    page.keyboard.press("n")
    shown = page.locator(".report-text .on-it").all_inner_texts()
    page.locator(".report-text .quote", has_text="Clips x 9 out at 14 days.").click()

    assert "".join(shown).startswith(("regional", "not to be needled", "No complication"))
    assert page.evaluate("document.activeElement.dataset.ref") == "p4"


def test_when_the_connection_drops_what_was_decided_is_still_there(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0018')}")
    page.keyboard.press("a")
    page.keyboard.press("a")
    page.keyboard.press("a")

    page.context.set_offline(True)
    page.keyboard.press("Enter")
    page.get_by_text("No connection just now. What you decided is still here.").wait_for()
    decided = page.locator("[name^=fate][value=accept]:checked").count()
    page.context.set_offline(False)
    page.keyboard.press("r")

    page.get_by_text("of P0018:").wait_for()
    assert decided == 3
    page.wrong.clear()


def test_what_was_decided_is_back_after_signing_in_again_and_gone_once_it_is_recorded(
    desk: Desk, tab: Callable[..., Any]
) -> None:
    report = _waiting(desk, "P0018")
    page = tab(f"/report/{report}")
    page.keyboard.press("a")
    page.keyboard.press("d")
    page.keyboard.type("said twice")
    (before,) = page.context.cookies()
    desk.doors.end(before["value"])

    page.keyboard.press("Enter")
    page.evaluate("document.getElementById('record').click()")
    page.get_by_text("What you decided is still here.").wait_for()
    page.context.add_cookies([{**before, "value": desk.doors.begin(desk.account())}])
    page.reload()
    page.get_by_text("What you had decided here and not recorded is back.").wait_for()
    fates = page.locator("[name^=fate]:checked").evaluate_all("all => all.map(one => one.value)")
    reasons = page.locator("[name^=reason]").evaluate_all("all => all.map(one => one.value)")
    page.keyboard.press("r")
    page.get_by_text("of P0018:").wait_for()
    page.goto(f"/report/{report}")

    assert fates[:2] == ["accept", "dismiss"]
    assert reasons[1] == "said twice"
    assert page.get_by_text("not recorded is back").count() == 0
    page.wrong.clear()


def test_what_was_decided_of_other_proposals_is_not_put_back(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0018')}")
    page.keyboard.press("a")
    page.evaluate(
        "for (const key of Object.keys(sessionStorage)) if (key.startsWith('draft '))"
        ' sessionStorage.setItem(key, sessionStorage.getItem(key).replace(/"version":"[^"]*"/, \'"version":"1.x.9"\'))'
    )

    page.reload()

    page.get_by_text("is gone: other proposals are open now").wait_for()
    assert page.locator("[name^=fate][value=accept]:checked").count() == 0


def test_a_letter_typed_in_a_field_is_a_letter(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0009')}")

    page.keyboard.press("d")
    page.keyboard.type("near nap, asked up")
    page.keyboard.press("Enter")

    assert page.locator("[name='reason.0']").input_value() == "near nap, asked up"
    assert page.locator("[name='fate.0'][value=dismiss]").is_checked()
    assert page.locator("[name^=fate][value=accept]:checked").count() == 0


def test_a_key_pressed_for_the_report_before_says_nothing_about_this_one(desk: Desk, tab: Callable[..., Any]) -> None:
    with desk.ledger() as ledger:
        waiting = [(one.id, one.patient) for one in ledger.papers.reports(state="waiting")]
    for report, patient in waiting:
        page = tab(f"/report/{report}")

        page.keyboard.press("Enter")
        page.keyboard.press("Space")
        page.wait_for_timeout(100)

        with desk.ledger() as ledger:
            kept = ledger.papers.report(report)
        assert (kept.patient, kept.state) == (patient, "waiting")
        assert page.locator("[name^=fate][value=accept]:checked").count() == 0


def test_single_keys_can_be_turned_off(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0009')}")

    page.get_by_role("button", name="Turn single keys off").click()
    page.locator(".proposal").first.focus()
    page.keyboard.press("a")

    assert page.locator("[name^=fate][value=accept]:checked").count() == 0


def test_an_edit_changes_what_would_be_said_before_it_is_recorded(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab(f"/report/{_waiting(desk, 'P0009')}")

    page.keyboard.press("e")
    page.keyboard.press("Control+A")
    page.keyboard.type("2026-11-16")
    page.keyboard.press("Enter")

    page.locator(".proposal").first.get_by_text("16 November 2026: Revised").wait_for()
    assert page.locator(".proposal").first.get_by_text("(1 changed)").is_visible()


def test_a_scan_is_brought_in_from_the_list(desk: Desk, tab: Callable[..., Any], tmp_path: Path) -> None:
    file = tmp_path / "from-the-centre.txt"
    file.write_text(_operative_report("P0011", desk, 12))
    page = tab("/reports")

    page.locator("#files").set_input_files(str(file))
    page.get_by_role("button", name="Keep and read them").click()

    page.get_by_text("from-the-centre.txt: 1 kept").wait_for()
    page.get_by_role("link", name="Show the list").click()
    page.get_by_text("Evander Kowalczyk-Price").wait_for()


# --- Set aside as a whole -----------------------------------------------------------------------------------------


def test_a_report_without_a_patient_is_set_aside_with_a_reason_and_put_back(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(person="nkemelu"), _waiting(desk, None)
    sent = {"csrf": client.csrf, "do": "dismiss", "why": "cover sheet"}

    answer = client.post(f"/report/{report}", data=sent)
    page = client.get(f"/report/{report}").text
    list_after = client.get(f"/reports?after={report}").text
    back = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "reopen"})

    assert answer.status_code == 303
    assert f"after={report}" in answer.headers["location"]
    assert "“cover sheet”. It no longer waits." in page
    assert "Who could be meant" not in page
    assert "7 reports wait." in list_after
    assert f"Report {report[:10]} is set aside" in list_after
    assert back.status_code == 303
    assert "8 reports wait." in client.get("/reports").text
    with desk.ledger() as ledger:
        did = ledger.db.execute("SELECT person, did FROM audit WHERE about=? ORDER BY at", (report,)).fetchall()
    assert [tuple(row) for row in did if row[1] in ("report dismiss", "report reopen")] == [
        ("nkemelu", "report dismiss"),
        ("nkemelu", "report reopen"),
    ]


def test_a_patients_report_that_is_set_aside_leaves_the_brief_and_keeps_each_fate(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, report = asking(person="nkemelu"), _waiting(desk, "P0009")
    before = client.get("/patient/P0009").text
    sent = {"csrf": client.csrf, "do": "dismiss", "why": "of a study"}

    client.post(f"/report/{report}", data=sent)

    assert f"/report/{report}" in before
    assert f"/report/{report}" not in client.get("/patient/P0009").text
    with desk.ledger() as ledger:
        (entry,) = _reviews(ledger, "P0009", report)
        assert ledger.papers.report(report).state == "dismissed"
    assert {fate.fate for fate in entry.event.fates} == {Fate.DISMISSED}
    assert (entry.recorded_by.person, entry.recorded_by.how) == ("nkemelu", ConfirmedHow.SIGNED_IN)


def test_a_report_is_not_set_aside_without_a_reason_by_who_only_looks_or_with_entries(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    from cli.pages.rights import Role

    client, looks, report = asking(), asking(roles=frozenset({Role.LOOKS})), _waiting(desk, "P0009")

    without = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "dismiss", "why": " "})
    refused = looks.post(f"/report/{report}", data={"csrf": looks.csrf, "do": "dismiss", "why": "not ours"})
    client.post(f"/report/{report}", data=_laid_out(client, report) | {"fate.0": "accept", "do": "record"})
    late = client.post(f"/report/{report}", data={"csrf": client.csrf, "do": "dismiss", "why": "not ours"})

    assert (without.status_code, refused.status_code) == (422, 403)
    assert "A reason is needed" in without.text
    assert late.status_code in (400, 409, 422)
    assert "Entries rest on report" in late.text
    assert "set the whole report aside" not in client.get(f"/report/{report}").text
    with desk.ledger() as ledger:
        assert ledger.papers.report(report).state == "waiting"


def test_how_many_could_be_meant_in_foreign_units_is_not_said(desk: Desk, asking: Callable[..., TestClient]) -> None:
    with desk.ledger() as ledger:
        report = next(
            one.id for one in ledger.papers.reports(state="waiting") if one.file_name == "harrow-lane-2026-11-17.txt"
        )
    bound, whole = asking(units=frozenset({ELSEWHERE})), asking()

    shown, to_all = bound.get(f"/report/{report}").text, whole.get(f"/report/{report}").text

    assert "although it disagrees" in to_all
    assert "although it disagrees" not in shown
    assert "may be in a unit that you do not see" in shown
    assert "may be in a unit that you do not see" not in to_all
    assert not re.search(r"\d+ who fit", shown)
