"""The life of an access as a page: every entry is drawn and told, and what was corrected only on request."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

from starlette.testclient import TestClient

from cli.pages.life import Interval, picture_of
from ledger.projections.timeline import timeline_of
from tests.lives import a_history, happening
from tests.pages.conftest import DAY, Desk
from tests.pages.test_chairside import text_of


def test_every_entry_of_an_access_is_told_with_who_confirmed_it(desk: Desk, asking: Callable[..., TestClient]) -> None:
    with desk.ledger() as ledger:
        history = ledger.history("P0001", sessions=True)
        life = timeline_of(history, "P0001-A2", ledger.papers.words)
    told = asking().get("/access/P0001-A2").text

    assert len(re.findall(r'<li id="e-P0001\.', told)) == len(life.lines) > 50


def test_what_was_corrected_is_shown_on_request_only(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()
    with desk.ledger() as ledger:
        row = ledger.db.execute("SELECT patient, access FROM access_owners ORDER BY patient, access").fetchall()
    paths = [f"/access/{access}" for _, access in row]

    changed = [path for path in paths if re.search(r"\[(corrected|withdrawn)\]", client.get(f"{path}?audit=1").text)]

    assert changed, "somebody in the demonstration corrected something"
    for path in changed:
        assert not re.search(r"\[(corrected|withdrawn)\]", client.get(path).text)


def test_a_life_as_of_a_day_holds_nothing_that_came_later(asking: Callable[..., TestClient]) -> None:
    told = text_of(asking().get("/access/P0001-A2?as_of=2024-06-01").text)

    assert "VIEW AS OF 1 JUNE 2024" in told
    assert "12 November 2026" not in told


def test_the_intervals_stand_in_words_below_the_picture(asking: Callable[..., TestClient]) -> None:
    told = text_of(asking().get("/access/P0001-A2").text)

    # From 21 November 2023 to the first balloon on 14 October 2025: counted by hand on a calendar, 693 days.
    assert (date(2025, 10, 14) - date(2023, 11, 21)).days == 693
    assert "Primary (unassisted) patency: 693 days, from 21 November 2023; ended on 14 October 2025" in told


def test_two_hundred_entries_are_drawn_each_and_stay_within_the_picture() -> None:
    looks = [
        happening(
            "examination",
            f"{2024 + number // 100}-{number % 12 + 1:02}-{number % 28 + 1:02}",
            access="A1",
            thrill="continuous",
        )
        for number in range(199)
    ]
    history = a_history(
        happening("creation", "2023-12", access="A1", access_kind="fistula", side="left", site="wrist"), *looks
    )
    life = timeline_of(history, "A1", lambda _: None)

    picture = picture_of(life, [Interval("Primary patency", date(2023, 12, 1), DAY, True, "goes on")], DAY)

    ticks = re.findall(r'<path d="M([\d.]+) [\d.]+V[\d.]+" stroke="#14506b"', picture)
    boxes = re.findall(r'<rect x="([\d.]+)"', picture)
    assert (len(ticks), len(boxes)) == (199, 1), "a month is a stretch, a day is a tick"
    assert all(182 <= float(x) <= 942 for x in ticks)
    assert "Looked at, measured (199)" in picture
