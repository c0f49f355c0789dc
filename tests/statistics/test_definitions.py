"""Definitions as data: complete, sourced, changed by a site, and refused with a sentence when they make no sense."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import ledger
import ledger.statistics
from ledger.errors import WrongInput
from ledger.statistics.bounds import SAID, curves_published, rates_published
from ledger.statistics.definitions import rulebook
from ledger.statistics.spells import NOTES, WHY_LEFT_OUT, Spell, spell_of
from ledger.vocabulary import AccessKind
from tests.lives import a_history, happening
from tests.statistics.said import banded, clotted, made, needled
from tests.statistics.test_spells import CUT

BOOK = rulebook()


def test_every_measure_of_the_trade_is_there():
    assert set(BOOK.definitions) == {
        "primary-patency",
        "assisted-primary-patency",
        "secondary-patency",
        "functional-primary-patency",
        "functional-assisted-patency",
        "functional-secondary-patency",
        "post-intervention-primary-patency",
        "post-intervention-assisted-patency",
        "post-intervention-secondary-patency",
        "target-lesion-primary-patency",
        "access-circuit-primary-patency",
        "maturation",
        "unassisted-maturation",
        "assisted-maturation",
        "primary-failure",
        "time-to-first-cannulation",
        "catheter-survival",
        "catheter-device-survival",
        "infection-free-catheter-survival",
        "bloodstream-infection-free-catheter-survival",
        "peritoneal-catheter-survival",
    }


@pytest.mark.parametrize("definition", BOOK.definitions.values(), ids=lambda one: one.id)
def test_every_definition_says_where_it_is_published_and_whether_that_was_read(definition):
    assert definition.sources
    for source in definition.sources:
        assert str(source).endswith(("(from memory)", f"(read {source.read_on})"))
        assert source.verified == (source.read_on is not None)


@pytest.mark.parametrize("definition", BOOK.definitions.values(), ids=lambda one: one.id)
def test_every_definition_can_be_said_in_one_sentence(definition):
    assert definition.says.startswith("from ")
    assert definition.says.endswith(".")
    assert all(one.says for one in definition.in_use)


def test_the_default_is_the_one_that_the_table_of_defaults_names():
    # The first option of each choice is its default; the table stands in the definitions' file beside its options.
    defaults = {name: choice.default for name, choice in BOOK.choices.items()}

    assert defaults == {
        "steal-surgery": "does-not-end",
        "aneurysm-repair": "does-not-end",
        "second-stage": "part-of-creation",
        "day-of-loss": "unreversed-clot",
        "failed-thrombectomy": "loss-at-the-clot",
        "untreated-thrombosis": "runs-on",
        "abandonment-without-thrombosis": "ends",
        "good-access-closed": "censors",
        "converted": "ends",
        "taken-up-again": "abandonment-stands",
        "end-of-care": "censors",
        "death-day": "intervention-counts",
        "index-days": "0",
        "failed-index": "counts",
        "target-lesion": "same-lesion",
        "first-use": "any-needle",
        "primary-failures": "included",
        "met-late": "enters-late",
        "partial-dates": "range",
        "competing": "death-transplant-transfer",
        "maturation-rule": "two-thirds",
        "catheter-exchange": "same-access",
        "elective-removal": "censors",
        "removal-reason-unknown": "censors",
        "removal-day": "not-counted",
        "two-catheters": "each-counts",
        "twenty-one-days": "rolls",
        "on-the-list": "in-care",
        "working-days": "monday-to-saturday",
        "same-infection-days": "0",
        "use-known-for": "31",
    }


def test_every_option_of_every_choice_of_a_definition_can_be_counted_with():
    history = a_history(made("2021-03-02"), banded("2021-06-01"), clotted("2022-01-10"))

    for definition in BOOK.definitions.values():
        if AccessKind.FISTULA not in definition.kinds:
            continue
        for name in definition.choices:
            for option in BOOK.choices[name].options:
                found = spell_of(history, "A1", definition.with_choices({name: option.name}), CUT)
                if isinstance(found, Spell):
                    assert set(found.notes) <= set(NOTES)
                else:
                    assert found.why in WHY_LEFT_OUT


# --- A site's own ---

OWN = """
format = 1

[sources.ours]
text = "Decision of the invented unit's meeting of May"
verified = true
read_on = 2024-05-02

[choices]
steal-surgery = "ends-primary"
index-days = 7

[[class]]
name = "arm-rest"
says = "the arm was rested"
when = [{ kind = "instruction", what = ["rest"] }]

[[definition]]
id = "time-to-rest"
name = "Time to a rested arm"
for = ["fistula"]
start = "creation"
ends = ["arm-rest"]
competes = ["loss"]
choices = ["day-of-loss", "end-of-care", "met-late", "partial-dates", "competing"]
sources = ["ours"]
"""


def test_a_site_adds_a_definition_a_class_and_its_own_defaults():
    book = rulebook(OWN)
    history = a_history(
        made("2021-03-02"), banded("2021-06-01"), happening("instruction", "2021-05-01", access="A1", what="rest")
    )

    rested = spell_of(history, "A1", book.definition("time-to-rest"), CUT)
    primary = spell_of(history, "A1", book.definition("primary-patency"), CUT)

    assert book.definition("time-to-rest").of_site
    assert (str(rested.longest.end), rested.longest.ended_by) == ("2021-05-01", "arm-rest")
    assert (str(primary.longest.end), primary.longest.ended_by) == ("2021-06-01", "steal-surgery")
    assert book.definition("post-intervention-primary-patency").choices["index-days"] == "7"
    # The package's own rulebook is not touched.
    assert "time-to-rest" not in rulebook().definitions


def test_the_example_of_a_sites_file_in_the_readme_counts():
    page = (Path(ledger.__file__).parent / "README.md").read_text(encoding="utf-8")
    book = rulebook(page.split("```toml\n")[1].split("```")[0])
    rest = happening("instruction", "2021-09-01", access="A1", what="rest")
    history = a_history(made("2021-03-02"), needled("2021-05-10"), rest)

    found = spell_of(history, "A1", book.definition("rest-free-survival"), CUT)

    assert (str(found.longest.start), str(found.longest.end), found.longest.ended_by) == (
        "2021-05-10",
        "2021-09-01",
        "resting",
    )
    assert book.definition("secondary-patency").choices["primary-failures"] == "left-out"
    assert book.definition("target-lesion-primary-patency").choices["index-days"] == "1"


def test_a_site_can_say_that_a_kind_of_event_means_something_else():
    own = """
    [[class]]
    name = "tied-branches"
    says = "side branches tied, which this site does not count"
    when = [{ kind = "other-intervention", what = ["side-branch-ligation"] }]
    """
    from tests.statistics.said import other

    history = a_history(made("2021-03-02"), other("2021-06-01", "side-branch-ligation"))

    assert spell_of(history, "A1", rulebook().definition("primary-patency"), CUT).longest.ended_by == "maintenance"
    assert spell_of(history, "A1", rulebook(own).definition("primary-patency"), CUT).longest.ended_by == "cut"


@pytest.mark.parametrize(
    ("own", "problem", "remedy"),
    [
        ("format = ", "are not TOML", "Correct that line"),
        ("format = 2", "are of format 2", "format = 1"),
        ("colour = 1", "'colour' means nothing here", "choices"),
        ('[choices]\ncolour = "red"', "set a choice 'colour'", "steal-surgery"),
        ('[choices]\nsteal-surgery = "perhaps"', "has no option 'perhaps'", "does-not-end"),
        ('[choices]\nindex-days = "many"', "takes a number of days", "whole days"),
        ('[[definition]]\nid = "x"', "lacks 'ends'", "Add it"),
        ('[[class]]\nname = "x"\nsays = "y"\nwhen = [{ kind = "quarrel" }]', "names the kind 'quarrel'", "thrombosis"),
        (
            '[[class]]\nname = "x"\nsays = "y"\nwhen = [{ kind = "thrombosis", mood = ["bad"] }]',
            "no field 'mood'",
            "known_by",
        ),
        (
            '[[class]]\nname = "x"\nsays = "y"\nwhen = [{ kind = "thrombosis", visit = "V1" }]',
            "must be a list",
            "visit =",
        ),
        ('[sources.ours]\ntext = "x"', "'ours' is incomplete", "verified"),
    ],
)
def test_a_sites_mistake_is_named_with_what_can_stand_there(own, problem, remedy):
    with pytest.raises(WrongInput) as wrong:
        rulebook(own)

    assert problem in wrong.value.problem
    assert remedy in wrong.value.remedy


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ('start = "birth"', "starts at 'birth'"),
        ('ends = ["boredom"]', "names 'boredom' in ends"),
        ('choices = ["colour"]', "names 'colour' in choices"),
        ('sources = ["gossip"]', "names the source 'gossip'"),
        ('for = ["kite"]', "a kind of access that does not exist"),
        ('counts = "points"', "counts 'points'"),
    ],
)
def test_a_definition_that_makes_no_sense_says_which_word(line, problem):
    whole = {
        "id": '"x"',
        "name": '"X"',
        "for": '["fistula"]',
        "start": '"creation"',
        "ends": '["loss"]',
        "choices": "[]",
        "sources": '["house"]',
    }
    name, _, value = line.partition(" = ")
    own = "[[definition]]\n" + "\n".join(f"{key} = {held}" for key, held in (whole | {name: value}).items())

    with pytest.raises(WrongInput) as wrong:
        rulebook(own)

    assert problem in wrong.value.problem


# --- Published bounds ---


def test_published_numbers_stand_with_their_source_and_as_other_peoples():
    fistulas = curves_published("primary-patency", AccessKind.FISTULA, 365)

    assert [(one.value, one.low, one.high) for one in fistulas][:2] == [(60.0, 56, 64), (64.0, None, None)]
    assert all(one.source.endswith("(read 2026-11-24)") for one in fistulas)
    assert fistulas[0].to_json()["said"] == SAID == "other people's populations, never a target"
    assert rates_published("positive blood culture", "every access")[0].value == 0.29


def test_published_curves_never_rise_and_name_a_definition_that_is_there():
    for definition in BOOK.definitions.values():
        by_study: dict[tuple[str, str], list[tuple[int, float]]] = {}
        for one in curves_published(definition.id):
            if one.day is not None:
                by_study.setdefault((one.study, one.population), []).append((one.day, one.value))
        for points in by_study.values():
            heights = [value for _, value in sorted(points)]
            assert heights == sorted(heights, reverse=not definition.gains)


# --- Examples in the docstrings ---

MODULES = [name for _, name, _ in pkgutil.iter_modules(ledger.statistics.__path__, "ledger.statistics.")]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(name))

    assert found.failed == 0


def test_there_are_examples():
    found = [doctest.testmod(importlib.import_module(name)).attempted for name in MODULES]

    assert sum(found) >= 15
