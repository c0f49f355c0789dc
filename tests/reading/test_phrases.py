"""The tables of phrases: every row finds its phrase in its own sentence, and nothing else there."""

from __future__ import annotations

import pytest

from ledger.reading.tables import Phrases, Row, folded, phrases_of, respelt, rows_of

TABLES = ("headings", "accesses", "body", "acts", "cues", "findings", "afterwards", "context", "notes")


@pytest.mark.parametrize("table", TABLES)
def test_every_phrase_is_found_in_its_own_sentence(table: str) -> None:
    phrases = phrases_of(table)
    wrong = []

    for row in rows_of(table):
        begin, end = row.sentence.index("["), row.sentence.index("]") - 1
        sentence = row.sentence.replace("[", "").replace("]", "")
        found = [one for one in phrases.find(folded(sentence)) if (one.start, one.end) == (begin, end)]
        if not found or found[0].row is not row:
            wrong.append(f"{row.phrase}: {row.sentence}")

    assert wrong == []


def phrases(*written: str) -> Phrases:
    return Phrases([Row(one, "word", {}, "", "here") for one in written])


def stretches(text: str, *written: str) -> list[str]:
    return [text[one.start : one.end] for one in phrases(*written).find(folded(text))]


def test_a_space_in_a_phrase_is_any_white_space_or_hyphen() -> None:
    text = "Brachio-cephalic, brachio\n   cephalic and brachiocephalic."

    found = stretches(text, "brachio cephalic")

    assert found == ["Brachio-cephalic", "brachio\n   cephalic"]


def test_optional_letters_and_alternatives() -> None:
    text = "A tunneled line, a tunnelled catheter, a tunnel."

    found = stretches(text, "tunnel(l)ed {line|catheter}")

    assert found == ["tunneled line", "tunnelled catheter"]


def test_a_gap_takes_no_more_words_than_it_says() -> None:
    text = "Stent was then placed. Stent was only after much thought placed."

    found = stretches(text, "stent was ..2 placed")

    assert found == ["Stent was then placed"]


def test_a_gap_does_not_go_into_the_next_sentence() -> None:
    text = "There was a stent. It was placed."

    found = stretches(text, "stent ..3 placed")

    assert found == []


def test_the_longest_phrase_counts_and_nothing_within_it() -> None:
    text = "Patch angioplasty."

    found = stretches(text, "angioplasty", "patch angioplasty", "patch")

    assert found == ["Patch angioplasty"]


def test_a_phrase_is_no_part_of_a_word() -> None:
    text = "Aligned grafting of the shuntlike avfx."

    found = stretches(text, "graft", "shunt", "avf", "ligned")

    assert found == []


def test_a_letter_that_grows_when_it_is_made_small_moves_nothing() -> None:
    text = "İİİ fistula"

    found = [(one.start, one.end) for one in phrases("fistula").find(folded(text))]

    assert found == [(4, 11)]


def test_a_word_that_is_one_letter_wrong_is_read_as_what_is_meant() -> None:
    wrong = []

    for row in rows_of("spelling"):
        said = row.sentence[row.sentence.index("[") + 1 : row.sentence.index("]")].lower()
        if respelt(said) != row.phrase:
            wrong.append(f"{said} is read as {respelt(said)}, not {row.phrase}")

    assert wrong == []


@pytest.mark.parametrize(
    "word", ["dilution", "ventral", "incision", "analysis", "bonding", "included", "grafted", "temporal", "literal"]
)
def test_another_word_is_left_as_it_is(word: str) -> None:
    assert respelt(word) == word


def test_putting_words_right_moves_nothing() -> None:
    text = "an av flstula with a stenosls in the venous anastamosis"

    assert len(respelt(text)) == len(text)
    assert respelt(text) == "an av fistula with a stenosis in the venous anastomosis"
