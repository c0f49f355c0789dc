"""Writing down by hand: judged while typed, kept when the connection drops, recorded once; put right, withdrawn."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from starlette.testclient import TestClient

from cli.kinds import BY_HAND
from ledger.vocabulary import ConfirmedHow, Thrill
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE

EXAMINATION = {"f.happened": "2026-11-20", "f.access": "P0001-A2", "f.thrill": "weak", "f.note": "felt at the wrist"}


def _newest(desk: Desk, patient: str = "P0001") -> Any:
    with desk.ledger() as ledger:
        return max(
            (entry for entry in ledger.history(patient).entries if not entry.session), key=lambda entry: entry.version
        )


def _sent(client: TestClient, path: str, **fields: str) -> Any:
    return client.post(path, data={"csrf": client.csrf, "do": "send", **fields})


@pytest.mark.parametrize("kind", BY_HAND)
def test_every_kind_that_can_be_recorded_has_a_form(asking: Callable[..., TestClient], kind: str) -> None:
    client = asking()

    answer = client.get(f"/patient/P0001/write/{kind}")
    empty = client.post(f"/patient/P0001/write/{kind}", data={"csrf": client.csrf, "do": "send"})

    assert answer.status_code == 200
    assert 'value="2026-11-20"' in answer.text, "today stands in it"
    assert empty.status_code == 422
    assert "This must be said." in empty.text
    assert f'href="/patient/P0001/write/{kind}"' in client.get("/patient/P0001/write").text


def test_an_examination_is_recorded_in_the_name_of_whoever_is_signed_in(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    answer = _sent(asking(person="nkemelu"), "/patient/P0001/write/examination", **EXAMINATION)

    entry = _newest(desk)
    assert answer.headers["location"] == f"/patient/P0001/write?done=P0001.{entry.version}"
    assert (entry.kind, entry.event.thrill, entry.event.access) == ("examination", Thrill.WEAK, "P0001-A2")
    assert (entry.recorded_by.person, entry.recorded_by.how) == ("nkemelu", ConfirmedHow.SIGNED_IN)
    with desk.ledger() as ledger:
        assert ledger.papers.words(entry.event.note) == "felt at the wrist"


def test_sent_twice_it_is_recorded_once_and_says_so(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    _sent(client, "/patient/P0001/write/examination", **EXAMINATION)
    first = _newest(desk)

    answer = _sent(client, "/patient/P0001/write/examination", **EXAMINATION)

    assert answer.headers["location"] == f"/patient/P0001/write?already=P0001.{first.version}"
    assert "It is there already" in client.get(answer.headers["location"]).text
    assert _newest(desk).version == first.version


def test_the_form_begins_with_today_and_the_access_in_use(asking: Callable[..., TestClient]) -> None:
    page = asking().get("/patient/P0001/write/examination").text

    assert re.search(r'name="f.access" value="P0001-A2" checked', page)


def test_a_number_that_cannot_be_is_refused_beside_its_field(desk: Desk, asking: Callable[..., TestClient]) -> None:
    before = _newest(desk).version

    answer = _sent(
        asking(),
        "/patient/P0001/write/measurement",
        **{"f.happened": "2026-11-20", "f.access": "P0001-A2", "f.recirculation_percent": "130"},
    )

    assert answer.status_code == 422
    assert re.search(r'id="f-recirculation-percent-words"[^>]*><strong class="wrong">This cannot be\.', answer.text)
    assert 'value="130"' in answer.text
    assert _newest(desk).version == before


def test_an_unusual_number_is_asked_about_once_and_recorded_when_somebody_is_sure(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client, path = asking(), "/patient/P0001/write/measurement"
    typed = {"f.happened": "2026-11-20", "f.access": "P0001-A2", "f.flow_ml_min": "6000"}
    before = _newest(desk).version

    asked = _sent(client, path, **typed)

    assert asked.status_code == 422
    assert "This is unusual. Is it right?" in asked.text
    assert _newest(desk).version == before
    sure = re.search(r'name="sure" value="(\w+)"', asked.text)
    assert sure is not None
    assert _sent(client, path, **typed, sure=sure[1]).status_code == 303
    assert _newest(desk).version == before + 1


def test_being_sure_of_one_number_is_not_being_sure_of_another(asking: Callable[..., TestClient]) -> None:
    client, path = asking(), "/patient/P0001/write/measurement"
    typed = {"f.happened": "2026-11-20", "f.access": "P0001-A2", "f.flow_ml_min": "6000"}
    sure = re.search(r'name="sure" value="(\w+)"', _sent(client, path, **typed).text)
    assert sure is not None

    answer = _sent(client, path, **{**typed, "f.systolic_mmhg": "280"}, sure=sure[1])

    assert answer.status_code == 422


def test_the_future_is_refused_with_what_to_do(asking: Callable[..., TestClient]) -> None:
    answer = _sent(asking(), "/patient/P0001/write/examination", **{**EXAMINATION, "f.happened": "2031-01-01"})

    assert answer.status_code == 422
    assert '<p class="stop"><strong>' in answer.text


def test_what_is_typed_is_judged_without_keeping_a_word(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    with desk.ledger() as ledger:
        before = ledger.db.execute("SELECT count(*) FROM texts").fetchone()[0]

    said = client.post(
        "/patient/P0001/write/examination",
        data={"csrf": client.csrf, "do": "check", **EXAMINATION, "f.happened": "the other day"},
        headers={"accept": "application/json"},
    ).json()

    assert said["fields"]["happened"]["problem"] == "This is not a date."
    with desk.ledger() as ledger:
        assert ledger.db.execute("SELECT count(*) FROM texts").fetchone()[0] == before


def test_a_lesion_with_its_balloon_is_written_in_parts(desk: Desk, asking: Callable[..., TestClient]) -> None:
    typed = {
        "f.happened": "2026-11-19",
        "f.access": "P0001-A2",
        "f.lesions.0.place": "cephalic-arch",
        "f.lesions.0.found_percent": "70",
        "f.lesions.0.balloons.0.diameter_mm": "8",
        "f.lesions.1.place": "",
    }

    answer = _sent(asking(), "/patient/P0001/write/angioplasty", **typed)

    assert answer.status_code == 303, re.findall(r'class="(?:stop|careful|wrong)">[^<]*<?[^<]*', answer.text)
    (lesion,) = _newest(desk).event.lesions
    assert str(lesion.found_percent) == "70"
    assert str(lesion.balloons[0].diameter_mm) == "8"
    assert lesion.lesion, "it got an id, or that of the lesion that is known there"


def test_a_patient_of_a_foreign_unit_is_not_written_about_nor_named(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    theirs, mine = asking(units=frozenset({ELSEWHERE})), asking(units=frozenset({"fern-valley"}))

    assert theirs.get("/patient/P0001/write").status_code == 404
    assert _sent(theirs, "/patient/P0001/write/examination", **EXAMINATION).status_code == 404
    joined = _sent(mine, "/patient/P0001/write/patients-are-one", **{"f.happened": "2026-11-20", "f.other": "P0007"})
    assert joined.status_code == 404, "P0007 is of the other unit"


# --- Put right, withdraw ------------------------------------------------------------------------------------------


def _version(page: str) -> str:
    found = re.search(r'name="version" value="(\d+)"', page)
    assert found is not None
    return found[1]


def _fields(page: str) -> dict[str, str]:
    start = page.index('class="writing"')
    part = page[start : page.index("</form>", start)]
    found = {}
    for tag in re.findall(r"<input [^>]*>", part):
        name, value = re.search(r'name="(f\.[^"]+)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and value and ('type="radio"' not in tag or " checked" in tag) and "checkbox" not in tag:
            found[name[1]] = unescape(value[1])
    for name, words in re.findall(r'<textarea id="[^"]*" name="(f\.[^"]+)"[^>]*>([^<]*)</textarea>', part):
        found[name] = unescape(words)
    for name, options in re.findall(r'<select id="[^"]*" name="([^"]+)"[^>]*>(.*?)</select>', part, re.DOTALL):
        if held := re.search(r'value="([^"]*)" selected', options):
            found[name] = held[1]
    return found


def test_an_entry_is_put_right_and_what_was_not_touched_stays(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    _sent(client, "/patient/P0001/write/examination", **EXAMINATION)
    written = _newest(desk)
    path = f"/entry/P0001.{written.version}/correct"
    page = client.get(path).text

    typed = _fields(page) | {"f.thrill": "absent", "version": _version(page), "why": "the other arm"}
    answer = _sent(client, path, **typed)
    if answer.status_code == 422:
        sure = re.search(r'name="sure" value="(\w+)"', answer.text)
        assert sure is not None, re.findall(r'class="(?:stop|wrong)">[^<]*<?[^<]*', answer.text)
        answer = _sent(client, path, **typed, sure=sure[1])

    correction = _newest(desk).event
    assert answer.status_code == 303
    assert correction.corrects == written.id
    assert correction.to.thrill is Thrill.ABSENT
    assert correction.to.note == written.event.note, "the very words, not a copy"
    with desk.ledger() as ledger:
        assert ledger.papers.words(correction.why) == "the other arm"


def test_a_note_that_was_erased_by_law_is_not_taken_for_one_that_somebody_deleted(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client = asking()
    _sent(client, "/patient/P0001/write/examination", **EXAMINATION)
    written = _newest(desk)
    with desk.ledger() as ledger, ledger.db.writing():
        ledger.db.execute("UPDATE texts SET words=NULL, digest=NULL WHERE text=?", (written.event.note.text,))
    path = f"/entry/P0001.{written.version}/correct"
    page = client.get(path).text

    typed = _fields(page) | {"f.thrill": "continuous", "version": _version(page)}
    answer = _sent(client, path, **typed)

    assert answer.status_code == 303
    assert _newest(desk).event.to.thrill is Thrill.CONTINUOUS
    assert _newest(desk).event.to.note == written.event.note


def test_put_right_with_nothing_changed_adds_nothing(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    with desk.ledger() as ledger:
        names = [f"P0001.{entry.version}" for entry in ledger.history("P0001").entries if not entry.session]
    before, tried = _newest(desk).version, 0

    for name in names:
        page = client.get(f"/entry/{name}/correct")
        if page.status_code != 200:
            continue  # Corrected, withdrawn, or about other entries.
        checked = re.findall(r'type="checkbox" name="(f\.[^"]+)" value="([^"]+)" checked', page.text)
        sent: dict[str, Any] = _fields(page.text) | {"version": _version(page.text), "csrf": client.csrf, "do": "send"}
        for key, _ in checked:
            sent[key] = [value for other, value in checked if other == key]
        answer = client.post(f"/entry/{name}/correct", data=sent)
        if answer.status_code == 422 and (sure := re.search(r'name="sure" value="(\w+)"', answer.text)):
            answer = client.post(f"/entry/{name}/correct", data=sent | {"sure": sure[1]})
        assert answer.status_code == 303, (name, re.findall(r'class="(?:stop|wrong)">[^<]*<?[^<]*', answer.text))
        assert "already=" in answer.headers["location"], name
        tried += 1

    assert tried > 10
    assert _newest(desk).version == before


def test_a_correction_of_what_somebody_else_wrote_after_is_stale_and_nothing_typed_is_lost(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client = asking()
    _sent(client, "/patient/P0001/write/examination", **EXAMINATION)
    path = f"/entry/P0001.{_newest(desk).version}/correct"
    page = client.get(path).text
    _sent(client, "/patient/P0001/write/examination", **{**EXAMINATION, "f.happened": "2026-11-19"})
    before = _newest(desk).version

    answer = _sent(client, path, **_fields(page), version=_version(page), why="misheard")

    assert answer.status_code == 409
    assert "Nothing was recorded." in answer.text
    assert ">misheard</textarea>" in answer.text
    assert _newest(desk).version == before


def test_an_entry_is_withdrawn_with_a_reason_and_not_without(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    _sent(client, "/patient/P0001/write/examination", **EXAMINATION)
    written = _newest(desk)
    path = f"/entry/P0001.{written.version}/retract"
    version = _version(client.get(path).text)

    without = client.post(path, data={"csrf": client.csrf, "version": version})
    stale = client.post(path, data={"csrf": client.csrf, "version": str(int(version) - 1), "why": "the wrong patient"})
    done = client.post(path, data={"csrf": client.csrf, "version": version, "why": "the wrong patient"})

    assert (without.status_code, stale.status_code, done.status_code) == (422, 409, 303)
    assert ">the wrong patient</textarea>" in stale.text
    assert _newest(desk).event.retracts == written.id
    assert client.get(path).status_code == 409, "it does not hold any more"


# --- On a tablet --------------------------------------------------------------------------------------------------


def test_a_nurse_writes_down_an_examination_on_a_tablet(desk: Desk, tab: Callable[..., Any]) -> None:
    page = tab("/patient/P0001/write", width=768, height=1024)

    page.get_by_role("link", name="Examination", exact=True).click()
    page.locator("[data-field=thrill]").get_by_text("continuous").click()
    page.locator("[data-field=bruit]").get_by_text("low pitched continuous").click()
    page.locator("[data-field=skin]").get_by_text("intact").click()
    small = page.evaluate(
        "[...document.querySelectorAll('.options > label, button.main')].filter((one) => one.offsetParent && "
        "one.getBoundingClientRect().height < 44).length"
    )
    page.get_by_role("button", name="Record").click()
    page.get_by_text("Recorded:").wait_for()

    assert small == 0, "a finger needs 44 pixels (WCAG 2.5.5)"
    assert _newest(desk).event.thrill is Thrill.CONTINUOUS


def test_a_wrong_number_is_told_when_its_field_is_left(tab: Callable[..., Any]) -> None:
    page = tab("/patient/P0001/write/measurement", width=768, height=1024)

    page.get_by_text("indicator dilution").click()
    page.locator("#f-systolic-mmhg").wait_for()
    page.locator("#f-flow-ml-min").fill("eight hundred")
    page.locator("#f-flow-ml-min").blur()
    page.get_by_text("This is not a quantity.").wait_for()
    page.locator("#f-flow-ml-min").fill("800")
    page.locator("#f-flow-ml-min").blur()
    page.get_by_text("This is not a quantity.").wait_for(state="hidden")


def test_when_the_connection_drops_nothing_typed_is_lost_and_it_is_recorded_once(
    desk: Desk, tab: Callable[..., Any]
) -> None:
    page = tab("/patient/P0001/write/examination", width=768, height=1024)
    before = _newest(desk).version
    page.locator("[data-field=thrill]").get_by_text("weak").click()
    page.locator("#f-note").fill("felt at the wrist")

    page.context.set_offline(True)
    page.get_by_role("button", name="Record").click()
    page.get_by_text("No connection: it is not recorded yet.").wait_for()
    page.context.set_offline(False)
    page.reload()

    page.get_by_text("What you typed here before is back.").wait_for()
    assert page.locator("#f-note").input_value() == "felt at the wrist"
    page.get_by_role("button", name="Record").click()
    page.get_by_text("Recorded:").wait_for()
    assert _newest(desk).version == before + 1
    assert page.evaluate("Object.keys(sessionStorage).length") == 0, "what was sent is not kept"
    page.wrong.clear()


def test_what_was_typed_goes_when_somebody_signs_out(tab: Callable[..., Any]) -> None:
    page = tab("/patient/P0001/write/examination", width=768, height=1024)
    page.locator("#f-note").fill("felt at the wrist")
    page.locator("#f-note").blur()
    kept = page.evaluate("Object.keys(sessionStorage)")
    # A slow way out: nothing is kept again while it takes.
    page.route("**/leave", lambda route: (time.sleep(0.5), route.continue_()))
    page.locator("#f-note").fill("felt at the wrist, and again")

    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/enter*")

    assert kept == ["draft brask /patient/P0001/write/examination"]
    assert page.evaluate("Object.keys(sessionStorage).length") == 0


def test_a_second_lesion_finds_room(tab: Callable[..., Any], desk: Desk) -> None:
    page = tab("/patient/P0001/write/angioplasty", width=768, height=1024)

    page.get_by_text("Add one").first.click()
    page.locator("#f-lesions-0-found-percent").fill("70")
    page.get_by_role("button", name="Room for one more").first.click()
    page.get_by_text("Add another").first.click()
    page.locator("#f-lesions-1-found-percent").fill("60")
    page.get_by_role("button", name="Record").click()
    page.wait_for_load_state()
    if page.get_by_role("button", name="It is right: record it so").count():
        page.get_by_role("button", name="It is right: record it so").click()
    page.get_by_text("Recorded:").wait_for()

    assert [str(one.found_percent) for one in _newest(desk).event.lesions] == ["70", "60"]
