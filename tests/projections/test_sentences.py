"""Each kind says itself in a plain sentence; what the trade must not say is never said."""

from __future__ import annotations

import re

import pytest

from ledger.events import KINDS
from ledger.projections.sentences import sentence_of, sentence_of_event
from tests.examples import ALL_EXAMPLES, between, m, words
from tests.lives import a_history, happening

NOT_SAID = re.compile(
    r"\b(safe|cleared|normal|failed patient|non-compliant|last known good|infection-free|good result|ok to use)\b", re.I
)
"""What the people at the chair do not want to read. Common practice, no source."""

SENTENCES = [
    (
        happening("creation", "2019-03", access="A1", access_kind="fistula", side="left", site="upper-arm"),
        "Made: LEFT upper-arm fistula.",
    ),
    (
        happening("creation", "2021-03-04", access="A1", access_kind="graft", side="right", configuration="loop"),
        "Placed: RIGHT loop graft; arterial limb not recorded.",
    ),
    (
        happening("access-known", "2021-03-04", access="A1", access_kind="graft", site="thigh", configuration="loop"),
        "First met: thigh loop graft, side not recorded; when it was made is not recorded; arterial limb not recorded.",
    ),
    (
        happening("thrombosis", "2021-03-04", access="A1", known_by="examination"),
        "Thrombosed (by examination only, not confirmed).",
    ),
    (
        happening("thrombectomy", "2021-03-04", access="A1", success=False, methods=["aspiration"]),
        "Thrombectomy (aspiration); flow not restored.",
    ),
    (happening("thrombectomy", "2021-03-04", access="A1"), "Thrombectomy; success not recorded."),
    (
        happening("examination", "2021-03-04", access="A1", thrill="absent", bruit="absent", hand=["cold"]),
        "Looked at, listened to and felt: no thrill found, no bruit found, hand cold.",
    ),
    (
        happening("measurement", "2021-03-04", access="A1", flow_ml_min=m("812.50")),
        "Measured; access flow 812.50 mL/min.",
    ),
    (
        happening("abandonment", "2021", access="A1", how="given-up", reason="thrombosis"),
        "Given up, left in the body, because of thrombosis.",
    ),
    (
        happening("abandonment", "2021", access="A1", how="ligation"),
        "Ligated and given up, reason not recorded.",
    ),
    (
        happening(
            "angioplasty",
            "2021-03-04",
            access="A1",
            lesions=[
                {
                    "lesion": "L1",
                    "place": "cephalic-arch",
                    "found_grade": "high-grade",
                    "balloons": [{"diameter_mm": m("8"), "length_mm": between("40", "60")}],
                    "residual_percent": m("20", "<"),
                }
            ],
        ),
        "Angioplasty; high-grade stenosis in the cephalic arch, 8 x 40-60 mm balloon, residual <20 %.",
    ),
    (
        happening("stent", "2021-03-04", access="A1", stents=[{"device": "D1", "covered": True}]),
        "Stent placed; covered stent, place not recorded, whether across a needle zone not recorded.",
    ),
    (
        happening("instruction", "2021-03-04", access="A1", what="sutures", sutures=2, due="2021-03-14"),
        "Instruction: 2 sutures, due 14 March 2021.",
    ),
    (
        happening("catheter-exchanged", "2021-03-04", access="A3", form="out-and-back", days_without=3),
        "Catheter exchanged: out, and back later; 3 days without.",
    ),
    (
        happening("complication", "2021-03-04", access="A1", what="steal", scale="steal-stages-1-4", grade="2"),
        "Steal; grade 2, steal stages 1 to 4.",
    ),
    (
        happening("complication", "2021-03-04", access="A1", what="haematoma", grade="B"),
        "Haematoma; grade B, scheme not recorded.",
    ),
]


@pytest.mark.parametrize(("event", "sentence"), SENTENCES, ids=[event.kind for event, _ in SENTENCES])
def test_an_entry_says_what_it_holds_and_no_more(event, sentence):
    history = a_history(event)

    said = sentence_of(history.facts[0], words)

    assert said == sentence


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_itself_in_whole_sentences_without_what_must_not_be_said(kind):
    for example in ALL_EXAMPLES[kind]:
        said = sentence_of_event(example, words)

        assert re.fullmatch(r"[A-Z].*[.\"]", said), said
        assert "None" not in said
        assert "; ;" not in said
        assert not NOT_SAID.search(said), said


@pytest.mark.parametrize("kind", KINDS)
def test_erased_words_are_said_to_be_missing_and_never_guessed(kind):
    for example in ALL_EXAMPLES[kind]:
        said = sentence_of_event(example, lambda stretch: None)

        assert "Dr A. Fennimore" not in said
        assert '"' not in said or "put off" in said


def test_a_side_is_said_in_capitals_since_it_must_not_be_misread():
    left = happening("creation", "2021-03-04", access="A1", access_kind="fistula", side="left")

    said = sentence_of_event(left, words)

    assert "LEFT" in said
    assert "left" not in said
