"""The line drawing: where the accesses of a patient run, seen from the front: the patient's LEFT is on the right.

One function of values, `drawing_of`, gives shapes and a list. The shapes become SVG markup here and ink on paper in
`cli.printed`. Everything that is drawn has a number and stands in the list in words, with its side. What nobody
recorded (a side, a direction of flow, an exit, a tip) is not guessed: it is told beside the figure in words, or ends in
a question mark. The arterial part is dashed and the venous part is not, so that it can be read without its colours.

It is a map and no portrait: it is not to scale, and a vein takes the course of the textbook. Geometry is written once,
for the patient's left half, in distances from the midline (`_Half`); a side only decides to which half it is put.

To draw something new of an access, give it a mark in `_Maker`, and its words; to place a new `LesionPlace`, name it in
`_spot_of`.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from html import escape
from itertools import pairwise
from math import cos, hypot, pi, sin
from typing import TYPE_CHECKING

from ledger.projections.folding import Body, Standing
from ledger.projections.sentences import place_words
from ledger.projections.state import may_be_needled
from ledger.vocabulary import (
    AccessKind,
    Artery,
    BackgroundWhat,
    Configuration,
    InstructionWhat,
    LesionPlace,
    Limb,
    SecondStageForm,
    Side,
    Site,
    TipPlace,
    Vein,
    words_of,
)

if TYPE_CHECKING:
    from ledger.projections.person import BackgroundView, PersonView
    from ledger.projections.state import AccessView

Point = tuple[float, float]

WIDTH, MIDLINE = 384.0, 192.0
UPPER_BOTTOM, LOWER_BOTTOM = 436.0, 580.0
"""The figure ends below the hands; with something in a thigh, above the knees."""

ARTERIAL, VENOUS, INK, QUIET, SKIN = "#b3261e", "#1f4e9e", "#1c2126", "#8a939b", "#f4f1ec"
"""Red and blue are the trade's own; each has its own line as well."""


# --- Shapes -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """A line through points. `of` names what it belongs to: an access's id, or `figure`."""

    points: tuple[Point, ...]
    colour: str = INK
    width: float = 1.2
    dash: tuple[float, float] | None = None
    fill: str | None = None
    closed: bool = False
    of: str = "figure"


@dataclass(frozen=True, kw_only=True)
class Disc:
    """A circle."""

    at: Point
    radius: float
    fill: str | None = None
    colour: str = INK
    width: float = 1.2
    of: str = "figure"


@dataclass(frozen=True, kw_only=True)
class Lettering:
    """Words in the picture, centred on `at` unless `anchor` says start or end."""

    at: Point
    words: str
    size: float = 10
    bold: bool = False
    colour: str = INK
    anchor: str = "middle"
    of: str = "figure"


Shape = Stroke | Disc | Lettering


@dataclass(frozen=True, kw_only=True)
class Item:
    """A line of the list beside the drawing. `drawn` is false for what has no place on the figure."""

    number: int
    words: str
    tag: str
    drawn: bool
    of: str


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """The picture and the list that says all of it in words."""

    shapes: tuple[Shape, ...]
    items: tuple[Item, ...]
    height: float

    @property
    def title(self) -> str:
        """What the picture is."""
        return "Where the accesses run, seen from the front: the patient's LEFT is on the right of the picture."

    @property
    def words(self) -> str:
        """All that is drawn, in words."""
        return " ".join(f"{item.number}: {item.words}." for item in self.items) or "No access in the body is recorded."

    @property
    def svg(self) -> str:
        """The picture as SVG markup of its own, without style sheet or script."""
        inside = "".join(_svg_of(shape) for shape in self.shapes)
        return (
            f'<svg class="figure" viewBox="0 0 {WIDTH:g} {self.height:g}" role="img" '
            f'aria-labelledby="figure-title figure-words" xmlns="http://www.w3.org/2000/svg" '
            f'font-family="system-ui, DejaVu Sans, sans-serif">'
            f'<title id="figure-title">{escape(self.title)}</title>'
            f'<desc id="figure-words">{escape(self.words)}</desc>{inside}</svg>'
        )


@lru_cache(maxsize=512)
def _svg_of(shape: Shape) -> str:
    of = f' data-of="{escape(shape.of)}"' if shape.of != "figure" else ""
    match shape:
        case Stroke():
            d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in shape.points) + ("Z" if shape.closed else "")
            dash = "" if shape.dash is None else f' stroke-dasharray="{shape.dash[0]:g} {shape.dash[1]:g}"'
            return (
                f'<path{of} d="{d}" fill="{shape.fill or "none"}" stroke="{shape.colour}" '
                f'stroke-width="{shape.width:g}" stroke-linecap="{"butt" if dash else "round"}" '
                f'stroke-linejoin="round"{dash}/>'
            )
        case Disc():
            x, y = shape.at
            return (
                f'<circle{of} cx="{x:.1f}" cy="{y:.1f}" r="{shape.radius:g}" fill="{shape.fill or "none"}" '
                f'stroke="{shape.colour}" stroke-width="{shape.width:g}"/>'
            )
        case Lettering():
            x, y = shape.at
            weight = ' font-weight="700"' if shape.bold else ""
            return (
                f'<text{of} x="{x:.1f}" y="{y:.1f}" font-size="{shape.size:g}" text-anchor="{shape.anchor}" '
                f'fill="{shape.colour}"{weight}>{escape(shape.words)}</text>'
            )


# --- The map ------------------------------------------------------------------------------------------------------
# Distances from the midline to the patient's left, and depths from the top. The right half is the same, mirrored.

_ARM = (  # distance from the midline, depth, half the width
    (95.0, 128.0, 24.0),
    (107.0, 184.0, 21.0),
    (121.0, 244.0, 17.5),
    (130.0, 272.0, 18.5),
    (141.0, 312.0, 15.5),
    (153.0, 358.0, 10.5),
    (158.0, 378.0, 13.5),
    (162.0, 398.0, 12.5),
    (166.0, 420.0, 7.5),
)
_LEG = ((40.0, 348.0, 36.0), (41.0, 440.0, 31.0), (37.0, 520.0, 24.0), (35.0, 580.0, 20.0))

_CEPHALIC = ((352, 0.55), (325, 0.72), (285, 0.7), (246, 0.6), (205, 0.72), (165, 0.78), (138, 0.62))
_BASILIC = ((352, -0.55), (320, -0.75), (285, -0.72), (248, -0.62), (205, -0.72), (172, -0.72))
_TRANSPOSED = ((248, -0.1), (222, 0.3), (195, 0.3), (172, -0.3))
_BRACHIAL_VEIN = ((244, -0.2), (205, -0.4), (172, -0.6))
_RADIAL = ((250, 0.0), (275, 0.3), (315, 0.38), (352, 0.4), (368, 0.62))
_ULNAR = ((250, 0.0), (275, -0.3), (315, -0.4), (352, -0.42))
_BRACHIAL_ARTERY = ((166, -0.5), (205, -0.32), (242, 0.0))

_ARCH: tuple[Point, ...] = ((82, 118), (68, 111), (56, 116), (48, 120))
_AXILLARY: tuple[Point, ...] = ((80, 152), (70, 138), (58, 126))
_SUBCLAVIAN: tuple[Point, ...] = ((58, 126), (44, 117), (26, 110))
_JUGULAR: tuple[Point, ...] = ((17, 72), (20, 90), (26, 110))
_INNOMINATE = {Side.LEFT: ((26, 110), (10, 121), (-9, 136)), Side.RIGHT: ((26, 110), (18, 122), (9, 136))}
_CAVA: tuple[Point, ...] = ((-9, 136), (-10, 156), (-10, 172), (-8, 190))
"""The superior vena cava lies right of the midline: here a negative distance means the patient's right."""
_LOWER_CAVA: tuple[Point, ...] = ((-7, 205), (-7, 260), (-6, 306))
_ILIAC: tuple[Point, ...] = ((-6, 306), (14, 322), (32, 344), (37, 358))

_UNITS_A_CM = 4.2
"""An upper arm of 118 units is taken as 28 cm long, for needle sites that were told in centimetres. A map, no scale."""


def _sign(side: Side) -> float:
    """The front is seen: the patient's left half is on the right of the picture."""
    return 1.0 if side is Side.LEFT else -1.0


@dataclass(frozen=True)
class _Half:
    """One half of the body, to put points on."""

    side: Side

    def at(self, out: float, down: float) -> Point:
        """`out` from the midline to this side."""
        return MIDLINE + _sign(self.side) * out, down

    def all(self, points: Iterable[Sequence[float]]) -> list[Point]:
        return [self.at(point[0], point[1]) for point in points]

    def arm(self, down: float, off: float) -> Point:
        """A point of the arm; `off` from its axis, 1 the lateral (thumb's) border, -1 the medial one."""
        return self._limb(_ARM, down, off)

    def leg(self, down: float, off: float) -> Point:
        """A point of the thigh; `off` as of the arm."""
        return self._limb(_LEG, down, off)

    def along(self, course: Sequence[tuple[float, float]]) -> list[Point]:
        return [self.arm(down, off) for down, off in course]

    def _limb(self, axis: Sequence[tuple[float, float, float]], down: float, off: float) -> Point:
        index = min(max(bisect([one[1] for one in axis], down) - 1, 0), len(axis) - 2)
        (x0, y0, w0), (x1, y1, w1) = axis[index], axis[index + 1]
        part = (down - y0) / (y1 - y0)
        out, wide = x0 + (x1 - x0) * part, w0 + (w1 - w0) * part
        length = hypot(x1 - x0, y1 - y0)
        # Across the limb, not across the page.
        return self.at(out + off * wide * (y1 - y0) / length, down - off * wide * (x1 - x0) / length)


def cava(points: Iterable[Sequence[float]]) -> list[Point]:
    """Points of what lies in the midline, and is on no side: distances to the patient's left."""
    return [(MIDLINE + x, y) for x, y in points]


@dataclass(kw_only=True)
class _Route:
    """How an access runs: the feeding artery, the run that is needled from arterial to venous end, the way home.

    `certain` is false where the course is not recorded and only the place is; `loop`: the run goes out and back.
    """

    run: list[Point]
    feed: list[Point] = field(default_factory=list)
    home: list[Point] = field(default_factory=list)
    certain: bool = True
    loop: bool = False
    open_end: bool = False  # the outflow is not recorded: the run ends in a question
    joined: bool = True  # the artery is known: there is an anastomosis to draw


def _route_of(view: AccessView, side: Side) -> _Route | None:
    """The route of an access that is needled; None where it cannot be put on the figure."""
    folded = view.folded
    half = _Half(side)
    site, inflow, outflow = folded.site, folded.inflow, folded.outflow
    graft = view.access_kind in (AccessKind.GRAFT, AccessKind.HYBRID)
    shape = folded.configuration
    central = [*half.all(_SUBCLAVIAN[1:]), *_to_heart(side)]
    if site in (Site.THIGH, Site.GROIN) or inflow in (Artery.FEMORAL, Artery.POPLITEAL):
        return _thigh(half, shape, folded.arterial_limb, inflow)
    if shape is Configuration.NECKLACE or (site is Site.CHEST and inflow in (Artery.AXILLARY, Artery.SUBCLAVIAN)):
        other = _Half(Side.RIGHT if side is Side.LEFT else Side.LEFT)
        if shape is not Configuration.NECKLACE:
            return None
        run = [half.at(80, 150), half.at(52, 172), half.at(0, 180), other.at(52, 170), other.at(78, 150)]
        return _Route(run=run, home=[other.at(78, 150), *other.all(_AXILLARY[1:])])
    if site is None and inflow is None:
        return None
    if site in (Site.NECK, Site.CHEST, Site.ABDOMEN, Site.FLANK):
        return None
    forearm = site in (Site.FOREARM, Site.WRIST, Site.SNUFFBOX)
    if shape is Configuration.LOOP:
        return _loop_in_arm(half, forearm, folded.arterial_limb, central)
    if view.access_kind is AccessKind.HYBRID:
        run = [half.arm(240, 0), half.arm(220, 0.4), half.arm(180, 0.5), half.arm(146, 0.3), half.at(72, 116)]
        return _Route(
            run=run,
            feed=half.along(_BRACHIAL_ARTERY) if inflow is not None else [],
            home=[half.at(72, 116), *half.all(_SUBCLAVIAN[1:]), *_to_heart(side)],
            joined=inflow is not None,
        )
    joined, feed = _start(half, site, inflow)
    if joined is None:
        return _only_the_place(half, site)
    if _was_moved(view):
        shape = Configuration.TRANSPOSED
    start, begin = joined, joined[1]
    if graft:
        return _straight_graft(half, start, feed, forearm, outflow, central, shape)
    course = _course(outflow, shape)
    if course is None:
        end = half.arm(begin - 26, 0.3)
        return _Route(run=[start, half.arm(begin - 12, 0.25), end], feed=feed, open_end=True)
    run = [start, *half.along([point for point in course if point[0] < begin - 8])]
    if outflow is Vein.CEPHALIC:
        home = [run[-1], *half.all(_ARCH), *half.all(_SUBCLAVIAN[1:]), *_to_heart(side)]
    else:
        home = [run[-1], *half.all(_AXILLARY), *central]
    return _Route(run=run, feed=feed, home=home)


def _was_moved(view: AccessView) -> bool:
    """Whether the vein was moved to another course in a second stage; one that was only lifted keeps its own."""
    stage = view.folded.second_stage
    return stage is not None and getattr(stage.fact, "form", None) is SecondStageForm.TRANSPOSITION


def _to_heart(side: Side) -> list[Point]:
    """From the meeting of the veins of this side into the right atrium."""
    last = _Half(side).all(_INNOMINATE[side])
    return [*last[1:-1], *cava(_CAVA)]


def _course(outflow: Vein | None, shape: Configuration | None) -> Sequence[tuple[float, float]] | None:
    match outflow:
        case Vein.CEPHALIC:
            return _CEPHALIC
        case Vein.BASILIC | Vein.AXILLARY if shape is Configuration.TRANSPOSED:
            return _TRANSPOSED
        case Vein.BASILIC:
            return _BASILIC
        case Vein.BRACHIAL | Vein.AXILLARY:
            return _BRACHIAL_VEIN
        case _:
            return None


def _start(half: _Half, site: Site | None, inflow: Artery | None) -> tuple[Point | None, list[Point]]:
    """Where artery and vein are joined, and the artery on its way there. None where it is not recorded."""
    match inflow:
        case Artery.RADIAL | Artery.ULNAR:
            course = _RADIAL if inflow is Artery.RADIAL else _ULNAR
            depths = {Site.SNUFFBOX: 368.0, Site.WRIST: 350.0, Site.FOREARM: 326.0, Site.ELBOW: 262.0}
            depth = depths.get(site) if site is not None else None
            if depth is None:
                return None, []
            feed = half.along([*(one for one in course if one[0] < depth - 8), (depth, _off_at(course, depth))])
            return feed[-1], feed
        case Artery.PROXIMAL_RADIAL:
            feed = half.along([*_BRACHIAL_ARTERY[1:], (262, 0.15)])
            return feed[-1], feed
        case Artery.BRACHIAL:
            return half.arm(242, 0), half.along(_BRACHIAL_ARTERY)
        case Artery.AXILLARY:
            return half.arm(166, -0.5), half.all(((62, 126), (76, 142), (86, 156)))
        case _:
            return None, []


def _off_at(course: Sequence[tuple[float, float]], depth: float) -> float:
    for (y0, off0), (y1, off1) in pairwise(course):
        if y0 <= depth <= y1:
            return off0 + (off1 - off0) * (depth - y0) / (y1 - y0)
    return course[-1][1]


def _only_the_place(half: _Half, site: Site | None) -> _Route | None:
    """The place is recorded and the vessels are not: a stretch in the middle of that part, open at both ends."""
    spans = {
        Site.SNUFFBOX: (372, 356),
        Site.WRIST: (358, 334),
        Site.FOREARM: (338, 276),
        Site.ELBOW: (262, 228),
        Site.UPPER_ARM: (230, 166),
        Site.AXILLA: (180, 152),
    }
    if site not in spans:
        return None
    low, high = spans[site]
    return _Route(run=[half.arm(low, 0), half.arm((low + high) / 2, 0), half.arm(high, 0)], certain=False, joined=False)


def _straight_graft(
    half: _Half,
    start: Point,
    feed: list[Point],
    forearm: bool,
    outflow: Vein | None,
    central: list[Point],
    shape: Configuration | None,
) -> _Route:
    wide = 0.75 if shape is Configuration.CURVED else 0.42
    if forearm:
        ends = {Vein.CEPHALIC: 0.6, Vein.BASILIC: -0.6, Vein.MEDIAN_CUBITAL: 0.2, Vein.BRACHIAL: -0.2}
        end = half.arm(250, ends.get(outflow, 0.1) if outflow is not None else 0.1)
        run = [start, half.arm(320, 0.1), half.arm(285, 0.15), end]
        course = _CEPHALIC if outflow is Vein.CEPHALIC else _BASILIC
        up = half.along([one for one in course if one[0] < 246])
        home = [end, *up, *half.all(_ARCH if outflow is Vein.CEPHALIC else _AXILLARY), *central]
        return _Route(run=run, feed=feed, home=home if outflow is not None else [], open_end=outflow is None)
    end = half.at(80, 152) if outflow in (Vein.AXILLARY, Vein.SUBCLAVIAN, None) else half.arm(172, -0.6)
    run = [start, half.arm(226, wide * 0.7), half.arm(200, wide), half.arm(176, wide * 0.5), end]
    home = [end, *half.all(_AXILLARY), *central]
    return _Route(run=run, feed=feed, home=home if outflow is not None else [], open_end=outflow is None)


def _loop_in_arm(half: _Half, forearm: bool, limb: Limb | None, central: list[Point]) -> _Route:
    first = 1.0 if limb is Limb.LATERAL else -1.0  # which border the arterial limb follows
    top, bottom = (254.0, 336.0) if forearm else (168.0, 226.0)
    deep = bottom - top
    out = [
        half.arm(top, first * 0.16),
        half.arm(top + 0.22 * deep, first * 0.6),
        half.arm(top + 0.7 * deep, first * 0.62),
        half.arm(bottom, 0),
        half.arm(top + 0.7 * deep, -first * 0.62),
        half.arm(top + 0.22 * deep, -first * 0.6),
        half.arm(top, -first * 0.3),
    ]
    feed = half.along([*_BRACHIAL_ARTERY, (254, first * 0.16)]) if forearm else half.all(((62, 126), (76, 142)))
    up = half.along([(205, -0.6), (172, -0.7)]) if forearm else []
    return _Route(run=out, feed=feed, home=[out[-1], *up, *half.all(_AXILLARY), *central], loop=True)


def _thigh(half: _Half, shape: Configuration | None, limb: Limb | None, inflow: Artery | None) -> _Route:
    home = [half.leg(362, -0.15), *half.all(reversed(_ILIAC[1:]))]
    home += cava(reversed(_LOWER_CAVA))
    feed = [half.at(34, 338), half.leg(362, 0.12)]
    if shape is Configuration.LOOP:
        first = 1.0 if limb is Limb.LATERAL else -1.0
        run = [
            half.leg(364, first * 0.1),
            half.leg(384, first * 0.5),
            half.leg(440, first * 0.52),
            half.leg(468, 0),
            half.leg(440, -first * 0.52),
            half.leg(384, -first * 0.5),
            half.leg(364, -first * 0.14),
        ]
        return _Route(run=run, feed=feed, home=[run[-1], *home[1:]], loop=True, joined=inflow is not None)
    run = [half.leg(530, 0.1), half.leg(450, 0.15), half.leg(366, -0.12)]
    return _Route(run=run, home=home, joined=inflow is not None, certain=inflow is Artery.POPLITEAL)


# --- Putting it together ------------------------------------------------------------------------------------------


def drawing_of(views: Sequence[AccessView], person: PersonView, main: AccessView | None = None) -> Drawing:
    """The drawing of all accesses that are in the body; the one of today heavier than the others.

    Of the person an arm that is not to be used is drawn, and on which side a cardiac lead, a port or a line is.
    """
    made = _Maker()
    ordered = sorted(views, key=lambda view: (view is not main, not view.is_open))
    for view in ordered:
        if view.in_body:
            made.access(view, view is main)
        elif view.folded.body.state is Body.PLANNED:
            made.item(f"{view.name}: planned, not made yet", "planned", view.access, drawn=False)
    for one in person.background:
        if one.what in _OF_A_SIDE:
            made.background(one)
    return made.drawing()


_OF_A_SIDE = {
    BackgroundWhat.ARM_NOT_TO_USE: "not this arm",
    BackgroundWhat.CARDIAC_LEAD: "lead",
    BackgroundWhat.PORT: "port",
    BackgroundWhat.LINE: "line",
}


@dataclass
class _Maker:
    shapes: list[Shape] = field(default_factory=list)
    over: list[Shape] = field(default_factory=list)
    labels: list[tuple[Point, int, str, str]] = field(default_factory=list)
    items: list[Item] = field(default_factory=list)
    taken: list[Point] = field(default_factory=list)
    lower: bool = False
    beside: int = 0
    letters: list[Point] = field(default_factory=list)

    def drawing(self) -> Drawing:
        bottom = LOWER_BOTTOM if self.lower else UPPER_BOTTOM
        figure = _figure(self.lower)
        return Drawing(
            shapes=(*figure, *self.shapes, *self.over, *self._numbers(bottom)),
            items=tuple(self.items),
            height=bottom + 22,
        )

    def item(self, words: str, tag: str, of: str, *, drawn: bool = True) -> int:
        number = len(self.items) + 1
        self.items.append(Item(number=number, words=words, tag=tag, drawn=drawn, of=of))
        return number

    def label(self, at: Point, number: int, of: str, words: str = "") -> None:
        self.labels.append((at, number, of, words))

    def background(self, one: BackgroundView) -> None:
        """Where it lies is recorded as a side and no more, so it is a word on that side and no line."""
        number = self.item(one.words[:1].upper() + one.words[1:], "background", "person", drawn=one.side is not None)
        if one.side is None:
            return
        half = _Half(one.side)
        if one.what is BackgroundWhat.ARM_NOT_TO_USE:
            for down in (214, 300):
                self._hatched([half.arm(down - 30, 0), half.arm(down + 30, 0)], 0.5, "person")
            self.label(half.arm(300, 0), number, "person", _OF_A_SIDE[one.what])
        else:
            self.label(half.at(54, 150), number, "person", _OF_A_SIDE[one.what])

    # --- An access ---

    def access(self, view: AccessView, is_main: bool) -> None:
        if view.is_catheter:
            self._catheter(view, is_main)
            return
        given_up = view.folded.standing.state is Standing.GIVEN_UP
        words = "; ".join(part for part in (view.name, view.direction, "given up" if given_up else "") if part)
        side = view.side if view.other_side is None else None
        route = None if side is None else _route_of(view, side)
        if side is None or route is None:
            why = "not drawn on a side" if side is None else "where it runs is not recorded, not drawn"
            number = self.item(f"{words}: {why}", "access", view.access, drawn=False)
            self._say_not_drawn(view, number)
            self._marks_in_words(view)
            return
        if view.folded.site in (Site.THIGH, Site.GROIN) or view.folded.inflow in (Artery.FEMORAL, Artery.POPLITEAL):
            self.lower = True
        if not route.certain:
            words += "; its course is not recorded"
        elif route.open_end:
            words += "; outflow drawn only as far as recorded"
        number = self.item(words, "access", view.access)
        run = smooth(route.run)
        known = self._flows_as_drawn(view, route)
        self._vessels(view, route, run, is_main, given_up, known)
        self.label(along(run, 0.5 if route.loop else 0.42), number, view.access)
        self.taken += [along(run, part / 12) for part in range(13)]
        if not given_up:
            self._marks(view, side, route, run)

    def _flows_as_drawn(self, view: AccessView, route: _Route) -> bool:
        """Whether the direction of flow is recorded, and is the one in which the run was laid out."""
        limb = view.folded.arterial_limb
        if limb is None or not route.certain:
            return False
        if route.loop:
            return limb in (Limb.MEDIAL, Limb.LATERAL)
        upwards = route.run[0][1] > route.run[-1][1]
        return limb is (Limb.DISTAL if upwards else Limb.PROXIMAL)

    def _vessels(
        self, view: AccessView, route: _Route, run: list[Point], is_main: bool, given_up: bool, known: bool
    ) -> None:
        of = view.access
        wide = 6.0 if is_main else 4.4
        graft = view.access_kind in (AccessKind.GRAFT, AccessKind.HYBRID)
        if given_up:
            self._line(run, QUIET, 2.4, of, dash=(1.5, 4))
            return
        if len(route.home) > 1:
            hybrid = view.access_kind is AccessKind.HYBRID
            self._line(smooth(route.home), VENOUS, 2.2 if hybrid else 1.5, of, dash=(1.5, 3) if hybrid else None)
        if len(route.feed) > 1:
            self._line(smooth(route.feed), ARTERIAL, 2.2, of, dash=(5, 3))
        if not route.certain:
            self._line(run, INK, wide, of, dash=(4, 4))
            self._line(run, "#ffffff", wide - 2.4, of)
        elif not graft:
            self._line(run, VENOUS, wide, of)
        elif route.loop and known:
            half = len(run) // 2
            self._line(run[: half + 1], ARTERIAL, wide + 1, of)
            self._line(run[half:], VENOUS, wide + 1, of)
            self._line(run[half:], "#ffffff", wide - 2.2, of)
            self._line(run[: half + 1], "#ffffff", wide - 2.2, of, dash=(5, 3))
        else:
            # Of a graft whose direction nobody recorded, no part is drawn as the arterial one.
            self._line(run, INK if route.loop else VENOUS, wide + 1, of)
            self._line(run, "#ffffff", wide - 2.2, of)
        if route.joined and route.certain and not (route.loop and not known):
            self.over.append(Disc(at=run[0], radius=wide * 0.75, fill="#ffffff", colour=INK, width=2, of=of))
            self.over.append(Disc(at=run[0], radius=1.6, fill=INK, colour=INK, width=0.5, of=of))
        if known:
            for part in (0.2, 0.72) if route.loop else (0.3, 0.68):
                self._arrow(run, part, of)
            if route.loop:
                centre = along(run, 0.5)
                for part, letter, colour in ((0.24, "A", ARTERIAL), (0.76, "V", VENOUS)):
                    x, y = along(run, part)
                    away = 11 if x > centre[0] else -11
                    self.letters.append((x + away, y))
                    self.over.append(
                        Lettering(at=(x + away, y + 4), words=letter, size=11, bold=True, colour=colour, of=of)
                    )
        else:
            spots = (0.0, 1.0) if (route.loop or not route.certain) else (0.24,)
            for part in spots:
                x, y = along(run, part)
                # Beside the line, where the arrow would have told the direction.
                self.over.append(Lettering(at=(x + 7, y - 4), words="?", size=12, bold=True, of=of))
        if route.open_end:
            x, y = run[-1]
            self.over.append(Lettering(at=(x, y - 5), words="?", size=12, bold=True, of=of))

    def _line(
        self, points: list[Point], colour: str, width: float, of: str, dash: tuple[float, float] | None = None
    ) -> None:
        self.shapes.append(Stroke(points=tuple(points), colour=colour, width=width, dash=dash, of=of))

    def _arrow(self, run: list[Point], part: float, of: str) -> None:
        (x, y), (dx, dy) = along(run, part), heading(run, part)
        tip, back = (x + 7.5 * dx, y + 7.5 * dy), (x - 4.5 * dx, y - 4.5 * dy)
        left = (back[0] - 6 * dy, back[1] + 6 * dx)
        right = (back[0] + 6 * dy, back[1] - 6 * dx)
        self.over.append(Stroke(points=(tip, left, right), closed=True, fill=INK, colour="#ffffff", width=1.2, of=of))

    # --- What lies on it ---

    def _marks(self, view: AccessView, side: Side, route: _Route, run: list[Point]) -> None:
        of = view.access
        for words, place, about in _closed_places(view):
            spot = None if place is None else _spot_of(place, side, about, route, run)
            number = self.item(f"Not here: {words}", "not here", of, drawn=spot is not None)
            if spot is not None:
                line, part = spot
                self._hatched(line, part, of)
                self.label(along(line, part), number, of, "not here")
        said_of_skin: set[str] = set()
        for found in view.findings:
            if found.key.startswith(_SKIN) and found.words not in said_of_skin:
                said_of_skin.add(found.words)
                words = f"Not here: {found.words} since {_day(found.since)}, where on it is not recorded"
                self.item(words, "not here", of, drawn=False)
        stented: set[LesionPlace] = set()
        for treated in view.folded.stents:
            stent = treated.stent
            if stent is None:
                continue
            kind = {True: "covered stent", False: "bare stent", None: "stent"}[stent.covered]
            where = place_words(stent.place) or "place not recorded"
            spot = None if stent.place is None else _spot_of(stent.place, side, stent.side, route, run)
            words = f"{kind} {_sided(stent.side, side, stent.place)}{where}{_on(treated.one.happened)}"
            number = self.item(words, "stent", of, drawn=spot is not None)
            if spot is not None:
                self._stent(*spot, covered=stent.covered is True, of=of)
                if stent.place is not None:
                    stented.add(stent.place)
                self.label(along(*spot), number, of)
        for lesion in view.lesions:
            place, told = _place_of(view, lesion.lesion)
            spot = None if place is None else _spot_of(place, side, told, route, run)
            if lesion.times:
                times = "once" if lesion.times == 1 else f"{lesion.times} times"
                words = (
                    f"{_sided(told, side, place)}{lesion.place}: treated {times}, last{_on(lesion.treatments[-1].day)}"
                )
            else:
                words = f"{_sided(told, side, place)}{lesion.place}: seen, not treated as far as recorded"
            number = self.item(words, "treated" if lesion.times else "seen", of, drawn=spot is not None)
            if spot is not None and place in stented:
                # Beside the stent that lies in it, so that both are seen.
                line, part = spot
                shift = 15 / max(length(line), 1)
                spot = line, part - shift if part > shift else part + shift
            if spot is not None:
                self._lesion(along(*spot), bool(lesion.times), of)
                self.label(along(*spot), number, of)
        self._needles(view, route, run)

    def _say_not_drawn(self, view: AccessView, number: int) -> None:
        """In the picture itself, on neither side: nobody is to take an empty figure for nothing there."""
        why = (
            "SIDE UNSETTLED"
            if view.other_side is not None
            else "side not recorded"
            if view.side is None
            else "place not recorded"
        )
        down = 232.0 + 34 * self.beside
        self.beside += 1
        self.over.append(Lettering(at=(MIDLINE, down), words=f"{number} is not drawn:", size=11, of=view.access))
        self.over.append(Lettering(at=(MIDLINE, down + 14), words=why, size=11, bold=True, of=view.access))

    def _marks_in_words(self, view: AccessView) -> None:
        for words, _, _ in _closed_places(view):
            self.item(f"Not here: {words}", "not here", view.access, drawn=False)
        for stent in view.stents:
            self.item(stent.words, "stent", view.access, drawn=False)
        for lesion in view.lesions:
            _, told = _place_of(view, lesion.lesion)
            words = f"{told.value.upper() if told is not None else 'side not recorded'}, {lesion.words}"
            self.item(words, "treated" if lesion.times else "seen", view.access, drawn=False)

    def _needles(self, view: AccessView, route: _Route, run: list[Point]) -> None:
        """The last needle sites, where they were told as distances and the end that they are counted from is known."""
        if not view.folded.sessions:
            return
        last = view.folded.sessions[-1]
        sites = [
            (which, site)
            for which in ("arterial", "venous")
            if (site := getattr(last.fact, f"{which}_site_cm", None)) is not None and site.value is not None
        ]
        # A graft has two anastomoses, and from which of them the distance was taken is not recorded.
        counted_from = view.access_kind is AccessKind.FISTULA and route.certain and route.joined
        if sites and not counted_from:
            where = ", ".join(f"{which} {site} cm" for which, site in sites)
            words = f"Last needles{_on(last.happened)}: {where}, from which anastomosis is not recorded"
            self.item(words, "needle", view.access, drawn=False)
            return
        for which, site in sites:
            words = f"Last {which} needle{_on(last.happened)}: {site} cm from the anastomosis"
            part = float(site.value) * _UNITS_A_CM / max(length(run), 1)
            number = self.item(words, "needle", view.access, drawn=part <= 1)
            if part > 1:
                continue
            (x, y), (dx, dy) = along(run, part), heading(run, part)
            out = _sign(view.side) if view.side is not None else 1.0
            # A needle comes from beside the vessel: a short tick across it with its letter at the outer end.
            nx, ny = (-dy, dx) if (-dy) * out > 0 else (dy, -dx)
            start, end = (x + 13 * nx, y + 13 * ny), (x - 1 * nx, y - 1 * ny)
            self.over.append(Stroke(points=(start, end), colour="#ffffff", width=4.2, of=view.access))
            self.over.append(Stroke(points=(start, end), colour=INK, width=2, of=view.access))
            self.label((x + 13 * nx, y + 13 * ny), number, view.access, which[0].upper())

    def _hatched(self, line: list[Point], part: float, of: str) -> None:
        """A hatched band across the vessel: closed to needles without the access centre's word."""
        total = length(line)
        reach = min(17.0, total / 2)
        steps = 9
        edge: tuple[list[Point], list[Point]] = ([], [])
        for step in range(steps + 1):
            where = min(max(part + (step / steps * 2 - 1) * reach / total, 0), 1)
            (x, y), (dx, dy) = along(line, where), heading(line, where)
            edge[0].append((x - 9.5 * dy, y + 9.5 * dx))
            edge[1].append((x + 9.5 * dy, y - 9.5 * dx))
        self.taken += [*edge[0], *edge[1]]
        band = (*edge[0], *reversed(edge[1]))
        self.shapes.append(Stroke(points=band, closed=True, colour=INK, width=1, of=of))
        for step in range(steps):
            self.shapes.append(Stroke(points=(edge[0][step], edge[1][step + 1]), colour=INK, width=0.9, of=of))

    def _stent(self, line: list[Point], part: float, *, covered: bool, of: str) -> None:
        total = max(length(line), 1)
        reach = min(11.0, total / 2) / total
        rows: tuple[list[Point], list[Point]] = ([], [])
        for step in range(7):
            where = min(max(part + (step / 3 - 1) * reach, 0), 1)
            (x, y), (dx, dy) = along(line, where), heading(line, where)
            rows[0].append((x - 4.6 * dy, y + 4.6 * dx))
            rows[1].append((x + 4.6 * dy, y - 4.6 * dx))
        self.taken += [*rows[0], *rows[1]]
        fill = "#cfd4d8" if covered else "#ffffff"
        band = (*rows[0], *reversed(rows[1]))
        self.over.append(Stroke(points=band, closed=True, fill=fill, colour=INK, width=1.5, of=of))
        for step in range(6):
            self.over.append(Stroke(points=(rows[0][step], rows[1][step + 1]), colour=INK, width=0.7, of=of))
            self.over.append(Stroke(points=(rows[1][step], rows[0][step + 1]), colour=INK, width=0.7, of=of))

    def _lesion(self, at: Point, treated: bool, of: str) -> None:
        x, y = at
        if treated:
            points = ((x, y - 6.5), (x + 6.5, y), (x, y + 6.5), (x - 6.5, y))
            self.over.append(Stroke(points=points, closed=True, fill="#ffffff", colour=INK, width=1.8, of=of))
        else:
            self.over.append(Disc(at=at, radius=5.5, fill="#ffffff", colour=INK, width=1, of=of))

    # --- Catheters ---

    def _catheter(self, view: AccessView, is_main: bool) -> None:
        folded = view.folded
        of = view.access
        peritoneal = view.access_kind is AccessKind.PERITONEAL
        exit_side = folded.exit_side or (folded.side if peritoneal else None)
        exit_site = folded.exit_site or folded.site
        side = view.side if view.other_side is None else None
        told = [view.name]
        if not peritoneal:
            told.append(
                f"exit {exit_side.value.upper()} {words_of(exit_site, '')}".rstrip()
                if exit_side is not None
                else "exit side not recorded"
            )
        told.append(f"tip {words_of(folded.tip)}" if folded.tip is not None else "tip not recorded")
        words = "; ".join(told)
        path = _peritoneal(exit_side) if peritoneal else _line_in(folded.vein, side, folded.tip)
        if path is None:
            number = self.item(f"{words}: where it runs is not recorded, not drawn", "catheter", of, drawn=False)
            self._say_not_drawn(view, number)
            return
        number = self.item(words, "catheter", of)
        if folded.vein in (Vein.FEMORAL, Vein.SAPHENOUS, Vein.ILIAC):
            self.lower = True
        wide = 3.4 if is_main else 2.6
        if not peritoneal:
            tunnel = _tunnel(exit_side, exit_site, path[0], view.access_kind is AccessKind.TUNNELLED)
            if tunnel:
                way = smooth(tunnel)
                self._line(way, INK, wide, of)
                self._line(way, "#ffffff", wide - 1.8, of)
                self._exit(tunnel[0], of)
                self.label(tunnel[0], number, of)
            else:
                x, y = path[0]
                self.over.append(Lettering(at=(x + 8, y - 2), words="?", size=12, bold=True, of=of))
                self.label(path[0], number, of)
        else:
            self._exit(path[0], of)
            self.label(path[0], number, of)
        inside = smooth(path)
        self._line(inside, INK, wide, of, dash=(5, 2))
        x, y = inside[-1]
        if folded.tip is not None:
            self.over.append(Disc(at=(x, y), radius=3.4, fill=INK, colour="#ffffff", width=1, of=of))
        else:
            self.over.append(Lettering(at=(x, y + 13), words="?", size=12, bold=True, of=of))

    def _exit(self, at: Point, of: str) -> None:
        x, y = at
        box = ((x - 4.5, y - 4.5), (x + 4.5, y - 4.5), (x + 4.5, y + 4.5), (x - 4.5, y + 4.5))
        self.over.append(Stroke(points=box, closed=True, fill="#ffffff", colour=INK, width=1.8, of=of))

    # --- Numbers ---

    def _numbers(self, bottom: float) -> Iterable[Shape]:
        """A number beside each thing drawn, on a leader, clear of the others."""
        placed: list[tuple[Point, float]] = [((MIDLINE + sign * 152, 100), 36.0) for sign in (1, -1)]
        placed += [(at, 6.0) for at in self.letters]
        marks = [at for at, *_ in self.labels] + self.taken
        for at, number, of, words in self.labels:
            wide = 10 + 3.4 * len(words)
            spot = _free_spot(at, wide, placed, marks, bottom)
            placed.append((spot, wide))
            (x, y), (ax, ay) = spot, at
            far = hypot(x - ax, y - ay)
            start = (ax + (x - ax) / far * 5, ay + (y - ay) / far * 5)
            yield Stroke(points=(start, (x, y)), colour=INK, width=0.8, of=of)
            if words:
                box = ((x - wide, y - 9), (x + wide, y - 9), (x + wide, y + 9), (x - wide, y + 9))
                yield Stroke(points=box, closed=True, fill="#ffffff", colour=INK, width=1, of=of)
                told = f"{number} {words}"
            else:
                yield Disc(at=(x, y), radius=9, fill="#ffffff", colour=INK, width=1, of=of)
                told = str(number)
            yield Lettering(at=(x, y + 4.2), words=told, size=12, bold=True, of=of)


def _free_spot(
    at: Point, wide: float, placed: Sequence[tuple[Point, float]], marks: Sequence[Point], bottom: float
) -> Point:
    """The nearest place around a point where a number covers no other number and, if it can be, no mark."""
    outwards = 0.0 if at[0] >= MIDLINE else pi
    best: tuple[float, Point] | None = None
    for radius in (20, 27, 36, 46, 58, 72):
        if best is not None and best[0] < radius:
            break  # Farther out nothing can be better.
        for turn in range(12):
            step = (turn + 1) // 2 * (1 if turn % 2 else -1)
            angle = outwards + step * pi / 6
            spot = (at[0] + (radius + wide - 10) * cos(angle), at[1] + radius * sin(angle))
            if not (wide + 2 <= spot[0] <= WIDTH - wide - 2 and 14 <= spot[1] <= bottom - 12):
                continue
            clash = sum(1 for (x, y), other in placed if abs(x - spot[0]) < wide + other + 2 and abs(y - spot[1]) < 20)
            covers = sum(1 for x, y in marks if abs(x - spot[0]) < wide + 4 and abs(y - spot[1]) < 13)
            cost = clash * 1000 + covers * 40 + radius + abs(step) * 2.0
            if best is None or cost < best[0]:
                best = (cost, spot)
    return best[1] if best is not None else at


# --- Places -------------------------------------------------------------------------------------------------------


def _spot_of(
    place: LesionPlace, side: Side, told: Side | None, route: _Route, run: list[Point]
) -> tuple[list[Point], float] | None:
    """A line and how far along it a place lies. None for a place that is not on the figure, or told on another side."""
    central = _central_spot(place, told or side)
    if central is not None:
        return central
    if told is not None and told is not side:
        return None
    half = _Half(side)
    parts = {
        LesionPlace.ARTERIAL_ANASTOMOSIS: 0.0,
        LesionPlace.GRAFT_ARTERY_ANASTOMOSIS: 0.0,
        LesionPlace.JUXTA_ANASTOMOTIC: 0.1,
        LesionPlace.CANNULATION_ZONE: 0.55,
        LesionPlace.INTRAGRAFT: 0.6,
        LesionPlace.OUTFLOW_VEIN: 0.78,
        LesionPlace.SWING_POINT: 0.9,
        LesionPlace.GRAFT_VEIN_ANASTOMOSIS: 1.0,
    }
    if place in parts:
        unknown_ends = route.loop is True and not route.joined
        return None if unknown_ends or not route.certain else (run, parts[place])
    match place:
        case LesionPlace.FEEDING_ARTERY if len(route.feed) > 1:
            return smooth(route.feed), 0.5
        case LesionPlace.CEPHALIC_ARCH:
            return smooth(half.all(_ARCH)), 0.45
        case LesionPlace.AXILLARY_VEIN:
            return smooth(half.all(_AXILLARY)), 0.5
        case LesionPlace.CEPHALIC_VEIN:
            return smooth(half.along([one for one in _CEPHALIC if one[0] < 240])), 0.4
        case LesionPlace.BASILIC_VEIN:
            return smooth(half.along([one for one in _BASILIC if one[0] < 240])), 0.5
        case LesionPlace.BRACHIAL_VEIN:
            return smooth(half.along(_BRACHIAL_VEIN)), 0.5
        case LesionPlace.MEDIAN_CUBITAL_VEIN:
            return [half.arm(252, 0.4), half.arm(240, -0.3)], 0.5
        case _:
            return None


def _central_spot(place: LesionPlace, side: Side) -> tuple[list[Point], float] | None:
    half = _Half(side)
    match place:
        case LesionPlace.SUBCLAVIAN_VEIN:
            return smooth(half.all(_SUBCLAVIAN)), 0.5
        case LesionPlace.BRACHIOCEPHALIC_VEIN:
            return smooth(half.all(_INNOMINATE[side])), 0.5
        case LesionPlace.INTERNAL_JUGULAR_VEIN:
            return smooth(half.all(_JUGULAR)), 0.4
        case LesionPlace.SUPERIOR_CAVA:
            return smooth(cava(_CAVA)), 0.4
        case LesionPlace.INFERIOR_CAVA:
            return smooth(cava(_LOWER_CAVA)), 0.5
        case LesionPlace.ILIAC_VEIN:
            return smooth(half.all(_ILIAC)), 0.5
        case LesionPlace.FEMORAL_VEIN:
            return smooth(half.all(_ILIAC)), 0.95
        case _:
            return None


def _line_in(vein: Vein | None, side: Side | None, tip: TipPlace | None) -> list[Point] | None:
    """The way of a central line from where it enters its vein to its tip."""
    if side is None:
        return None
    half = _Half(side)
    down = _INNOMINATE[side]
    match vein:
        case Vein.INTERNAL_JUGULAR:
            start = half.all(_JUGULAR[1:])
        case Vein.EXTERNAL_JUGULAR:
            start = [half.at(27, 88), half.at(26, 110)]
        case Vein.SUBCLAVIAN:
            start = half.all(_SUBCLAVIAN)
        case Vein.BRACHIOCEPHALIC:
            start = [half.at(26, 108)]
        case Vein.FEMORAL | Vein.SAPHENOUS | Vein.ILIAC:
            up = half.all(reversed(_ILIAC))
            if tip is None:
                return up[:3]
            return (
                [*up, *cava(((-7, 280), (-7, 250)))]
                if tip is TipPlace.INFERIOR_CAVA
                else [
                    *up,
                    *cava(((-7, 260), (-7, 205), (-8, 190))),
                ]
            )
        case _:
            return None
    if tip is TipPlace.BRACHIOCEPHALIC or tip is None:
        return [*start, *half.all(down[1:2])]
    ends = {TipPlace.SUPERIOR_CAVA: 2, TipPlace.CAVOATRIAL: 3, TipPlace.RIGHT_ATRIUM: 4}
    if tip not in ends:
        return [*start, *half.all(down[1:2])]
    return [*start, *half.all(down[1:2]), *cava(_CAVA[: ends[tip]])]


def _tunnel(exit_side: Side | None, site: Site | None, entry: Point, tunnelled: bool) -> list[Point]:
    """From the exit through the skin to the vein; empty where the side of the exit is not recorded."""
    if exit_side is None:
        return []
    half = _Half(exit_side)
    match site:
        case Site.CHEST:
            return [half.at(54, 192), half.at(58, 150), half.at(40, 104), entry]
        case Site.NECK:
            return [half.at(38, 86), entry]
        case Site.GROIN:
            return [half.leg(382, 0.2), entry] if not tunnelled else [half.leg(400, 0.5), half.leg(380, 0.3), entry]
        case Site.THIGH:
            return [half.leg(424, 0.45), half.leg(390, 0.5), entry]
        case Site.ABDOMEN:
            return [half.at(48, 282), half.at(54, 320), entry]
        case Site.FLANK:
            return [half.at(60, 262), entry]
        case _:
            return []


def _peritoneal(exit_side: Side | None) -> list[Point] | None:
    if exit_side is None:
        return None
    half = _Half(exit_side)
    return [half.at(40, 282), half.at(30, 262), half.at(12, 258), half.at(5, 276), half.at(4, 318), half.at(8, 342)]


def _closed_places(view: AccessView) -> Iterable[tuple[str, LesionPlace | None, Side | None]]:
    """What is not to be needled without the access centre's word: instructions in force, and stents across a zone."""
    from ledger.events import Instruction

    held = {one.root: one.fact for one in view.folded.instructions}
    for one in view.instructions:
        if one.what is InstructionWhat.NOT_TO_NEEDLE and one.holds and one.state != "waits":
            fact = held.get(one.root)
            place = fact.place if isinstance(fact, Instruction) else None
            yield f"{place_words(place) or 'the whole access'}, report of {_day(one.given)}", place, None
    for treated in view.folded.stents:
        stent = treated.stent
        if stent is not None and (stent.across_needle_zone or may_be_needled(stent.place)):
            across = " across a needle zone" if stent.across_needle_zone else ""
            yield (
                f"stent{across}, {place_words(stent.place) or 'place not recorded'}",
                stent.place,
                stent.side,
            )


_SKIN = (
    "skin-thin",
    "skin-ulcer",
    "skin-pus",
    "skin-red",
    "skin-bruised",
    "complication-aneurysm",
    "complication-pseudoaneurysm",
    "complication-infiltration",
    "needle-infiltration",
    "aneurysm",
)
"""Keys of open findings of skin or wall that a needle keeps away from."""


def _place_of(view: AccessView, lesion: str) -> tuple[LesionPlace | None, Side | None]:
    found, treated = view.folded.lesions.get(lesion, ([], []))
    place: LesionPlace | None = None
    side: Side | None = None
    for look in found:
        place, side = look.lesion.place or place, look.lesion.side or side
    for one in treated:
        for held in (one.lesion, one.stent):
            if held is not None:
                place, side = held.place or place, held.side or side
    return place, side


def _sided(told: Side | None, side: Side, place: LesionPlace | None) -> str:
    """The side in front of a place; a caval vein is on none unless somebody said so."""
    if told is None and place in (LesionPlace.SUPERIOR_CAVA, LesionPlace.INFERIOR_CAVA):
        return ""
    return f"{(told or side).value.upper()} "


def _on(when: str) -> str:
    from ledger.projections.wording import on_day

    return f" {on_day(when[:10])}"


def _day(when: str) -> str:
    from ledger.projections.wording import day_words

    return day_words(when[:10])


# --- The figure ---------------------------------------------------------------------------------------------------


@lru_cache(maxsize=2)
def _figure(lower: bool) -> tuple[Shape, ...]:
    """The body from the front, palms forward, and its central veins, in quiet lines; the same for everybody."""
    return tuple(_body(lower))


def _body(lower: bool) -> Iterable[Shape]:
    head = [(MIDLINE + 25 * cos(turn / 16 * pi), 42 + 31 * sin(turn / 16 * pi)) for turn in range(32)]
    yield Stroke(points=tuple(head), closed=True, colour=QUIET, width=1.2, fill=SKIN)
    bottom = LOWER_BOTTOM if lower else UPPER_BOTTOM - 70
    right, left = _Half(Side.RIGHT), _Half(Side.LEFT)
    flank: list[Point] = [(11, 68), (12, 86), (32, 98), (74, 106), (84, 112)]
    flank += [(72, 150), (66, 190), (62, 236), (70, 292), (76, 330)]
    if lower:
        flank += [(77, 352), (72, 440), (61, 520), (55, bottom)]
        inner: list[Point] = [(15, bottom), (13, 520), (9, 440), (4, 386), (0, 376)]
        trunk = [*smooth(left.all(flank)), *smooth(left.all(inner)), *smooth(right.all(reversed(inner)))[1:]]
        trunk += smooth(right.all(reversed(flank)))
    else:
        trunk = [*smooth(left.all([*flank, (77, bottom)])), *smooth(right.all([(77, bottom), *reversed(flank)]))]
    yield Stroke(points=tuple(trunk), closed=True, colour=SKIN, width=0.5, fill=SKIN)
    for half in (left, right):
        yield Stroke(points=tuple(smooth(half.all(flank[:5]))), colour=QUIET)
        yield Stroke(points=tuple(smooth(half.all(flank[5:] + ([] if lower else [(77.0, bottom)])))), colour=QUIET)
        if lower:
            yield Stroke(points=tuple(smooth(half.all(inner))), colour=QUIET)
        depths = [one[1] for one in _ARM]
        outer = smooth([half.at(84, 104), *(half.arm(down, 1) for down in depths)])
        back = smooth([half.arm(down, -1) for down in reversed(depths[1:])] + [half.at(74, 148)])
        thumb = smooth(
            [half.arm(364, 0.95), half.at(180, 384), half.at(183, 396), half.at(177, 396), half.arm(388, 0.9)]
        )
        tips = smooth([half.arm(420, 1), half.at(169, 428), half.arm(420, -1)])
        yield Stroke(points=(*outer, *tips, *back), closed=True, colour=SKIN, width=0.5, fill=SKIN)
        yield Stroke(points=tuple(thumb), closed=True, colour=SKIN, width=0.5, fill=SKIN)
        yield Stroke(points=(*outer, *tips, *back), colour=QUIET, width=1.2)
        yield Stroke(points=tuple(thumb), colour=QUIET, width=1.2)
        yield Stroke(points=(half.arm(246, 0.55), half.arm(248, 0), half.arm(246, -0.55)), colour="#d8d4cd", width=1)
    vein = "#c3c9d6"
    for half in (left, right):
        for part in (_JUGULAR, (*_AXILLARY, *_SUBCLAVIAN[1:]), _INNOMINATE[half.side]):
            yield Stroke(points=tuple(smooth(half.all(part))), colour=vein, width=2)
        if lower:
            yield Stroke(points=tuple(smooth(half.all(_ILIAC))), colour=vein, width=2)
    yield Stroke(points=tuple(smooth(cava(_CAVA))), colour=vein, width=3)
    if lower:
        yield Stroke(points=tuple(smooth(cava(_LOWER_CAVA))), colour=vein, width=3)
    for half in (left, right):
        x = half.at(152, 0)[0]
        yield Lettering(at=(x, 92), words="patient's", size=12)
        yield Lettering(at=(x, 110), words=half.side.value.upper(), size=17, bold=True)
    yield Lettering(
        at=(MIDLINE, (LOWER_BOTTOM if lower else UPPER_BOTTOM) + 14),
        words="seen from the front, palms forward; a map, not to scale",
        size=10.5,
        colour="#545d66",
    )


# --- Lines --------------------------------------------------------------------------------------------------------


def smooth(points: Sequence[Point], steps: int = 5) -> list[Point]:
    """A curve through points (Catmull-Rom), as a line of many short pieces."""
    if len(points) < 3:
        return list(points)
    held = [points[0], *points, points[-1]]
    made = [points[0]]
    for (ax, ay), (bx, by), (cx, cy), (dx, dy) in zip(held, held[1:], held[2:], held[3:], strict=False):
        for step in range(1, steps + 1):
            t = step / steps
            made.append((_catmull(ax, bx, cx, dx, t), _catmull(ay, by, cy, dy, t)))
    return made


def _catmull(a: float, b: float, c: float, d: float, t: float) -> float:
    return 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)


def length(line: Sequence[Point]) -> float:
    """How long a line is."""
    return sum(hypot(x1 - x0, y1 - y0) for (x0, y0), (x1, y1) in pairwise(line))


def along(line: Sequence[Point], part: float) -> Point:
    """The point at a part of a line's length, 0 to 1."""
    left = length(line) * part
    for (x0, y0), (x1, y1) in pairwise(line):
        piece = hypot(x1 - x0, y1 - y0)
        if piece >= left and piece > 0:
            return x0 + (x1 - x0) * left / piece, y0 + (y1 - y0) * left / piece
        left -= piece
    return line[-1]


def heading(line: Sequence[Point], part: float) -> Point:
    """The direction of a line at a part of its length, as a vector of length one."""
    (x0, y0), (x1, y1) = along(line, max(part - 0.03, 0)), along(line, min(part + 0.03, 1))
    far = hypot(x1 - x0, y1 - y0) or 1.0
    return (x1 - x0) / far, (y1 - y0) / far
