"""Unit today: the lines of rounds on a page, narrowed, set aside and printed; and the pages that follow a patient."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from starlette.testclient import TestClient

from cli.main import main
from cli.pages.rights import Role
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE, HERE


def text_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_a_unit_has_a_sheet_a_shift_with_its_lines_in_the_order_of_the_ward(asking: Callable[..., TestClient]) -> None:
    page = asking().get(f"/rounds?unit={HERE}").text

    assert page.count('<section class="shift"') == 5
    shown = text_of(page)
    assert "Rounds, Fern Valley Dialysis Unit, shift mwf-morning, 20 November 2026" in shown
    assert "1. No flow" in shown
    assert re.search(r"no thrill or bruit found on 20 November 2026 at 06:40.*\[P0008\.\d+\]", shown)
    for heading in re.findall(r"<section class=\"shift\".*?</section>", page, re.S):
        places = [int(place) for place in re.findall(r"<h3>(\d+)\.", heading)]
        assert places == sorted(places)


def test_the_page_says_what_the_command_says(desk: Desk, asking: Callable[..., TestClient]) -> None:
    from cli.rounds import rounds_made, rules_in_use
    from tests.pages.conftest import DAY

    shown = text_of(asking().get(f"/rounds?unit={HERE}").text)

    with desk.ledger() as ledger:
        sheets = rounds_made(ledger, rules_in_use(), unit=HERE, day=DAY)
    lines = [line for sheet in sheets for part in sheet.parts() for line in part.lines]
    assert len(lines) > 30
    assert not [line.words for line in lines if " ".join(line.words.split()) not in shown]


def test_a_unit_is_narrowed_to_a_shift_and_to_a_line(asking: Callable[..., TestClient]) -> None:
    page = asking().get(f"/rounds?unit={HERE}&shift=mwf-morning&line=lesion-again").text

    assert page.count('<section class="shift"') == 1
    assert re.findall(r"<h3>(\d+)\.", page) == ["9"]


def test_whoever_has_one_unit_sees_it_at_once_and_a_foreign_one_is_none(asking: Callable[..., TestClient]) -> None:
    client = asking(units=frozenset({ELSEWHERE}))

    mine = client.get("/rounds").text
    foreign, missing = client.get(f"/rounds?unit={HERE}"), client.get("/rounds?unit=nowhere")

    assert "Fern Valley Home Therapies, shift home" in text_of(mine)
    assert foreign.status_code == missing.status_code == 404
    assert text_of(foreign.text) == text_of(missing.text)


def test_in_a_large_house_nothing_is_brought_up_before_a_unit_is_chosen(
    asking: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cli.pages.unit.SMALL_HOUSE", 3)

    page = asking().get("/rounds").text

    assert "Choose a unit" in page
    assert '<section class="shift"' not in page


def test_in_a_small_house_the_first_unit_is_shown_and_the_page_says_which(asking: Callable[..., TestClient]) -> None:
    page = asking().get("/rounds").text

    assert page.count('<section class="shift"') == 5
    assert "No unit was asked for: this is Fern Valley Dialysis Unit." in text_of(page)
    assert f'value="{HERE}" selected' in page


def test_the_unit_chosen_last_comes_again_as_long_as_one_may_see_it(
    asking: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cli.pages.unit.SMALL_HOUSE", 3)
    client, bound = asking(), asking(units=frozenset({HERE}))

    chosen = client.get(f"/rounds?unit={ELSEWHERE}")
    again = text_of(client.get("/rounds").text)
    bound.cookies.update({name: value for name, value in client.cookies.items() if name == "unit_today"})

    assert "No unit was asked for" not in text_of(chosen.text)
    assert "httponly" in chosen.headers["set-cookie"].casefold()
    assert "No unit was asked for: this is Fern Valley Home Therapies." in again
    assert "Fern Valley Home Therapies" not in text_of(bound.get("/rounds").text)


def test_a_line_is_set_aside_with_a_reason_until_a_day_and_told_at_the_foot(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    client = asking()
    before = client.get(f"/rounds?unit={HERE}&shift=mwf-morning").text
    form = re.search(r'action="(/patient/P0008/set-aside)".*?</form>', before, re.S)
    assert form is not None
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form[0]))

    answer = client.post(form[1], data={**hidden, "until": "2026-11-27", "why": "her daughter asked for a week"})

    assert answer.status_code == 303
    assert answer.headers["location"] == "/rounds?unit=fern-valley&shift=mwf-morning"
    after = text_of(client.get(answer.headers["location"]).text)
    assert 'set aside until 27 November 2026 by Ingrith Brask: "her daughter asked for a week"' in after
    with desk.ledger() as ledger:
        entry = ledger.history("P0008").entries[-1]
    assert (entry.event.kind, entry.recorded_by.how.value) == ("set-aside", "signed-in")


def test_a_line_is_not_set_aside_without_a_reason_nor_by_who_only_looks(asking: Callable[..., TestClient]) -> None:
    looks = asking(roles=frozenset({Role.LOOKS}))
    client = asking()

    assert "Set aside" not in looks.get(f"/rounds?unit={HERE}").text
    refused = looks.post("/patient/P0008/set-aside", data={"csrf": looks.csrf})
    without = client.post(
        "/patient/P0008/set-aside",
        data={"csrf": client.csrf, "line": "review-due", "until": "2026-11-27"},
    )
    assert refused.status_code == 403
    assert without.status_code == 422
    assert "with a reason" in without.text


def test_a_look_at_a_unit_is_noted_by_its_id_and_names_nobody(desk: Desk, asking: Callable[..., TestClient]) -> None:
    asking().get(f"/rounds?unit={HERE}")

    with desk.ledger() as ledger:
        did, about, patient = ledger.db.execute(
            "SELECT did, about, patient FROM audit WHERE org=? ORDER BY number DESC LIMIT 1", (ledger.org,)
        ).fetchone()
    assert (did, about, patient) == ("rounds", HERE, None)


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (
            "/patient/P0010/maturation",
            ("not needled 2 months", "By each rule, none preferred", "Catheters in the body"),
        ),
        ("/patient/P0002/maturation?proven=1", ("second stage done on 14 April 2026", "proven by use")),
        ("/patient/P0003/infections", ("Bloodstream", "clearance culture positive again", "day 3 after the onset")),
        ("/patient/P0001/referrals", ("Asked", "Found", "referral to visit", "answered by the visit")),
        ("/patient/P0004/planning", ("vein to be spared", "held a line", "LEFT thigh graft", "cardiac lead")),
    ],
)
def test_the_pages_that_follow_a_patient_tell_what_the_commands_tell(
    asking: Callable[..., TestClient], path: str, words: tuple[str, ...]
) -> None:
    shown = text_of(asking().get(path).text).casefold()

    assert not [one for one in words if one.casefold() not in shown]
    assert "not recorded is not the same as not present" in shown


def test_a_unit_as_a_file_has_a_page_a_shift_and_none_of_a_foreign_unit(asking: Callable[..., TestClient]) -> None:
    from io import BytesIO

    from pypdf import PdfReader

    whole = asking().get(f"/rounds.pdf?unit={HERE}")
    one = asking().get(f"/rounds.pdf?unit={HERE}&shift=mwf-morning&paper=letter")
    foreign = asking(units=frozenset({ELSEWHERE})).get(f"/rounds.pdf?unit={HERE}")

    assert whole.headers["content-type"] == "application/pdf"
    assert len(PdfReader(BytesIO(whole.content)).pages) == 5
    (page,) = PdfReader(BytesIO(one.content)).pages
    assert "shift mwf-morning" in page.extract_text()
    assert round(float(page.mediabox.width)) == 612  # Letter is 8.5 inches wide
    assert foreign.status_code == 404
    assert asking().get("/rounds.pdf").headers["location"] == "/rounds"


@pytest.mark.chromium
def test_each_shift_prints_on_a_sheet_of_its_own(tab: Callable[..., Any]) -> None:
    from io import BytesIO

    from pypdf import PdfReader

    page = tab(f"/rounds?unit={HERE}")
    printed = PdfReader(BytesIO(page.pdf(format="A4")))

    firsts = [(one.extract_text() or "").strip().splitlines()[0] for one in printed.pages]
    assert len(firsts) == 5
    assert all(first.startswith("Rounds, Fern Valley Dialysis Unit, shift") for first in firsts)


def test_a_unit_that_is_opened_again_shows_what_was_recorded_since_and_reads_only_that_patient_anew(
    desk: Desk, asking: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    import cli.rounds

    read: list[str] = []
    found = cli.rounds._found

    def counting(ledger: Any, one: Any, *more: Any) -> Any:
        read.append(one.id)
        return found(ledger, one, *more)

    monkeypatch.setattr(cli.rounds, "_found", counting)
    monkeypatch.setattr("cli.pages.unit._before", cli.rounds.Before())
    client = asking()
    first = client.get(f"/rounds?unit={HERE}").text
    everybody = len(read)
    read.clear()
    assert main(["record", "examination", "P0018", "--access", "P0018-A4", "--happened", "2026-11-20",
                 "--exit-site-clean", "--by", "brask", "--ledger", str(desk.file)]) == 0  # fmt: skip

    again = client.get(f"/rounds?unit={HERE}").text

    assert everybody > 15
    assert "P0018" in read
    assert len(set(read)) <= 2  # and those to whom another record was joined, who are read each time
    assert "last looked at on 10 August 2026" in first
    assert "last looked at on 10 August 2026" not in again
