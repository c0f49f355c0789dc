"""The vein book: every line, port, lead and catheter that a central vein has ever held, and what it left behind.

Beside each vein stand the signs that it suffered: narrowings seen in it, stents placed
in it, swelling and collateral veins on its side. Who plans the next access reads this
before anything else. A vein that is not in the book was not recorded; that is not the
same as never used.

To add something that lies in a vein, give it a line in `vein_book_of`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import (
    AccessKnown,
    Angiogram,
    Angioplasty,
    BackgroundItem,
    CatheterExchanged,
    CatheterPlaced,
    Imaging,
    Stent,
)
from ledger.projections.folding import Body, Folded, Folds, fold_of
from ledger.projections.person import background_now
from ledger.projections.sentences import lesion_words, place_words, residual_words, stent_words
from ledger.projections.state import plain
from ledger.projections.wording import day_words, on_day, side_words
from ledger.vocabulary import AccessKind, BackgroundWhat, CentralVeins, LesionPlace, Side, Vein, words_of


@dataclass(frozen=True, kw_only=True)
class Occupant:
    """Something that lay or lies in a vein. `still` is None where nobody said whether it is out."""

    side: Side | None
    vein: Vein | None
    what: str
    since: PartialDate | None
    until: PartialDate | None
    still: bool | None
    roots: tuple[str, ...]

    @property
    def words(self) -> str:
        """The line of the book."""
        vein = f"{words_of(self.vein)} vein" if self.vein else "vein not recorded"
        since = f"from {day_words(self.since)}" if self.since else "from when not recorded"
        if self.until is not None:
            end = f"to {day_words(self.until)}"
        elif self.still:
            end = "still in"
        else:
            end = "whether it is still in is not recorded"
        return f"{side_words(self.side)} {vein}: {self.what}, {since}, {end}"


@dataclass(frozen=True, kw_only=True)
class Sign:
    """A sign that a central vein suffered, or that it was looked at."""

    side: Side | None
    day: PartialDate
    words: str
    root: str


@dataclass(frozen=True, kw_only=True)
class VeinBook:
    """What lay in the central veins, oldest first, and the signs beside it."""

    occupants: tuple[Occupant, ...]
    signs: tuple[Sign, ...]

    def lines(self) -> list[str]:
        """The book as lines of text; says so where nothing was recorded."""
        if not self.occupants and not self.signs:
            return ["No line, port or lead recorded; not recorded is not the same as not present."]
        return [
            *(occupant.words for occupant in self.occupants),
            *(f"{day_words(sign.day)}: {sign.words}" for sign in self.signs),
        ]

    def to_json(self) -> dict[str, Any]:
        """The book as plain JSON values."""
        return {
            "occupants": [plain(one) | {"words": one.words} for one in self.occupants],
            "signs": plain(self.signs),
        }


def vein_book_of(history: History, folds: Folds | None = None) -> VeinBook:
    """The vein book of a patient."""
    folds = folds or fold_of(history)
    occupants = [line for folded in folds.accesses.values() for line in _lines_of(folded)]
    for item, one in background_now(folds.person.of("background")):
        if item.what in _DEVICES:
            occupants.append(_from_background(item, one))
    occupants.sort(key=lambda line: (line.since or "9999", side_words(line.side), line.what, line.roots))
    signs = sorted(_signs(folds, history), key=lambda sign: (sign.day, sign.words, sign.root))
    return VeinBook(occupants=tuple(occupants), signs=tuple(signs))


_DEVICES = frozenset({BackgroundWhat.CARDIAC_LEAD, BackgroundWhat.PORT, BackgroundWhat.LINE})


def _lines_of(a: Folded) -> list[Occupant]:
    """The stays of one dialysis catheter, or of the outflow of a hybrid, vein by vein."""
    if a.access_kind is AccessKind.PERITONEAL or (not a.is_catheter and a.access_kind is not AccessKind.HYBRID):
        return []
    what = words_of(a.access_kind)
    # The outflow of a hybrid is its catheter, so its outflow vein is the one that it lies in.
    side, vein, since, roots = a.side, a.vein or a.outflow, a.opened, []
    if a.made is not None:
        roots.append(a.made.root)
        if isinstance(a.made.fact, CatheterPlaced):
            side, vein = a.made.fact.side or side, a.made.fact.vein or vein
            what = words_of(a.made.fact.access_kind)
    elif a.met is not None:
        roots.append(a.met.root)
        if isinstance(a.met.fact, AccessKnown):
            side, vein = a.met.fact.side or side, a.met.fact.catheter_vein or vein
    stays: list[Occupant] = []
    for one in a.exchanges:
        fact = one.fact
        if not isinstance(fact, CatheterExchanged):
            continue
        if (fact.vein is not None and fact.vein is not vein) or (fact.side is not None and fact.side is not side):
            if stays or a.made is not None or a.met is not None:
                stays.append(_stay(side, vein, what, since, fact.happened, False, roots))
            side, vein, since, roots = fact.side or side, fact.vein or vein, fact.happened, []
        what = words_of(fact.to_kind) if fact.to_kind else what
        roots.append(one.root)
    if roots:
        out = a.body.state.is_out
        ended = a.body.one
        until = ended.fact.happened if out and ended is not None else None
        if out and ended is not None:
            roots.append(ended.root)
        still = False if out else True if a.body.state in (Body.PLACED, Body.MET, Body.MADE) else None
        stays.append(_stay(side, vein, what, since, until, still, roots))
    return stays


def _stay(
    side: Side | None,
    vein: Vein | None,
    what: str,
    since: PartialDate | None,
    until: PartialDate | None,
    still: bool | None,
    roots: Iterable[str],
) -> Occupant:
    return Occupant(side=side, vein=vein, what=what, since=since, until=until, still=still, roots=tuple(roots))


def _from_background(item: BackgroundItem, one: InForce) -> Occupant:
    checked = f"as told {on_day(one.happened)}"
    return Occupant(
        side=item.side,
        vein=item.vein,
        what=f"{words_of(item.what)} ({checked})",
        since=item.since,
        until=item.until,
        still=None if item.until is None else False,
        roots=(one.root,),
    )


def _signs(folds: Folds, history: History) -> list[Sign]:
    signs: list[Sign] = []
    for one in history.facts:
        fact = one.fact
        if one.possibly or one.access is None:
            continue
        side = folds.accesses[one.access].side
        match fact:
            case Angiogram() | Imaging():
                for lesion in fact.lesions:
                    if lesion.place is not None and lesion.place.is_central:
                        signs.append(_sign(one, lesion.side, lesion_words(lesion)))
                if fact.central_veins is not None:
                    signs.append(_sign(one, side, _CENTRAL[fact.central_veins]))
            case Angioplasty():
                for treated in fact.lesions:
                    if treated.place is not None and treated.place.is_central:
                        left = residual_words(treated)
                        words = (
                            f"{_placed(treated.place, treated.side)} treated by balloon{', ' + left if left else ''}"
                        )
                        signs.append(_sign(one, treated.side, words))
            case Stent():
                for stent in fact.stents:
                    if stent.place is not None and stent.place.is_central:
                        signs.append(_sign(one, stent.side, stent_words(stent)))
            case _:
                pass
    for folded in folds.accesses.values():
        for key in ("swelling", "collaterals", "complication-oedema"):
            if key in folded.findings:
                found = folded.findings[key]
                where = "side unsettled" if folded.other_side is not None else side_words(folded.side)
                signs.append(_sign(found.one, folded.side, f"{where}: {found.words}, still open"))
    return signs


_CENTRAL = {
    CentralVeins.PATENT: "central veins seen and patent",
    CentralVeins.STENOSED: "central veins stenosed",
    CentralVeins.OCCLUDED: "central veins occluded",
    CentralVeins.NOT_SEEN: "central veins not seen",
}


def _placed(place: LesionPlace, side: Side | None) -> str:
    return f"{side_words(side)} {place_words(place)}" if side else place_words(place)


def _sign(one: InForce, side: Side | None, words: str) -> Sign:
    return Sign(side=side, day=one.happened, words=words, root=one.root)
