"""Numbers: what the commands count, on pages, within what somebody may see, and as files."""

from __future__ import annotations

import csv
import gc
import io
import re
from collections.abc import Callable
from html import unescape
from xml.etree import ElementTree

import pytest
from starlette.testclient import TestClient

from cli.main import main
from cli.pages.rights import Role
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE, HERE


def text_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def rows_of(html: str, caption: str) -> list[list[str]]:
    """The rows of the table with this caption, their heading first."""
    found = re.search(rf"<caption>{re.escape(caption)}.*?</table>", html, re.S)
    assert found, f"no table {caption}"
    rows = re.findall(r"<tr>(.*?)</tr>", found[0], re.S)
    return [[text_of(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)] for row in rows]


def printed(capsys: pytest.CaptureFixture[str], line: str) -> str:
    capsys.readouterr()
    assert main(line.split()) == 0
    return capsys.readouterr().out


def test_the_page_says_of_a_unit_what_the_command_says(
    desk: Desk, asking: Callable[..., TestClient], capsys: pytest.CaptureFixture[str]
) -> None:
    page = asking().get(f"/numbers?unit={HERE}&month=2026-10").text

    said = printed(capsys, f"prevalence --unit {HERE} --month 2026-10 --ledger {desk.file}")
    rows = rows_of(page, "Access in use, 2026-10-31")[1:]
    assert len(rows) > 2
    for name, patients, percent, interval in rows:
        assert re.search(rf"^{re.escape(name)} +{patients} +{percent} +{interval}$", said, re.MULTILINE)
    assert "patients, up to and including 2026-10-31." in text_of(page)


def test_curves_have_the_numbers_of_the_command_a_graph_and_their_definition(
    desk: Desk, asking: Callable[..., TestClient], capsys: pytest.CaptureFixture[str]
) -> None:
    page = asking().get(f"/numbers/patency?unit={HERE}&month=2026-10&measure=secondary-patency").text

    said = printed(capsys, f"patency secondary-patency --unit {HERE} --until 2026-10-31 --ledger {desk.file}")
    for row in rows_of(page, "On these days")[1:]:
        assert re.search(r"^" + r" +".join(map(re.escape, filter(None, row))) + "$", said, re.MULTILINE), row
    assert page.count("<svg") == 1
    assert "Choices in use:" in text_of(page)
    assert "Source: " in text_of(page)


def test_groups_stand_side_by_side_with_the_tests_between_them(asking: Callable[..., TestClient]) -> None:
    page = asking().get("/numbers/patency?measure=secondary-patency&compare=kind").text

    groups = [row[0] for row in rows_of(page, "Groups on these days")[1:]]
    assert {"fistula", "graft"} <= set(groups)
    assert "log-rank: chi-square" in text_of(page)
    assert "Groups were not made by chance" in text_of(page)
    # One line of numbers at risk for each, beside its name at the end of its curve.
    assert all(len(re.findall(rf">{name}</text>", page)) == 2 for name in ("fistula", "graft"))


def test_rates_stand_under_their_kind_and_a_kind_narrows_them(asking: Callable[..., TestClient]) -> None:
    client = asking()

    every = client.get(f"/numbers/rates?unit={HERE}&month=2026-10&what=accesses").text
    grafts = client.get(f"/numbers/rates?unit={HERE}&month=2026-10&what=accesses&kind=graft").text

    assert len(re.findall(r'scope="rowgroup"', every)) > len(re.findall(r'scope="rowgroup"', grafts)) == 1
    assert "by month; dotted: the limits of chance" in text_of(every)
    assert "Published, other people" in text_of(every)


def test_a_graph_is_drawn_without_a_style_that_the_page_forbids(asking: Callable[..., TestClient]) -> None:
    for path in ("/numbers", "/numbers/rates", "/numbers/patency?compare=kind"):
        answer = asking().get(path)

        assert "<svg" in answer.text
        assert not re.search(r"\sstyle=|<style", answer.text)
        for drawn in re.findall(r"<svg.*?</svg>", answer.text, re.S):
            places = [float(place) for place in re.findall(r'(?:x|y|cx|cy)="(-?[\d.]+)"', drawn)]
            assert ElementTree.fromstring(drawn).get("viewBox", "").startswith("0 0 720 ")
            assert places
            assert all(0 <= place <= 720 for place in places)


def test_who_is_bound_to_a_unit_gets_its_numbers_and_no_other(asking: Callable[..., TestClient]) -> None:
    bound = asking(units=frozenset({ELSEWHERE}))

    mine = bound.get("/numbers").text
    foreign, missing = bound.get(f"/numbers?unit={HERE}"), bound.get("/numbers?unit=nowhere")

    assert "Numbers: Fern Valley Home Therapies" in text_of(mine)
    assert "Every unit" not in mine
    assert HERE + '"' not in mine
    assert foreign.status_code == missing.status_code == bound.get("/numbers?unit=all").status_code == 404
    assert text_of(foreign.text) == text_of(missing.text)
    for path in ("/numbers/rates", "/numbers/patency", "/numbers/file/rates.csv", "/numbers/file/report.pdf"):
        assert bound.get(f"{path}?unit={HERE}").status_code == 404
        assert bound.get(f"{path}?unit=all").status_code == 404


def test_numbers_name_nobody_and_need_the_right_to_look(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    with desk.ledger() as ledger:
        people = [(one.id, one.name) for one in ledger.who.patients()]

    shown = [
        client.get(path).text for path in ("/numbers", "/numbers/rates", "/numbers/patency", "/numbers/definitions")
    ]

    assert len(people) > 20
    for patient, name in people:
        assert not any(re.search(rf"\b{patient}\b", page) or (name and name in page) for page in shown)
    keeper = asking(roles=frozenset({Role.ADMINISTERS}))
    assert keeper.get("/numbers").status_code == keeper.get("/numbers/file/rates.csv").status_code == 403


def test_small_counts_are_hidden_on_every_page_and_in_every_file(asking: Callable[..., TestClient]) -> None:
    client = asking()

    shares = client.get(f"/numbers?unit={HERE}&month=2026-10&hide=11").text
    curves = client.get(f"/numbers/patency?unit={HERE}&hide=11").text
    file = client.get(f"/numbers/file/prevalence.csv?unit={HERE}&month=2026-10&hide=11").text

    assert "hidden" in shares
    assert "<svg" not in shares + curves
    for _, patients, *_ in rows_of(shares, "Access in use")[1:]:
        count = patients.split(" of ")[0]
        assert count == "hidden" or int(count) == 0 or int(count) >= 11
    for row in csv.DictReader(io.StringIO(file)):
        assert row["count"] in ("", "0") or int(row["count"]) >= 11
    assert client.get(f"/numbers/file/rates.svg?unit={HERE}&hide=11").status_code == 422


@pytest.mark.parametrize(
    ("path", "kind", "begins"),
    [
        ("prevalence.csv?month=2026-10", "text/csv", b"day,name,count,of,share"),
        ("rates.csv?what=infections", "text/csv", b"what,among,events"),
        ("patency.csv?measure=primary-patency&compare=kind", "text/csv", b"definition,group,reading,day"),
        ("prevalence.svg", "image/svg+xml", b"<?xml"),
        ("rates.svg?what=dialysis-events", "image/svg+xml", b"<?xml"),
        ("patency.svg?measure=secondary-patency", "image/svg+xml", b"<?xml"),
        ("report.pdf?unit=fern-valley&month=2026-10", "application/pdf", b"%PDF"),
    ],
)
def test_numbers_can_be_taken_away_as_files(
    asking: Callable[..., TestClient], path: str, kind: str, begins: bytes
) -> None:
    answer = asking().get(f"/numbers/file/{path}")

    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(kind)
    assert answer.headers["content-disposition"].startswith("attachment; filename=")
    assert answer.content.startswith(begins)


def test_a_file_of_numbers_is_that_of_the_command(
    desk: Desk, asking: Callable[..., TestClient], tmp_path: object, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = asking().get(f"/numbers/file/patency.csv?unit={HERE}&month=2026-10&measure=secondary-patency").content

    to = f"{tmp_path}/curve.csv"
    printed(capsys, f"patency secondary-patency --unit {HERE} --until 2026-10-31 --csv {to} --ledger {desk.file}")
    with open(to, "rb") as file:
        assert file.read() == taken


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/numbers?month=tomorrow", 422),
        ("/numbers/patency?measure=luck", 422),
        ("/numbers/patency?compare=colour", 422),
        ("/numbers/rates?what=everything&kind=nose", 422),
        ("/numbers/file/secrets.csv", 404),
        ("/numbers/file/report.pdf", 422),
        ("/numbers/file/rates.svg?what=peritoneal", 404),
    ],
)
def test_what_is_not_counted_is_said_and_no_mistake_of_ours(
    asking: Callable[..., TestClient], path: str, status: int
) -> None:
    assert asking().get(path).status_code == status


def test_a_month_before_anything_was_recorded_gives_pages_without_numbers(asking: Callable[..., TestClient]) -> None:
    client = asking()

    for path in ("/numbers", "/numbers/rates", "/numbers/patency?compare=kind", "/numbers/file/patency.svg"):
        mark = "&" if "?" in path else "?"
        assert client.get(f"{path}{mark}month=1990-01").status_code == 200


def test_what_a_page_read_can_be_given_back(asking: Callable[..., TestClient]) -> None:
    client = asking()
    before = gc.get_freeze_count()

    for path in ("/numbers", "/numbers/rates", "/numbers/patency"):
        assert client.get(path).status_code == 200

    # A command freezes what it has read, since it ends soon; a server would keep every request for good.
    assert gc.get_freeze_count() <= before
