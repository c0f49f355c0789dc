"""The brief and the sheet as pages: the chairside order, what stands on neither, what a line rests on, and one page."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pypdf
import pytest
from starlette.testclient import TestClient

from tests.pages.conftest import Desk

CHAIRSIDE = (
    "STOP, READ",
    "Access",
    "Last look",
    "Needle",
    "Changes a needle",
    "Last intervention",
    "Also in the body",
    "Due",
)
"""The order in which a nurse reads. Common practice, no source."""

EVERYBODY = tuple(f"P{number:04d}" for number in range(1, 23))
HEAVIEST = ("P0001", "P0008", "P0009", "P0002")


def text_of(html: str) -> str:
    """The words of a page without its markup."""
    body = html.split("<main", 1)[1]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_the_brief_stands_in_the_order_of_the_chair(asking: Callable[..., TestClient]) -> None:
    html = asking().get("/patient/P0001").text

    headings = [unescape(found) for found in re.findall(r"<h2[^>]*>([^<]+)</h2>", html)]

    assert [one for one in headings if one in CHAIRSIDE] == list(CHAIRSIDE)
    assert html.index("Wilhelmina Osterpike") < html.index("STOP, READ")
    assert html.index("out of date after this session") > html.index(">Due<")


def test_the_side_is_said_in_words_and_with_whose_it_is(asking: Callable[..., TestClient]) -> None:
    told = text_of(asking().get("/patient/P0001").text)

    assert "LEFT upper-arm fistula (brachiocephalic)" in told
    assert "patient's LEFT" in told
    assert "patient's RIGHT" in told


def test_each_sentence_of_the_brief_is_the_command_s(desk: Desk, asking: Callable[..., TestClient]) -> None:
    from cli.look import brief_made
    from tests.pages.conftest import DAY

    with desk.ledger() as ledger:
        one = ledger.who.patient("P0008")
        made = brief_made(ledger, one, ledger.history(one.id, sessions=True), DAY).to_json()
    told = text_of(asking().get("/patient/P0008").text)

    lines = [line["text"] for section in made["sections"] for line in section["lines"]]
    assert lines
    for line in lines:
        if "printed" not in line:  # the minute may have turned
            assert " ".join(line.replace(one.name or "", "").strip(" ,").split()) in told, line


def test_a_line_opens_the_report_s_words_and_who_confirmed_it(asking: Callable[..., TestClient]) -> None:
    html = asking().get("/patient/P0001").text

    stop = html[html.index("STOP, READ") : html.index("</section>", html.index("STOP, READ"))]

    assert "<details" in stop
    assert "<blockquote>Stay in the lower two thirds of the upper arm, not over the stent.</blockquote>" in stop
    assert re.search(r"P0001\.\d+</span>", stop)
    assert re.search(r"recorded \d+ November 2026", text_of("<main>" + stop))


def test_that_a_report_waits_is_told_and_nothing_of_what_it_says(desk: Desk, asking: Callable[..., TestClient]) -> None:
    with desk.ledger() as ledger:
        (waiting,) = ledger.papers.reports(state="waiting", patient="P0002")
        said = ledger.papers.text(waiting.text_id or "") or ""
    html = asking().get("/patient/P0002").text

    sentences = [" ".join(one.split()) for one in re.split(r"[.\n]", said) if len(one.split()) > 4]

    assert "The report of 19 November 2026 has not been confirmed." in html
    assert sentences
    assert not [one for one in sentences if one in text_of(html)]


def test_neither_advice_nor_a_score_nor_another_patient_stands_on_a_brief(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    # From practice: what never stands on it, in the words that would say it.
    never = re.compile(r"\b(OK to use|safe|cleared|score|risk score|hepatitis|HBsAg|HIV|good result|last known good)\b")
    client = asking()
    with desk.ledger() as ledger:
        names = {one.id: one.name for one in ledger.who.patients() if one.name}

    for patient in EVERYBODY:
        told = text_of(client.get(f"/patient/{patient}").text)
        assert not never.search(told), (patient, never.search(told))
        own = names[patient].replace("-", " ")
        # A record that is read here as the same person is named on purpose.
        others = [name for name in names.values() if name.replace("-", " ") != own]
        assert not [name for name in others if name in told], patient


def test_a_view_of_the_past_says_that_it_is_one_and_shows_what_was_known(asking: Callable[..., TestClient]) -> None:
    client = asking()

    then = text_of(client.get("/patient/P0001?known_on=2026-11-14").text)
    now = text_of(client.get("/patient/P0001").text)

    assert "VIEW AS KNOWN ON 14 November 2026: what was recorded later is not shown." in then
    assert "Back to today" in then
    assert "VIEW AS" not in now
    assert then != now


def test_a_day_that_is_none_is_refused_in_words(asking: Callable[..., TestClient]) -> None:
    answer = asking().get("/patient/P0001?as_of=yesterday")

    assert answer.status_code == 422
    assert "yesterday" not in answer.text


def test_a_brief_of_a_foreign_unit_is_refused_as_one_of_nobody(asking: Callable[..., TestClient]) -> None:
    client = asking(units=frozenset({"fern-valley-home"}))

    for path in ("/patient/P0001", "/patient/P0001/sheet", "/patient/P0001/brief.pdf", "/access/P0001-A2"):
        answer = client.get(path)
        assert answer.status_code == 404, path
        assert "Osterpike" not in answer.text


def test_each_look_is_noted(desk: Desk, asking: Callable[..., TestClient]) -> None:
    asking().get("/patient/P0003")
    asking().get("/patient/P0003/sheet")

    with desk.ledger() as ledger:
        did = [row[0] for row in ledger.db.execute("SELECT did FROM audit WHERE patient=3 ORDER BY number").fetchall()]

    assert did[-2:] == ["brief", "sheet"]


def test_the_intervals_between_treatments_stand_in_numbers(asking: Callable[..., TestClient]) -> None:
    html = asking().get("/patient/P0001").text

    assert "treated 4 times: 210, 120 and 64 days between" in text_of(html)
    assert re.search(r'<svg class="strip".*?>210</text>.*?>120</text>.*?>64</text>', html, re.S)


def test_a_trend_names_the_rule_whose_line_is_drawn(asking: Callable[..., TestClient]) -> None:
    html = asking().get("/patient/P0008").text

    trends = text_of("<main>" + html[html.index('class="trends"') :])

    assert "access flow: 570 mL/min on 12 October 2026" in trends
    assert "Line at 600: graft-flow-2006 (2006)" in trends


def test_the_sheet_ends_in_seven_blanks_to_send_back(asking: Callable[..., TestClient]) -> None:
    html = asking().get("/patient/P0001/sheet").text

    blanks = re.findall(r"<dt>([^<]+)</dt><dd></dd>", html)

    assert blanks == ["Found", "Done", "Residual", "Usable when and where", "Sutures", "Drugs given", "Next"]


def test_the_sheet_can_be_about_another_access(asking: Callable[..., TestClient]) -> None:
    client = asking()
    first = client.get("/patient/P0005/sheet").text

    (other,) = re.findall(r'About another access:.*?href="(\?access=P0005-A\d[^"]*)"', first, re.S)
    told = client.get("/patient/P0005/sheet" + unescape(other)).text

    assert "RIGHT forearm loop graft" in text_of("<main>" + told[told.index("The access</h2>") :])[:200]


@pytest.mark.chromium
def test_a_nurse_finds_a_patient_reads_the_brief_opens_a_quote_and_prints(tab: Callable[..., Any]) -> None:
    page = tab("/")

    page.get_by_label("Name, number or birth date").fill("osterpike")
    page.keyboard.press("Enter")
    page.wait_for_url("**/patient/P0001")  # Enter opens the only one who fits
    page.get_by_text("Report of 12 November 2026: not to be needled").first.click()
    quote = page.locator(".stop blockquote").first
    quote.wait_for(state="visible")
    sheet = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))

    assert quote.inner_text() == "Stay in the lower two thirds of the upper arm, not over the stent."
    assert "Wilhelmina Osterpike" in sheet.pages[0].extract_text()
    assert "Sign out" not in sheet.pages[0].extract_text()


@pytest.mark.chromium
def test_the_brief_stands_within_one_screen_and_on_a_tablet_its_stop_lines_do(tab: Callable[..., Any]) -> None:
    desk_page, tablet = tab(width=1440, height=900), tab(width=768, height=1024)

    for patient in HEAVIEST:
        desk_page.goto(f"/patient/{patient}")
        tablet.goto(f"/patient/{patient}")

        assert desk_page.evaluate("document.querySelector('.cautions').getBoundingClientRect().bottom") <= 900, patient
        assert tablet.evaluate("document.querySelector('.fact-access').getBoundingClientRect().top") <= 512, patient
        assert tablet.evaluate("document.querySelector('.figure').getBoundingClientRect().bottom") <= 1024, patient


@pytest.mark.chromium
@pytest.mark.parametrize("what", ["", "/sheet"])
def test_each_patient_s_brief_and_sheet_are_one_printed_page(what: str, tab: Callable[..., Any]) -> None:
    page = tab("/")
    long = {}

    for patient in EVERYBODY:
        page.goto(f"/patient/{patient}{what}")
        for paper in ("A4", "Letter"):
            pages = len(pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages)
            if pages != 1:
                long[patient, paper] = pages

    assert not long


@pytest.mark.chromium
@pytest.mark.parametrize("which", ["", "/sheet"])
def test_a_brief_and_a_sheet_have_a_button_that_prints(tab: Callable[..., Any], which: str) -> None:
    page = tab(f"/patient/P0001{which}")
    page.evaluate("window.print = () => { window.printed = true; }")

    page.get_by_role("button", name="Print").click()

    assert page.evaluate("window.printed") is True
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Print").is_visible()


def test_without_scripts_the_button_that_prints_is_not_there(asking: Callable[..., TestClient]) -> None:
    assert '<p id="to-print" class="screen-only" hidden>' in asking().get("/patient/P0001").text
