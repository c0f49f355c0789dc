"""What holds for every text, also for one that is no report: no failure, true quotes, the same reading again."""

from __future__ import annotations

import json
import random
from pathlib import Path
from time import process_time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.dates import PartialDate
from ledger.events import KINDS
from ledger.reading import Reading, read_report
from ledger.reading.drafting import KnownAccess, drafts_of, new_access_id
from ledger.reading.explain import explain
from tests.score_reader import fixtures, labelled_in

TEXTS = [report.text for path in fixtures() for report in labelled_in(path)]
WORDS = sorted({word for text in TEXTS for word in text.split()})


def check(reading: Reading) -> None:
    """The laws of a reading."""
    text = reading.text
    refs = {one.ref for one in reading.accesses}
    written = json.loads(json.dumps(reading.to_json(file="report.txt", part=1, digest="0" * 64)))
    for proposal in written["proposed"]:
        assert proposal["kind"] in KINDS
        assert proposal["access"] is None or proposal["access"] in refs
        assert proposal["quotes"], "a proposal without words under it"
        for quote in proposal["quotes"]:
            assert text[quote["start"] : quote["end"]] == quote["text"] != ""
        assert not (proposal["plain"] and proposal["doubts"])
    for noticed in written["not_understood"]:
        assert text[noticed["start"] : noticed["end"]] == noticed["text"] != ""
        assert noticed["reason"]
    known = {ref: KnownAccess(id=new_access_id("r-1", ref), is_new=True) for ref in refs}
    drafts = drafts_of(reading, report="r-1", text_id="t-1", accesses=known, happened=PartialDate("2024"))
    assert {one.proposal for one in (*drafts.drafted, *drafts.waiting)} >= set(range(len(reading.proposed)))


@given(st.text(max_size=600))
def test_any_text_can_be_read(text: str) -> None:
    check(read_report(text))


@given(st.lists(st.sampled_from(WORDS), max_size=80), st.sampled_from([" ", "\n", ". ", ", ", "; "]))
def test_any_words_of_reports_in_any_order_can_be_read(words: list[str], between: str) -> None:
    check(read_report(between.join(words)))


@given(st.sampled_from(TEXTS), st.integers(min_value=0, max_value=10**6))
def test_a_damaged_report_can_be_read(text: str, seed: int) -> None:
    damaged = _damaged(text, random.Random(seed))

    check(read_report(damaged))


@given(st.sampled_from(TEXTS))
def test_the_same_text_always_gives_the_same_reading(text: str) -> None:
    assert read_report(text) == read_report(text)
    assert explain(text, read_report(text)) == explain(text, read_report(text))


def test_every_number_of_a_lesion_stands_in_the_text() -> None:
    numbers = 0
    for text in TEXTS:
        for proposal in read_report(text).proposed:
            for lesion in proposal.detail.get("lesions", ()):
                quoted = " ".join(text[cite.start : cite.end].lower() for cite in lesion.quotes)
                for quantity in (lesion.before_percent, lesion.after_percent):
                    if quantity is None:
                        continue
                    said = quantity.value if quantity.value is not None else quantity.high
                    assert said is not None
                    numbers += 1
                    in_words = any(word in quoted for word in ("ten", "twenty", "sixty", "seventy", "eighty", "ninety"))
                    assert said in quoted or in_words or (said == "0" and "resid" in quoted), (said, quoted)
    assert numbers > 100


@pytest.mark.parametrize(
    "text", ["", " ", "\n\n", "\x00", "a" * 50, "%", "%%%%", "((((", "- " * 300, "İ" * 40, "1" * 400]
)
def test_texts_that_are_no_texts_give_nothing(text: str) -> None:
    reading = read_report(text)

    assert reading.proposed == ()
    assert reading.accesses == ()


def test_a_text_longer_than_any_report_is_read_as_far_as_one_goes() -> None:
    text = "PROCEDURE: Fistulogram of left AVF.\n" + "The arm was prepped. " * 30000

    reading = read_report(text)

    assert reading.text == text
    assert any("was not read" in doubt for doubt in reading.doubts)


def test_no_row_of_a_table_is_written_twice() -> None:
    tables = Path(__file__).resolve().parents[2] / "ledger" / "reading" / "tables"
    for table in sorted(tables.glob("*.tsv")):
        rows = [line.split("\t")[0] for line in table.read_text().splitlines() if line and not line.startswith("#")]
        assert len(rows) == len(set(rows)), f"{table.name} has a phrase twice"


def _damaged(text: str, chance: random.Random) -> str:
    """The text as a bad scan or a careless copy would leave it."""
    letters = list(text)
    for _ in range(chance.randint(1, 12)):
        if not letters:
            break
        at = chance.randrange(len(letters))
        what = chance.randrange(6)
        if what == 0:
            del letters[at : at + chance.randint(1, 40)]
        elif what == 1:
            letters[at] = chance.choice("aeionrlt01.,:;\n %°½é\u2028\u00a0")
        elif what == 2:
            letters[at:at] = letters[at : at + 30]
        elif what == 3:
            letters[at:at] = list("\n\f")
        elif what == 4:
            end = at + chance.randint(1, 60)
            letters[at:end] = reversed(letters[at:end])
        else:
            letters[at] = letters[at].swapcase()
    return "".join(letters)


HOSTILE = [
    "left AVF ",
    "PLAN: ",
    "x",
    "(",
    '"',
    "no no no ",
    "80% ",
    "3/4/2024 ",
    "PROCEDURE: Fistulogram of left AVF. ",
    "was not ",
    "allergies: x\n",
    "stent across ",
]


@pytest.mark.parametrize("piece", HOSTILE)
def test_a_text_of_twice_the_length_takes_no_more_than_some_times_as_long(piece: str) -> None:
    def taken(length: int) -> float:
        text = (piece * (length // len(piece) + 1))[:length]
        begin = process_time()
        read_report(text)
        return process_time() - begin

    def grows_too_fast() -> bool:
        # Four times the length: a walk that compares everything with everything takes sixteen times as long.
        return taken(48_000) > 9 * taken(12_000) + 0.3

    read_report(piece)

    # On a machine that others use one measurement may say anything; a law that is broken is broken each time.
    assert not all(grows_too_fast() for _ in range(3))
