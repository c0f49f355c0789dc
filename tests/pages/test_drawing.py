"""The line drawing: a side is never swapped, nothing that nobody recorded is drawn, and all of it stands in words."""

from __future__ import annotations

from datetime import date
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.pages.drawing import MIDLINE, WIDTH, Disc, Drawing, Lettering, Stroke, drawing_of
from ledger.events import Event
from ledger.projections.person import person_of
from ledger.projections.state import accesses_of
from ledger.vocabulary import AccessKind, Artery, Configuration, LesionPlace, Limb, Side, Site, TipPlace, Vein
from tests.lives import a_history, happening

TODAY = date(2026, 11, 20)
PATIENTS_LEFT_IS_ON_THE_RIGHT = {Side.LEFT: 1, Side.RIGHT: -1}
"""The body is seen from the front, as in every anatomical plate."""

ARMS = (Site.SNUFFBOX, Site.WRIST, Site.FOREARM, Site.ELBOW, Site.UPPER_ARM)


def drawn(*events: Event) -> Drawing:
    history = a_history(*events)
    views = accesses_of(history, TODAY)
    person = person_of(history, TODAY, lambda _: None, lambda _: None)
    return drawing_of(views, person, views[0] if views else None)


def own_points(drawing: Drawing, access: str) -> list[tuple[float, float]]:
    """All points of the strokes and circles of one access, not its numbers."""
    found = []
    for shape in drawing.shapes:
        if shape.of != access:
            continue
        if isinstance(shape, Stroke) and shape.width > 1:
            found += list(shape.points)
        elif isinstance(shape, Disc) and shape.radius < 8:
            found.append(shape.at)
    return found


def in_the_arm(points: list[tuple[float, float]]) -> list[float]:
    """How far to the right of the midline the points are that lie below the shoulder and beside the trunk."""
    return [x - MIDLINE for x, y in points if y > 160 and abs(x - MIDLINE) > 70]


@given(
    side=st.sampled_from(Side),
    site=st.sampled_from(ARMS),
    inflow=st.sampled_from([Artery.RADIAL, Artery.ULNAR, Artery.PROXIMAL_RADIAL, Artery.BRACHIAL, None]),
    outflow=st.sampled_from([Vein.CEPHALIC, Vein.BASILIC, Vein.BRACHIAL, Vein.MEDIAN_CUBITAL, Vein.PERFORATING, None]),
    kind=st.sampled_from([AccessKind.FISTULA, AccessKind.GRAFT]),
    configuration=st.sampled_from([Configuration.STRAIGHT, Configuration.LOOP, None]),
    limb=st.sampled_from([*Limb, None]),
)
def test_whatever_is_recorded_of_an_access_in_an_arm_it_is_drawn_in_that_arm(
    side: Side,
    site: Site,
    inflow: Artery | None,
    outflow: Vein | None,
    kind: AccessKind,
    configuration: Configuration | None,
    limb: Limb | None,
) -> None:
    drawing = drawn(
        happening(
            "creation",
            "2025-03-04",
            access="A1",
            access_kind=kind,
            side=side,
            site=site,
            inflow=inflow,
            outflow=outflow,
            configuration=configuration,
            arterial_limb=limb,
        )
    )

    beside = in_the_arm(own_points(drawing, "A1"))

    assert beside, "something is drawn in the arm"
    assert all(x * PATIENTS_LEFT_IS_ON_THE_RIGHT[side] > 0 for x in beside)
    assert side.value.upper() in drawing.items[0].words


@given(side=st.sampled_from(Side), exit_side=st.sampled_from(Side), tip=st.sampled_from([*TipPlace, None]))
def test_a_catheter_leaves_the_skin_on_the_side_that_is_recorded_even_across_from_its_vein(
    side: Side, exit_side: Side, tip: TipPlace | None
) -> None:
    drawing = drawn(
        happening(
            "catheter-placed",
            "2025-03-04",
            access="A1",
            access_kind=AccessKind.TUNNELLED,
            vein=Vein.INTERNAL_JUGULAR,
            side=side,
            exit_side=exit_side,
            exit_site=Site.CHEST,
            tip=tip,
        )
    )

    squares = [shape for shape in drawing.shapes if isinstance(shape, Stroke) and shape.of == "A1" and shape.closed]
    # The part within the vein is dashed; the tunnel to a vein of the other side crosses the midline.
    (vein,) = [shape for shape in drawing.shapes if isinstance(shape, Stroke) and shape.of == "A1" and shape.dash]
    neck = [x - MIDLINE for x, y in vein.points if y < 105]

    (exit_at,) = squares
    assert all((x - MIDLINE) * PATIENTS_LEFT_IS_ON_THE_RIGHT[exit_side] > 0 for x, _ in exit_at.points)
    assert neck
    assert all(x * PATIENTS_LEFT_IS_ON_THE_RIGHT[side] > 0 for x in neck)
    assert f"exit {exit_side.value.upper()}" in drawing.items[0].words


def test_the_words_left_and_right_stand_on_their_own_sides() -> None:
    drawing = drawn()

    words = {shape.words: shape.at[0] for shape in drawing.shapes if isinstance(shape, Lettering) and shape.bold}

    assert words["LEFT"] > MIDLINE > words["RIGHT"]
    assert sum(1 for shape in drawing.shapes if isinstance(shape, Lettering) and shape.words == "patient's") == 2


def test_an_arm_is_the_mirror_of_the_other_and_no_copy() -> None:
    left, right = (
        drawn(
            happening(
                "creation",
                "2025-03-04",
                access="A1",
                access_kind=AccessKind.FISTULA,
                side=side,
                site=Site.WRIST,
                inflow=Artery.RADIAL,
                outflow=Vein.CEPHALIC,
            )
        )
        for side in (Side.LEFT, Side.RIGHT)
    )

    run = {
        name: next(s for s in drawing.shapes if isinstance(s, Stroke) and s.of == "A1" and s.width > 5)
        for name, drawing in (("left", left), ("right", right))
    }

    for (x, y), (mirrored_x, mirrored_y) in zip(run["left"].points, run["right"].points, strict=True):
        assert (2 * MIDLINE - x, y) == pytest.approx((mirrored_x, mirrored_y))


def test_a_side_that_nobody_recorded_is_drawn_on_no_arm_and_said_in_the_picture() -> None:
    drawing = drawn(
        happening("creation", "2025-03-04", access="A1", access_kind=AccessKind.FISTULA, side=None, site=Site.WRIST)
    )

    assert own_points(drawing, "A1") == []
    assert not drawing.items[0].drawn
    assert any(isinstance(s, Lettering) and s.words == "side not recorded" for s in drawing.shapes)


def arrows(drawing: Drawing) -> list[Stroke]:
    return [s for s in drawing.shapes if isinstance(s, Stroke) and s.of == "A1" and s.closed and len(s.points) == 3]


def loop(limb: Limb | None) -> Drawing:
    return drawn(
        happening(
            "creation",
            "2025-03-04",
            access="A1",
            access_kind=AccessKind.GRAFT,
            side=Side.LEFT,
            site=Site.FOREARM,
            inflow=Artery.BRACHIAL,
            outflow=Vein.CEPHALIC,
            configuration=Configuration.LOOP,
            arterial_limb=limb,
        )
    )


def test_a_direction_of_flow_that_nobody_recorded_has_no_arrow_and_a_question_mark() -> None:
    drawing = loop(None)

    assert arrows(drawing) == []
    assert any(isinstance(s, Lettering) and s.words == "?" for s in drawing.shapes)
    assert not any(s.colour == "#b3261e" for s in drawing.shapes if isinstance(s, Stroke) and s.width > 4)
    assert "limb side not recorded" in drawing.items[0].words


@pytest.mark.parametrize(("limb", "outer"), [(Limb.LATERAL, "A"), (Limb.MEDIAL, "V")])
def test_the_arterial_limb_of_a_loop_lies_on_the_border_that_is_recorded(limb: Limb, outer: str) -> None:
    drawing = loop(limb)

    letters = {s.words: s.at[0] for s in drawing.shapes if isinstance(s, Lettering) and s.words in ("A", "V")}

    # Palms forward, the lateral border of the left forearm is the farther one from the midline.
    assert max(letters, key=lambda letter: letters[letter]) == outer
    assert len(arrows(drawing)) == 2


def test_what_is_drawn_stands_in_the_list_and_the_list_in_the_description() -> None:
    drawing = loop(Limb.MEDIAL)

    root = ElementTree.fromstring(drawing.svg)
    title, words = (root.find(f"{{http://www.w3.org/2000/svg}}{name}") for name in ("title", "desc"))

    assert title is not None
    assert "LEFT is on the right" in (title.text or "")
    assert words is not None
    assert all(item.words in (words.text or "") for item in drawing.items)


def test_markup_has_nothing_that_a_strict_content_policy_forbids() -> None:
    svg = loop(Limb.MEDIAL).svg

    assert "style=" not in svg
    assert "<script" not in svg
    assert "http" not in svg.replace("http://www.w3.org/2000/svg", "")


def test_every_place_of_a_lesion_is_placed_or_told_in_words_only() -> None:
    for place in LesionPlace:
        drawing = drawn(
            happening(
                "creation",
                "2025-03-04",
                access="A1",
                access_kind=AccessKind.FISTULA,
                side=Side.RIGHT,
                site=Site.UPPER_ARM,
                inflow=Artery.BRACHIAL,
                outflow=Vein.CEPHALIC,
            ),
            happening(
                "angioplasty",
                "2026-03-04",
                access="A1",
                lesions=[{"lesion": "l1", "place": place, "side": Side.LEFT}],
            ),
        )

        (item,) = [item for item in drawing.items if item.tag == "treated"]
        marks = [
            s for s in drawing.shapes if isinstance(s, Stroke) and s.of == "A1" and s.closed and len(s.points) == 4
        ]
        if place.is_central:
            assert item.drawn, place
        else:
            # Told as LEFT on an access of the RIGHT arm: said, and drawn on neither.
            assert not item.drawn, place
            assert marks == [], place
        assert item.words.startswith("LEFT"), place


@given(
    side=st.sampled_from([*Side, None]),
    site=st.sampled_from([*Site, None]),
    inflow=st.sampled_from([*Artery, None]),
    outflow=st.sampled_from([*Vein, None]),
    kind=st.sampled_from([AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID]),
    configuration=st.sampled_from([*Configuration, None]),
    limb=st.sampled_from([*Limb, None]),
    place=st.sampled_from([*LesionPlace, None]),
    lesion_side=st.sampled_from([*Side, None]),
)
def test_whatever_is_recorded_the_drawing_stays_in_its_frame_and_numbers_what_it_lists(
    side: Side | None,
    site: Site | None,
    inflow: Artery | None,
    outflow: Vein | None,
    kind: AccessKind,
    configuration: Configuration | None,
    limb: Limb | None,
    place: LesionPlace | None,
    lesion_side: Side | None,
) -> None:
    drawing = drawn(
        happening(
            "creation",
            "2025-03-04",
            access="A1",
            access_kind=kind,
            side=side,
            site=site,
            inflow=inflow,
            outflow=outflow,
            configuration=configuration,
            arterial_limb=limb,
        ),
        happening(
            "stent",
            "2026-03-04",
            access="A1",
            stents=[{"device": "d1", "covered": True, "place": place, "side": lesion_side, "lesion": "l1"}],
            lesions=[{"lesion": "l1", "place": place, "side": lesion_side}],
        ),
        happening("instruction", "2026-03-05", access="A1", what="not-to-be-needled", place=place),
    )

    points = [
        point for shape in drawing.shapes for point in (shape.points if isinstance(shape, Stroke) else (shape.at,))
    ]
    numbers = [s.words.split()[0] for s in drawing.shapes if isinstance(s, Lettering) and s.words[:1].isdigit()]

    assert all(-1 <= x <= WIDTH + 1 and -1 <= y <= drawing.height + 1 for x, y in points)
    assert [item.number for item in drawing.items] == list(range(1, len(drawing.items) + 1))
    assert {int(number) for number in numbers} >= {item.number for item in drawing.items if item.drawn}
    ElementTree.fromstring(drawing.svg)
