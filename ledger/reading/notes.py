"""What a note, a letter or a sheet tells of an access without an operation on it.

What was seen, heard and measured; how the catheter ran; what went wrong; cultures and
courses; what changes a needle; what was decided, planned and booked; which access was
used, and a stay in hospital. The phrases are rows of `tables/notes.tsv`; here it is
weighed whether they speak of today, of this patient and of this access, and the numbers
and days beside them are taken.

Precision comes first: what is told as history, as a plan, of somebody else or of another
part of the body becomes nothing. In the report of an operation most of this is the reason
for the operation or part of it, so there only what a nurse needs besides is proposed.
Nothing from here is ever marked plain.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.reading.accesses import Meant
from ledger.reading.acts import Deed, title_is_elsewhere
from ledger.reading.around import Beside, day_after
from ledger.reading.details import angiogram_details, tip_of
from ledger.reading.lesions import lesions_of
from ledger.reading.page import Page, Scope
from ledger.reading.proposals import Cite
from ledger.reading.tables import Found, phrases_of
from ledger.vocabulary import (
    AccessKind,
    Allergen,
    AppointmentState,
    Artery,
    BackgroundWhat,
    Bruit,
    CatheterTroubleKind,
    ComplicationKind,
    CourseReason,
    DecisionWhat,
    HandState,
    ImagingModality,
    MeasurementMethod,
    Organism,
    Pulse,
    Scale,
    Side,
    Site,
    SkinState,
    Specimen,
    Thrill,
    Use,
    Vein,
)


@dataclass(frozen=True)
class _Hit:
    """A phrase of the table, in its sentence."""

    words: str
    found: Found
    index: int
    scope: Scope
    role: str

    @property
    def start(self) -> int:
        return self.found.start

    @property
    def end(self) -> int:
        return self.found.end

    @property
    def cite(self) -> Cite:
        return Cite(start=self.start, end=self.end)

    def get(self, name: str) -> str | None:
        return self.found.get(name)


_ELSEWHERE = re.compile(
    r"\b(?:leg ulcer|leg|foot|toe|hip|knee|ankle|urine|urinary|sputum|stool|faec\w+|csf|subdural|retroperitoneal|scalp"
    r"|pneumonia|chest infection|chest sepsis|uti|cellulitis of the (?:leg|foot)|murmur|heave|echocardiogram|carotid"
    r"|tooth|dental|abdominal wall|rectus|thigh haematoma|ureteric|prostate|bowel|biliary|gall\w+)\b"
)
"""Other parts of the body, in the words in which letters speak of them."""

_TAUGHT = re.compile(r"\b(?:your (?:fistula|graft|catheter|access|arm|line)|how to look after)\b")
_NOT_TAKEN = re.compile(
    r"\b(?:stopped|discontinued|came off|off|allerg\w+|start|restart|started on|to start|commence|load(?:ed|ing)?"
    r"|for \w+ (?:days|weeks|months))\b"
)
_NEVER = frozenset({"consent", "people", "header", "unticked", "date"})
_TOLD = frozenset(
    {"opening", "narrative", "findings", "technique", "impression", "exam", "title", "access", "complications"}
)


def notes_of(
    page: Page,
    deeds: list[Deed],
    accesses: list[Meant],
    main: Meant | None,
    day: PartialDate | None,
    beside: list[Beside],
) -> list[Beside]:
    """What is told without an operation, in a fixed order of kinds. `beside` is what was found of other kinds."""
    if main is None or not _is_ours(page, deeds, main):
        return []
    note = _Note(page, accesses, main, day, with_deeds=bool(deeds), beside=beside)
    found: list[Beside] = []
    if not deeds:
        found += [
            *note.stays(),
            *note.uses(),
            *note.examinations(),
            *note.films(),
            *note.measurements(),
            *note.troubles(),
            *note.complications(),
            *note.planned(),
            *note.appointments(),
        ]
    found += [*note.cultures(), *note.courses(), *note.backgrounds(), *note.decisions()]
    return found


def _is_ours(page: Page, deeds: list[Deed], main: Meant) -> bool:
    """Whether the text is about dialysis and its access, and not a letter of another trade that mentions one."""
    if deeds:
        return True
    if page.spoken("otheruse") and not page.spoken("dialysis"):
        return False
    if not any(name.is_certain or name.strength != "weak" for name in main.named):
        return False
    if any(one.role == "title" for one in page.parts.sentences) and not page.is_clinic and title_is_elsewhere(page):
        return _title_is_a_look(page)
    if _TAUGHT.search(page.low):
        return False
    heads = {name.thing.sentence for name in main.named}
    if page.parts.sentences:
        sentence = page.sentence(0)
        if _ELSEWHERE.search(page.low, sentence.start, sentence.end) and 0 not in heads:
            return False
    first = page.within(0)
    return not (any(one.cls == "other" for one in first) and 0 not in heads)


def _title_is_a_look(page: Page) -> bool:
    """The title names a duplex, a film or the like."""
    titles = [one for one in page.parts.sentences if one.role == "title"]
    return any(hit.row.cls == "film" and any(one.start <= hit.start < one.end for one in titles) for hit in page.noted)


class _Note:
    """One text, with what the table of notes finds in it."""

    def __init__(
        self,
        page: Page,
        accesses: list[Meant],
        main: Meant,
        day: PartialDate | None,
        *,
        with_deeds: bool,
        beside: list[Beside],
    ) -> None:
        self.page = page
        self.accesses = accesses
        self.main = main
        self.day = day
        self.with_deeds = with_deeds
        self.kinds_beside = {one.kind for one in beside}
        self.hits: dict[str, list[_Hit]] = {}
        for found in page.noted:
            index = page.parts.index_at(found.start)
            if index is None:
                continue
            role = page.sentence(index).role
            if role in _NEVER:
                continue
            scope = page.said(found.start, found.end, index)
            if found.start and page.low[found.start - 1] == "?":
                scope = Scope("planned")
            if ".." in found.row.phrase and _DENIED_WITHIN.search(page.low[found.start : found.end]):
                scope = Scope("denied")
            self.hits.setdefault(found.cls, []).append(
                _Hit(page.low[found.start : found.end], found, index, scope, role)
            )
        self.of_kin = {one.index for one in self.hits.get("kin", ())}

    # --- What the words speak of

    def told(self, cls: str, roles: Iterable[str] = _TOLD) -> list[_Hit]:
        """The phrases of a class that speak of now, or deny it, under headings that tell."""
        allowed = frozenset(roles)
        return [
            one
            for one in self.hits.get(cls, ())
            if one.role in allowed
            and (one.scope.what in ("now", "denied") or self._is_now(one.scope, one.end))
            and one.index not in self.of_kin
        ]

    def _is_now(self, scope: Scope, end: int) -> bool:
        """Now, or history only of what stands in a bracket behind: "480 mL/min (last month 720)"."""
        if scope.what == "past" and scope.cue is not None and scope.cue[0] >= end:
            between = self.page.low[end : scope.cue[0]]
            return between.count("(") > between.count(")")
        return scope.is_now

    def is_elsewhere(self, hit: _Hit) -> bool:
        sentence = self.page.sentence(hit.index)
        if _ELSEWHERE.search(self.page.low, sentence.start, sentence.end):
            return True
        around = self.page.within(hit.index)
        return any(one.cls == "other" for one in around) and not any(one.cls == "head" for one in around)

    def in_sentence(self, cls: str, index: int) -> list[_Hit]:
        return [one for one in self.hits.get(cls, ()) if one.index == index]

    def words(self, index: int) -> str:
        sentence = self.page.sentence(index)
        return self.page.low[sentence.start : sentence.end]

    def access(self, hit: _Hit, family: str | None = None) -> Meant | None:
        """The access that a phrase is about: named in its sentence, else last named before it, else the main one."""
        fits = [one for one in self.accesses if family is None or one.family == family]
        here = [(one, name) for one in fits for name in one.named if name.thing.sentence == hit.index]
        if here:
            return min(here, key=lambda pair: max(pair[1].start - hit.end, hit.start - pair[1].end, 0))[0]
        # Words under a heading of history do not say which access is spoken of now.
        before = [
            (name.start, one)
            for one in fits
            for name in one.named
            if name.start <= hit.start and not name.is_of_old and name.scope not in ("planned", "denied", "risk")
        ]
        if before:
            return max(before, key=lambda pair: pair[0])[1]
        return self.main if family is None or self.main.family == family else (fits[0] if len(fits) == 1 else None)

    def is_habit_or_history(self, hit: _Hit) -> bool:
        """In a letter, a sentence in the past tense tells history."""
        return self.page.is_clinic and bool(
            re.search(r"\b(?:was|were|had|has had|used to|has been)\b", self.words(hit.index))
        )

    def day_beside(self, start: int, end: int, before: bool = False) -> tuple[PartialDate, Cite] | None:
        """The date that stands after some words, or before them, at most a few words away."""
        for one in self.page.days:
            if one.doubt is not None:
                continue
            left, right = (one.end, start) if before else (end, one.start)
            if (
                0 <= right - left <= 28
                and "\n\n" not in self.page.low[left:right]
                and ". " not in self.page.low[left:right]
            ):
                return one.date, Cite(start=one.start, end=one.end)
        return None

    # --- Look, listen, feel

    def examinations(self) -> list[Beside]:
        found: dict[int, Beside] = {}
        strong: set[int] = set()
        clash: set[tuple[int, str]] = set()
        for hit in self.told("examination"):
            if self.is_elsewhere(hit) or self.is_habit_or_history(hit):
                continue
            family = "catheter" if hit.get("exit_site_clean") else "needled"
            access = self.access(hit, family) or (self.main if hit.get("fever") else None)
            if access is None:
                continue
            one = found.setdefault(
                id(access),
                Beside("examination", access, [], {}, [], "the text tells what was seen and felt", of_visit=False),
            )
            for name, value in _finding(hit):
                if name in ("skin", "hand"):
                    if value not in one.detail.get(name, ()):
                        one.detail[name] = (*one.detail.get(name, ()), value)
                elif name in one.detail and one.detail[name] != value:
                    clash.add((id(access), name))
                else:
                    one.detail[name] = value
                one.cites.append(hit.cite)
                if hit.get("with") is None and hit.scope.what == "now":
                    strong.add(id(access))
        for key, name in clash:
            del found[key].detail[name]
            found[key].doubts.append(f"the text says two things of it: {name.replace('_', ' ')}")
        return [one for key, one in found.items() if key in strong and one.detail]

    # --- Numbers

    def measurements(self) -> list[Beside]:
        detail: dict[str, Any] = {}
        cites: list[Cite] = []
        access: Meant | None = None
        by_duplex = any(one.get("modality") == "duplex" for one in self.told("film")) and not self.hits.get("method")
        for hit in self.told("measurement"):
            name = hit.get("field") or ""
            if name in detail or not self._is_now(hit.scope, hit.end) or (name == "flow_ml_min" and by_duplex):
                continue
            number = self._number(hit)
            if number is None:
                continue
            mine = self.access(hit, None if name == "kt_v" else "needled")
            if mine is None:
                continue
            if hit.get("with") is None:
                access = access or mine
            detail[name] = number[0]
            cites.append(Cite(start=min(hit.start, number[1].start), end=max(hit.end, number[1].end)))
        if access is None or not set(detail) - {"blood_flow_ml_min"}:
            return []
        method = next((one.get("method") for one in self.hits.get("method", ())), None)
        if method and {"flow_ml_min", "recirculation_percent"} & set(detail):
            detail["method"] = MeasurementMethod(method)
        return [Beside("measurement", access, cites, detail, [], "the text gives the numbers", of_visit=False)]

    def _number(self, hit: _Hit) -> tuple[Measured, Cite] | None:
        sentence = self.page.sentence(hit.index)
        low, unit = self.page.low, hit.get("unit")
        if unit in ("ml_min", "percent"):
            for one in self.page.quantities_in(hit.end, min(sentence.end, hit.end + 60)):
                if one.unit != unit or re.search(r"\bfrom\s*$", low[max(0, one.start - 8) : one.start]):
                    continue
                if not self._is_now(self.page.said(one.start, one.end, hit.index), one.end):
                    continue
                return one.first, Cite(start=one.start, end=one.end)
            for one in reversed(self.page.quantities_in(sentence.start, hit.start)):
                if one.unit == unit and self.page.words_between(one.end, hit.start) <= 2:
                    return one.first, Cite(start=one.start, end=one.end)
            return None
        pattern = {
            "mmhg": r"[^\d\n.;]{0,18}?(-?\d{2,3})(?![\d%]|\s*(?:ml|mm\b(?!\s*hg)|cm))",
            "bare": r"[^\d\n.;]{0,14}?(\d{2,3})(?![\d%]|\s*(?:mm|cm|units))",
            "ratio": r"[^\d\n.;]{0,14}?(\d\.\d{1,2})(?!\d)",
        }[unit or "bare"]
        said = re.compile(pattern).match(low, hit.end, min(sentence.end, hit.end + 34))
        if said is None or said[1].startswith("-"):
            return None
        return Measured(value=said[1]), Cite(start=said.start(1), end=said.end(1))

    # --- Trouble

    def troubles(self) -> list[Beside]:
        found: dict[str, Beside] = {}
        for hit in self.told("trouble", [*_TOLD, "sedation"]):
            what = hit.get("what") or ""
            if hit.scope.what != "now" or what in found or self.is_habit_or_history(hit):
                continue
            access = self.access(hit, "catheter")
            if access is None or (what == "poor-drainage" and access.kind != "peritoneal-catheter"):
                continue
            one = Beside(
                "catheter-trouble",
                access,
                [hit.cite],
                {"what": CatheterTroubleKind(what)},
                [],
                "the text tells what was wrong with the catheter",
                of_visit=False,
            )
            if what in ("poor-flow", "lines-reversed"):
                self._flow_of_catheter(hit, one)
            found[what] = one
        return list(found.values())

    def _flow_of_catheter(self, hit: _Hit, one: Beside) -> None:
        sentence = self.page.sentence(hit.index)
        flow = re.compile(
            r"\b(?:qb|bfr|flow|flows|at)\s*(?:of|at|only|was|is|rate)?\s*(\d{2,3})\b(?!\s*(?:mm|%|cm))"
        ).search(self.page.low, sentence.start, sentence.end)
        if flow:
            one.detail["blood_flow_ml_min"] = Measured(value=flow[1])
            one.cites.append(Cite(start=flow.start(), end=flow.end()))
        pressure = re.compile(r"\b(?:ap|arterial pressure)\s*(?:of|was|is|=|:)?\s*(-\s?\d{2,3})\b").search(
            self.page.low, max(0, sentence.start - 60), sentence.end
        )
        if pressure:
            one.detail["arterial_pressure_mmhg"] = Measured(value=pressure[1].replace(" ", ""))
            one.cites.append(Cite(start=pressure.start(), end=pressure.end()))

    def complications(self) -> list[Beside]:
        found: dict[str, Beside] = {}
        for hit in self.told("complication", _TOLD | {"diagnosis"}):
            what = hit.get("what") or ""
            if hit.scope.what != "now" or what in found or self.is_elsewhere(hit) or self.is_habit_or_history(hit):
                continue
            access = self.access(hit, "needled")
            minutes = re.compile(r"\s+(\d{1,2})\s*min").match(self.page.low, hit.end)
            if access is None or (minutes and int(minutes[1]) < _AS_USUAL_MINUTES):
                continue
            one = Beside(
                "complication",
                access,
                [hit.cite],
                {"what": ComplicationKind(what)},
                [],
                "the text tells what went wrong with the access",
                of_visit=False,
            )
            grade = re.compile(r"[\s,(]*(?:grade|stage)\s+(\d|i{1,3}v?|iv)\b").match(self.page.low, hit.end)
            if grade:
                # A grade without its scheme stays what it is: words.
                one.detail["grade"], one.detail["scale"] = grade[1].upper(), Scale.WORDS
                one.cites.append(Cite(start=grade.start(1), end=grade.end(1)))
            found[what] = one
        return list(found.values())

    # --- Looked at

    def films(self) -> list[Beside]:
        for hit in self.told("film", _TOLD):
            if hit.scope.what != "now" or re.match(
                r"[\s-]*(?:guid|scan(?:ner)? guid)", self.page.low[hit.end : hit.end + 12]
            ):
                continue
            if self.is_habit_or_history(hit) or self.is_elsewhere(hit):
                continue
            whole = hit.role == "title" or hit.index <= 1
            one = self._film(hit, whole)
            if one is not None:
                return [one]
        return []

    def _film(self, hit: _Hit, whole: bool) -> Beside | None:
        page = self.page
        modality = ImagingModality(hit.get("modality") or "")
        access = self.access(hit) or self.main
        start, end = (0, len(page.low)) if whole else (page.sentence(hit.index).start, page.sentence(hit.index).end)
        detail: dict[str, Any] = {"modality": modality}
        cites = [hit.cite]
        if modality is ImagingModality.DUPLEX:
            for one in page.quantities_in(start, end):
                before = page.low[max(0, one.start - 34) : one.start]
                after = page.low[one.end : one.end + 22]
                name = None
                if one.unit == "ml_min" and re.search(r"\b(?:flow|qa|volume)\b[^.;]*$", before):
                    name = "flow_ml_min"
                elif one.unit == "mm" and (
                    re.search(r"\bdiam\w*[^.;]{0,16}$", before) or re.match(r"\s*(?:in )?diam", after)
                ):
                    name = "diameter_mm"
                elif one.unit == "mm" and (
                    re.search(r"\b(?:depth|deep)[^.;]{0,12}$", before)
                    or re.match(r"\s*(?:deep|in depth|below the skin)", after)
                ):
                    name = "depth_mm"
                index = page.parts.index_at(one.start)
                if (
                    name is None
                    or name in detail
                    or index is None
                    or page.said(one.start, one.end, index).what == "past"
                ):
                    continue
                detail[name] = one.first
                cites.append(Cite(start=one.start, end=one.end))
        if whole and modality is not ImagingModality.FILM:
            lesions = tuple(
                one
                for one in lesions_of(page, is_graft=access.kind == "graft")
                if one.before_percent or one.before_grade
            )
            if lesions:
                detail["lesions"] = lesions
                cites += [cite for one in lesions for cite in one.quotes]
            detail.update(angiogram_details(page))
            flow = re.compile(r"\b(?:good|brisk|normal|patent with) flow|\bpatent\b|flow throughout").search(page.low)
            index = page.parts.index_at(flow.start()) if flow else None
            if (
                flow
                and index is not None
                and page.said(flow.start(), flow.end(), index).is_now
                and access.family == "needled"
            ):
                detail["flow_seen"] = True
                cites.append(Cite(start=flow.start(), end=flow.end()))
        if access.family == "catheter":
            tip = tip_of(page)
            if tip is not None:
                detail["tip"] = tip[0]
                cites.append(tip[1])
            elif re.search(r"\btip\b[^.\n]{0,60}\b(?:migrat|under the liver|out of the pelvis|displaced)", page.low):
                tipped = re.compile(r"\btip\b[^.\n]*").search(page.low)
                assert tipped is not None, "the same words were found above"
                cites.append(Cite(start=tipped.start(), end=tipped.end()))
                detail["note"] = cites[-1]
        if len(detail) == 1 or ("maturity-assessed" in self.kinds_beside and not detail.get("lesions")):
            return None
        return Beside("imaging", access, cites[:8], detail, [], "the text tells what was seen", of_visit=False)

    # --- Cultures and courses

    def cultures(self) -> list[Beside]:
        page = self.page
        is_sheet = bool(re.search(r"\b(?:microbiology|specimen)\b", page.low[:200]))
        roles = [*_TOLD, "plan", "aside", "diagnosis"] if is_sheet else [*_TOLD, "diagnosis"]
        for hit in self.hits.get("culture", ()):
            if (
                hit.role not in roles
                or hit.index in self.of_kin
                or not self._of_today(hit)
                or self.is_elsewhere(hit)
                or self.is_habit_or_history(hit)
            ):
                continue
            return self._culture(hit, is_sheet)
        if is_sheet and not self.with_deeds:
            # "Specimen: blood, catheter hub. Result: positive": the sheet itself is of a culture.
            for hit in self.hits.get("grew", ()):
                if hit.scope.what == "now":
                    return self._culture(hit, is_sheet)
        return []

    def _of_today(self, hit: _Hit) -> bool:
        """Told as of now, or sent today whatever else the sentence says: "sent today: cloudy since yesterday"."""
        if hit.scope.what == "past":
            return bool(re.search(r"\b(?:sent|taken|drawn)\b[^.;]*\btoday\b", self.words(hit.index)))
        return hit.scope.is_now

    def _culture(self, hit: _Hit, is_sheet: bool) -> list[Beside]:
        page = self.page
        indexes = set(range(len(page.parts.sentences))) if is_sheet else {hit.index, hit.index + 1}
        near = {cls: [one for one in self.hits.get(cls, ()) if one.index in indexes] for cls in ("grew", "sent")}
        own = [one for one in near["grew"] if one.index == hit.index or is_sheet] or [
            one for one in near["grew"] if not self.in_sentence("drug", one.index)
        ]
        sent = [one for one in near["sent"] if one.scope.is_now and (one.index == hit.index or is_sheet)]
        if re.search(r"\b(?:sent|taken|drawn)\b", hit.words):
            sent.append(hit)
        grew = next((one for one in own if one.scope.is_now), None)
        organism = next(
            (
                one
                for one in page.things
                if one.cls == "organism"
                and one.sentence in indexes
                and page.said(one.start, one.end, one.sentence).what == "now"
            ),
            None,
        )
        if grew is None and organism is None and not sent:
            return []
        if self.with_deeds and not sent:
            # What an earlier culture grew is why the operation was done, and says no day.
            return []
        detail: dict[str, Any] = {}
        cites = [hit.cite]
        specimen = hit.get("specimen") or next(
            (one.get("specimen") for one in self.hits.get("specimen", ()) if one.index in indexes), None
        )
        if specimen:
            detail["specimen"] = Specimen(specimen)
        if organism is not None:
            detail["organism"], detail["positive"] = Organism(organism.get("organism") or ""), True
            cites.append(Cite(start=organism.start, end=organism.end))
        elif grew is not None:
            detail["positive"] = grew.get("positive") == "yes"
            if not detail["positive"]:
                detail["organism"] = Organism.NO_GROWTH
            cites.append(grew.cite)
        final = next((one for one in self.hits.get("finality", ()) if one.index in indexes or is_sheet), None)
        if final is not None and "positive" in detail:
            detail["final"] = final.get("final") == "yes"
        if any(one.index in indexes and one.scope.is_now for one in self.hits.get("clearance", ())):
            detail["clearance"] = True
        doubts = []
        drawn = next((day for one in sent if (day := self.day_beside(one.start, one.end))), None)
        if drawn is None and sent and re.search(r"\btoday\b|\bthis (?:morning|afternoon)\b", self.words(sent[0].index)):
            drawn = None
        elif drawn is None and "positive" in detail:
            doubts.append("the day on which it was drawn is not told; the day is that of the text")
        access = self.access(hit, "catheter") if specimen in ("catheter-hub", "catheter-tip", "exit-site") else None
        if specimen == "peritoneal-effluent":
            access = self.access(hit, "catheter")
        return [
            Beside(
                "culture",
                access,
                cites,
                detail,
                doubts,
                "the text tells of a culture",
                of_visit=False,
                happened=drawn[0] if drawn else None,
            )
        ]

    def courses(self) -> list[Beside]:
        page = self.page
        for hit in self.told("drug", [*_TOLD, "plan", "diagnosis"]):
            words = self.words(hit.index)
            if hit.scope.what != "now" or self.is_elsewhere(hit) or self.is_habit_or_history(hit):
                continue
            if re.search(
                r"\b(?:pre-?op\w*|prophyla\w+|single dose|one dose|stat dose|pre-?procedure|completed|finished|stopped"
                r"|discontinued|before (?:the )?(?:incision|procedure)|allerg\w+|no antibiotic)",
                words,
            ):
                continue
            course = next((one for one in self.in_sentence("course", hit.index) if one.scope.is_now), None)
            if course is None or (hit.role == "plan" and course.get("begins") == "yes" and "started" not in words):
                continue
            begins = course.get("begins") == "yes"
            detail: dict[str, Any] = {}
            cites = [Cite(start=min(hit.start, course.start), end=max(hit.end, course.end))]
            until = re.compile(r"\b(?:until|till|through|to finish|planned until|end(?:s|ing)?(?: on)?)\b").search(
                page.low, page.sentence(hit.index).start, page.sentence(hit.index).end
            )
            ends = self.day_beside(until.start(), until.end()) if until else None
            start = self.day_beside(course.start, course.end) if begins else None
            if ends:
                detail["planned_until"] = ends[0]
                cites.append(ends[1])
            elif re.search(r"\bfor\s+(?:a further\s+)?\w+\s+(?:days?|weeks?)", words):
                after = day_after(words[words.index("for ") :], start[0] if start else self.day)
                if after is not None and begins:
                    detail["planned_until"] = after
            if not begins and not detail:
                continue
            reason = _reason_of_course(page.low)
            if reason is not None:
                detail["reason"] = reason
            if re.search(
                r"\b(?:iv|intravenous|with dialysis|on dialysis|post hd|on hd|with hd|after dialysis)\b", words
            ):
                detail["intravenous"] = True
            doubts = []
            if not begins:
                detail["continued_from_hospital"] = True if re.search(r"discharg|hospital|ward", page.low) else None
                doubts.append("the day on which it began is not told; the day is that of the text")
            return [
                Beside(
                    "antimicrobial-course",
                    self.main if reason in (CourseReason.ACCESS_INFECTION, CourseReason.PERITONITIS) else None,
                    cites,
                    {name: value for name, value in detail.items() if value is not None},
                    doubts,
                    "the text tells of a course",
                    of_visit=False,
                    happened=start[0] if start else None,
                )
            ]
        return []

    # --- What changes a needle

    def backgrounds(self) -> list[Beside]:
        items: list[dict[str, Any]] = []
        cites: list[Cite] = []

        def keep(hit: _Hit, **item: Any) -> None:
            if item not in items:
                items.append(item)
                cites.append(hit.cite)

        for hit in self.hits.get("background", ()):
            what = BackgroundWhat(hit.get("what") or "")
            if hit.index in self.of_kin or not self._holds_still(hit, what):
                continue
            item: dict[str, Any] = {"what": what}
            if what in (
                BackgroundWhat.CARDIAC_LEAD,
                BackgroundWhat.PORT,
                BackgroundWhat.LINE,
                BackgroundWhat.ARM_NOT_TO_USE,
                BackgroundWhat.HAND_DOMINANCE,
            ):
                side = self._side_beside(hit)
                if side is not None:
                    item["side"] = side
                elif self.with_deeds and hit.role in ("technique", "findings"):
                    # What is met on the way of an operation may go with it.
                    continue
                elif what in (BackgroundWhat.ARM_NOT_TO_USE, BackgroundWhat.HAND_DOMINANCE):
                    continue
            keep(hit, **item)
        for hit in self.hits.get("allergy", ()):
            if hit.index in self.of_kin or hit.scope.what != "now":
                continue
            named = [
                one
                for one in self.hits.get("allergen", ())
                if one.index == hit.index and one.start >= hit.end and one.scope.is_now
            ]
            for one in named:
                keep(one, what=BackgroundWhat.ALLERGY, allergen=Allergen(one.get("allergen") or ""))
        for item, cite in self._under_allergies():
            if item not in items:
                items.append(item)
                cites.append(cite)
        sided = {one["what"] for one in items if "side" in one}
        items = [one for one in items if "side" in one or one["what"] not in sided]
        if any(one["what"] is BackgroundWhat.ALLERGY for one in items):
            items = [one for one in items if one["what"] is not BackgroundWhat.NO_KNOWN_ALLERGY]
        if not items:
            return []
        order = list(BackgroundWhat)
        items.sort(key=lambda one: order.index(one["what"]))
        return [
            Beside(
                "background",
                None,
                cites,
                {"items": tuple(items)},
                [],
                "the text tells what changes a needle or a procedure",
                of_visit=False,
            )
        ]

    def _holds_still(self, hit: _Hit, what: BackgroundWhat) -> bool:
        words = self.words(hit.index)
        if what is BackgroundWhat.NO_KNOWN_ALLERGY:
            return hit.scope.what == "now"
        if what is BackgroundWhat.ARM_NOT_TO_USE:
            return hit.scope.what == "now" and not re.search(r"\b(?:for|until)\s+\w+\s+(?:days?|weeks?|hours?)", words)
        if hit.scope.what != "now":
            return False
        if what in (BackgroundWhat.ANTICOAGULANT, BackgroundWhat.ANTIPLATELET):
            near = self.page.low[max(self.page.sentence(hit.index).start, hit.start - 40) : hit.end + 34]
            if hit.role == "plan" and not re.search(r"\b(?:^|on|takes|taking)\s*$", near[: near.find(hit.words)]):
                return False
            return not _NOT_TAKEN.search(near)
        if what in (BackgroundWhat.PORT, BackgroundWhat.LINE, BackgroundWhat.CARDIAC_LEAD):
            return not re.search(
                r"\b(?:removed|explanted|taken out|check|insertion|placement|placed|inserted|implanted|transected)\b",
                words,
            )
        return True

    def _side_beside(self, hit: _Hit) -> Side | None:
        for one in sorted(self.page.within(hit.index), key=lambda thing: abs(thing.start - hit.start)):
            if (
                one.get("side") in ("left", "right")
                and self.page.words_between(min(one.end, hit.end), max(one.start, hit.start)) <= 4
            ):
                return Side(one.get("side") or "")
        said = re.search(r"\b(left|right)\b", self.page.low[hit.start : hit.end])
        return Side(said[1]) if said else None

    def _under_allergies(self) -> list[tuple[dict[str, Any], Cite]]:
        """What stands under the heading of allergies; a thing that the table does not know is kept in its words."""
        page = self.page
        found: list[tuple[dict[str, Any], Cite]] = []
        for start, end, _ in page.parts.headings:
            if not page.low.startswith(("allerg",), start):
                continue
            index = next((nth for nth, one in enumerate(page.parts.sentences) if one.start >= end), None)
            if index is None or page.sentence(index).start - end > 4:
                continue
            sentence = page.sentence(index)
            words = page.low[sentence.start : sentence.end]
            if re.match(r"\W*(?:none|nil|nka|nkda|no\b|not known|unknown|n/a)", words):
                if not re.match(r"\W*(?:not known|unknown|n/a)", words):
                    found.append(
                        ({"what": BackgroundWhat.NO_KNOWN_ALLERGY}, Cite(start=sentence.start, end=sentence.end))
                    )
                continue
            named = [
                Found(sentence.start + one.start, sentence.start + one.end, one.row)
                for one in phrases_of("notes").find(words)
                if one.row.cls == "allergen"
            ]
            for one in named:
                found.append(
                    (
                        {"what": BackgroundWhat.ALLERGY, "allergen": Allergen(one.get("allergen") or "")},
                        Cite(start=one.start, end=one.end),
                    )
                )
            if not named:
                cite = Cite(start=sentence.start, end=sentence.end)
                found.append(({"what": BackgroundWhat.ALLERGY, "allergen": Allergen.OTHER, "words": cite}, cite))
        return found

    # --- Decisions, plans, dates

    def decisions(self) -> list[Beside]:
        found: dict[str, Beside] = {}
        for hit in self.told("decision", [*_TOLD, "plan"]):
            what = hit.get("what") or ""
            if hit.scope.what != "now" or what in found:
                continue
            if re.search(r"\b(?:was|were|had|previously|in (?:19|20)\d\d)\b", self.words(hit.index)):
                continue
            detail: dict[str, Any] = {"what": DecisionWhat(what)}
            if hit.get("by_patient"):
                detail["by_patient"] = True
            review = re.compile(r"\breview(?:ed)?\s+(?:again\s+)?(?:in|on)\s+").search(self.page.low, hit.end)
            on = self.day_beside(review.start(), review.end()) if review else None
            if on is not None:
                detail["review_on"] = on[0]
            found[what] = Beside(
                "decision", None, [hit.cite], detail, [], "the text tells what was decided", of_visit=False
            )
        return list(found.values())

    def planned(self) -> list[Beside]:
        page = self.page
        plans = [*self.hits.get("planning", ())]
        with_plans = {one.index for one in plans}
        for access in self.accesses:
            if access.kind is None or access.kind == "catheter":
                continue
            there = {name.thing.sentence for name in access.named if name.scope == "now"}
            for name in access.named:
                index = name.thing.sentence
                if (
                    name.thing.cls != "head"
                    or index in self.of_kin
                    or page.sentence(index).role in ("past", "consent", "aside")
                ):
                    continue
                if index not in with_plans and page.sentence(index).role != "plan":
                    continue
                words = self.words(index)
                if re.search(
                    r"\b(?:if|should|consider\w*|discuss\w*|may|might|could|option\w*|talk\w*|possib\w*|versus|vs|or"
                    r"|declin\w*|refus\w*|not|no|second stage|ligat\w*|remov\w*|exchang\w*)\b",
                    words,
                ):
                    continue
                if any(
                    one.cls == "act" or (one.cls == "verb" and one.get("do") not in ("make", "place"))
                    for one in page.within(index)
                ):
                    continue
                heading = next((one for one in reversed(page.parts.headings) if one[1] <= name.start), None)
                by_heading = (
                    heading is not None
                    and page.sentence(index).role == "plan"
                    and page.sentence(index).start - heading[1] <= 2
                    and page.low[heading[0] : heading[0] + 4] in ("plan", "deci")
                )
                said = next(
                    (one for one in plans if one.index == index and one.end <= name.start and one.scope.what != "past"),
                    None,
                )
                if said is None and not by_heading:
                    continue
                if there - {index}:
                    # It is there already: what is planned is something with it.
                    continue
                if said is not None and page.words_between(said.end, name.start) > 8:
                    continue
                cite = Cite(start=min(said.start if said else name.start, name.start), end=name.end)
                return [
                    Beside(
                        "access-planned",
                        access,
                        [cite],
                        _planned_access(access),
                        [],
                        "the text says that it is to be made",
                        of_visit=False,
                    )
                ]
        return []

    def appointments(self) -> list[Beside]:
        page = self.page
        found: dict[str, Beside] = {}
        for hit in self.hits.get("appointment", ()):
            state = hit.get("state") or ""
            if state in found or hit.index in self.of_kin or hit.role in ("past", "consent", "indication", "aside"):
                continue
            if self._is_another_time(hit, state):
                continue
            if state in ("cancelled", "declined") and (page.operating_words or re.search(r"arrived|brought", page.low)):
                # At the centre already: a procedure that was not done, which the visit tells.
                continue
            sentence = page.sentence(hit.index)
            days = [
                one
                for one in page.days
                if sentence.start <= one.start < sentence.end and one.doubt is None and one.date.precision != "year"
            ]
            after = [one for one in days if one.start >= hit.end]
            procedure = any(one.cls in ("act", "verb") for one in page.within(hit.index)) or bool(
                self.in_sentence("film", hit.index)
                or re.search(r"appointment|clinic|declot|stage", self.words(hit.index))
            )
            if (hit.get("needs") == "day" and not after) or (hit.get("needs") == "procedure" and not procedure):
                continue
            if not procedure and state in ("booked", "moved"):
                continue
            detail: dict[str, Any] = {"state": AppointmentState(state)}
            cites = [hit.cite]
            if state in ("booked", "moved", "attended") and after:
                detail["on"] = after[-1 if state == "moved" else 0].date
                cites.append(Cite(start=after[0].start, end=after[-1].end))
            elif state in ("cancelled",) and days:
                detail["on"] = days[0].date
            elif state == "not-attended" and after:
                detail["on"] = after[0].date
            elif state == "not-attended" and days:
                detail["on"] = days[0].date
            about = self.access(hit)
            found[state] = Beside(
                "appointment", about, cites, detail, [], "the text tells of a date at the access centre", of_visit=False
            )
        return list(found.values())

    def _is_another_time(self, hit: _Hit, state: str) -> bool:
        """Told as history, denied or conditional; the day of the appointment itself is no history."""
        if re.search(r"\b(?:if|when|should|unless)\b", self.page.low[max(0, hit.start - 30) : hit.start]):
            return True
        what, cue = hit.scope.what, hit.scope.cue
        if what == "past":
            return not any(cue == (one.start, one.end) and one.date.precision != "year" for one in self.page.days)
        return what in ("risk", "given-up") or (what in ("planned", "denied") and state not in ("booked", "moved"))

    # --- Used, and hospital

    def uses(self) -> list[Beside]:
        if "first-cannulation" in self.kinds_beside or self.page.is_clinic:
            return []
        page = self.page
        order = {"one-needle-and-line": 0, "two-needles": 1, "catheter": 2}
        hits = [
            one
            for one in self.told("used", ["opening", "narrative", "access", "technique", "findings", "exam"])
            if one.scope.is_now
        ]
        for hit in sorted(hits, key=lambda one: order[one.get("use") or ""]):
            use = Use(hit.get("use") or "")
            words = self.words(hit.index)
            if re.search(
                r"\b(?:dialyses|dialyzes|on (?:h[ae]*mo)?dialysis|usually|normally|always|used there|thrice"
                r"|three times a week)\b",
                words,
            ):
                continue
            if use is Use.TWO_NEEDLES and not re.search(
                r"needled|cannulat|used|dialy[sz]ed|ran\b|run\b|today|qb|bfr|hd\b",
                words + page.low[page.sentence(hit.index).end :][:40],
            ):
                continue
            access = self.access(hit, "catheter" if use is Use.CATHETER else "needled")
            if access is None:
                continue
            return [
                Beside(
                    "access-used",
                    access,
                    [hit.cite],
                    {"use": use},
                    [],
                    "the text tells how it was used",
                    of_visit=False,
                )
            ]
        return []

    def stays(self) -> list[Beside]:
        admitted = discharged = None
        for hit in self.hits.get("stay", ()):
            if hit.index in self.of_kin or hit.scope.what in ("planned", "denied", "risk"):
                continue
            day = self.day_beside(hit.start, hit.end)
            if day is None or day[0].precision == "year":
                continue
            if hit.get("what") == "in" and admitted is None:
                admitted = (hit, day)
            elif hit.get("what") == "out" and discharged is None:
                discharged = (hit, day)
        if admitted is None or discharged is None or str(admitted[1][0]) > str(discharged[1][0]):
            return []
        return [
            Beside(
                "hospital-stay",
                None,
                [
                    Cite(start=admitted[0].start, end=admitted[1][1].end),
                    Cite(start=discharged[0].start, end=discharged[1][1].end),
                ],
                {"until": discharged[1][0]},
                [],
                "the text gives the days of admission and discharge",
                of_visit=False,
                happened=admitted[1][0],
            )
        ]


_DENIES_ITSELF = re.compile(r"(?:no|not|absent|does not|did not|without|fails|failed|loss|lost)\b")
_DENIED_WITHIN = re.compile(r"\w\s+(?:not|no|never|without|isn't|wasn't)\s+\w")
_AS_USUAL_MINUTES = 20
"""Bleeding after the needles for less than this is not told as a complication. Common practice, no source."""
_FIELDS: dict[str, Any] = {"thrill": Thrill, "bruit": Bruit, "pulse": Pulse, "skin": SkinState, "hand": HandState}
_FLAGS = (
    "augments",
    "collapses_on_elevation",
    "swelling",
    "collaterals",
    "aneurysm",
    "exit_site_clean",
    "fever",
)


def _finding(hit: _Hit) -> Iterable[tuple[str, Any]]:
    """What one phrase of an examination says, where it is denied its opposite, if the table knows one."""
    denied = hit.scope.what == "denied" and not _DENIES_ITSELF.match(hit.words)
    for name, kind in _FIELDS.items():
        value = hit.get(name)
        if value is not None and not denied:
            yield name, kind(value)
    for name in _FLAGS:
        value = hit.get(name)
        if value is None:
            continue
        if denied:
            value = hit.get("not")
        if value is not None:
            yield name, value == "yes"


def _reason_of_course(low: str) -> CourseReason | None:
    for pattern, reason in (
        (r"bacter(?:a)?emia|bloodstream|sepsis|crbsi|rigors|septic", CourseReason.BLOODSTREAM),
        (r"peritonitis|cloudy", CourseReason.PERITONITIS),
        (
            r"exit[\s-]site infection|tunnel infection|infected (?:graft|fistula)|graft infection",
            CourseReason.ACCESS_INFECTION,
        ),
        (r"pneumonia|cellulitis|uti\b|urinary|chest infection|osteomyelitis", CourseReason.OTHER_SITE),
    ):
        if re.search(pattern, low):
            return reason
    return None


def _planned_access(access: Meant) -> dict[str, Any]:
    catheter = access.family == "catheter"
    values = {
        "access_kind": AccessKind(access.kind or ""),
        "side": Side(access.side) if access.side in ("left", "right") else None,
        "site": Site(access.site) if access.site else None,
        "inflow": Artery(access.inflow) if access.inflow and not catheter else None,
        "outflow": Vein(access.outflow) if access.outflow and not catheter else None,
    }
    return {name: value for name, value in values.items() if value is not None}
