"""What each entry says, as a plain sentence: one for every kind that the ledger holds.

The sentence tells what the entry says and no more: measured values as they were said,
partial dates as they were said, and nothing about what nobody recorded, save where a
nurse has to know that it is not recorded (which limb of a graft is arterial). It never
advises, and it never calls anything good, normal or safe. The day on which it happened
and who confirmed it stand beside the sentence, in the timeline.

To add a kind, give it a case in `_fact_sentence`; mypy asks for it.
"""

from __future__ import annotations

from typing import assert_never

from ledger.chronology import InForce
from ledger.entries import Entry
from ledger.events import (
    Abandonment,
    AccessesAreOne,
    AccessKnown,
    AccessPlanned,
    AccessSplit,
    AccessUsed,
    Angiogram,
    Angioplasty,
    AntimicrobialCourse,
    Appointment,
    Background,
    BackgroundItem,
    Balloon,
    Banding,
    CannulationSession,
    CareBegan,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    CatheterTrouble,
    Complication,
    Correction,
    Creation,
    Culture,
    Decision,
    Event,
    Examination,
    Fact,
    FirstCannulation,
    FirstSeenHere,
    FollowUpEnded,
    FollowUpResumed,
    HospitalStay,
    Imaging,
    Infection,
    Instruction,
    LesionFound,
    LesionTreated,
    LifePlanReviewed,
    MappedVessel,
    MaturityAssessed,
    Measurement,
    ModalityChanged,
    OtherInterventionDone,
    PatientsAreOne,
    Referral,
    ReportMoved,
    ReportReviewed,
    Retraction,
    Revision,
    SecondStage,
    SetAside,
    Stent,
    StentPlaced,
    TakenUpAgain,
    Thrombectomy,
    Thrombosis,
    VeinMapping,
    Visit,
    Words,
)
from ledger.measured import Measured
from ledger.projections.wording import (
    NamesOf,
    WordsOf,
    access_name,
    counted,
    day_words,
    listed,
    on_day,
    quantity,
    said,
    side_words,
    vessels_words,
)
from ledger.vocabulary import (
    AbandonmentHow,
    AbandonmentReason,
    AccessKind,
    Allergen,
    AppointmentState,
    BackgroundWhat,
    Bruit,
    CatheterFate,
    CatheterReason,
    CatheterTroubleKind,
    CentralVeins,
    ClotExtent,
    ComplicationKind,
    Configuration,
    Contrast,
    DecisionWhat,
    ExchangeForm,
    Fate,
    Finding,
    Grade,
    InfectionClass,
    InstructionWhat,
    KnownBy,
    LesionPlace,
    MaturityVerdict,
    NeedleTrouble,
    Organism,
    OtherIntervention,
    Outcome,
    PeritonealStart,
    Scale,
    Sedation,
    Side,
    Stage,
    Thrill,
    TreatmentOutcome,
    Use,
    words_of,
)


def nobody(_: str) -> None:
    """A `NamesOf` that knows no name."""


def sentence_of(one: InForce, words: WordsOf, names: NamesOf = nobody) -> str:
    """What a fact in force says, in one plain sentence.

    `words` gives the words of a stretch of text; `names` the name of a person, a unit, a centre or an access by id
    (the id itself is said where it knows none).
    """
    return sentence_of_event(one.fact, words, names)


def sentence_of_event(event: Event, words: WordsOf, names: NamesOf = nobody) -> str:
    """What an entry says, also when it is about other entries: for the view that shows corrections and retractions."""
    match event:
        case Correction(to=fact):
            return _tell(f"Corrected to: {sentence_of_event(fact, words, names).rstrip('.')}", _why(words, event.why))
        case Retraction(retracts=entry):
            return _tell(f"Withdrawn: entry {entry[:8]}", _why(words, event.why))
        case ReportReviewed():
            return _reviewed(event)
        case ReportMoved(report=report, to_patient=patient):
            return _tell(
                f"The report {report[:10]} was about another patient ({patient}): its entries here do not count"
            )
        case AccessesAreOne(survivor=survivor, other=other):
            return _tell(f"{_name(names, other)} turned out to be the same access as {_name(names, survivor)}")
        case AccessSplit(access=access, part=part, entries=entries):
            about = counted(len(entries), "entry", "entries")
            return _tell(f"{_name(names, access)} turned out to be two: {about} belong to {_name(names, part)}")
        case PatientsAreOne(other=other):
            return _tell(f"The record {other} turned out to be of the same person and is read here")
        case _:
            sentence = _fact_sentence(event, words, names)
            note = said(words, event.note)
            ends = "" if note.endswith(('."', '!"', '?"')) else "."
            return f"{sentence} Note: {note}{ends}" if note else sentence


def entry_sentence(entry: Entry, words: WordsOf, names: NamesOf = nobody) -> str:
    """What an entry of the stream says, whether or not it is still in force."""
    return sentence_of_event(entry.event, words, names)


def _fact_sentence(fact: Fact, words: WordsOf, names: NamesOf) -> str:
    match fact:
        case CareBegan():
            first = f"first dialysis ever {on_day(fact.first_dialysis)}" if fact.first_dialysis else ""
            return _tell("Care began here", _at(names, fact.unit, fact.shift), words_of(fact.modality, ""), first)
        case ModalityChanged():
            return _tell(f"Changed to {words_of(fact.to)}", _at(names, fact.unit, fact.shift))
        case HospitalStay():
            return _tell(
                "In hospital" + (f" until {day_words(fact.until)}" if fact.until else ""),
                "" if fact.until else "end of the stay not recorded",
                _yes_no(fact.because_of_access, "because of the access", "not because of the access"),
                _yes_no(fact.access_looked_at, "the access was looked at there", "the access was not looked at there"),
            )
        case FirstSeenHere():
            before = fact.history_unknown_before
            return _tell(
                "First seen here, coming from elsewhere",
                f"found in the body: {listed(_name(names, access) for access in fact.accesses_found)}"
                if fact.accesses_found
                else "",
                _yes_no(fact.papers_asked_for, "papers asked for", "papers not asked for"),
                f"earlier history unknown before {day_words(before)}" if before else "",
            )
        case FollowUpEnded():
            return _tell(f"Follow-up ended: {words_of(fact.reason)}")
        case FollowUpResumed():
            return _tell("Follow-up resumed", _at(names, fact.unit, fact.shift), words_of(fact.modality, ""))
        case Background():
            gone = listed(words_of(what) for what in fact.withdrawn)
            told = said(words, fact.told_by)
            return _tell(
                "Background checked",
                *(background_words(item, words) for item in fact.items),
                f"no longer holds: {gone}" if gone else "",
                f"told by {told}" if told else "",
            )
        case Decision():
            by = _yes_no(fact.by_patient, "decided by the patient", "not decided by the patient")
            review = f"to be reviewed {on_day(fact.review_on)}" if fact.review_on else ""
            return _tell(f"Decision: {DECISIONS[fact.what]}", by, review)
        case LifePlanReviewed():
            return _life_plan(fact)
        case VeinMapping():
            return _mapping(fact)
        case AccessPlanned():
            name = access_name(fact.access_kind, fact.side, site=fact.site, inflow=fact.inflow, outflow=fact.outflow)
            planned = f"planned for {day_words(fact.planned_for)}" if fact.planned_for else ""
            return _tell(f"Planned: {name}", planned, _why(words, fact.why))
        case AccessKnown():
            return _known(fact)
        case Creation():
            return _creation(fact, words, names)
        case CatheterPlaced():
            return _placed(fact, words)
        case CatheterExchanged():
            return _exchanged(fact, words)
        case CatheterRemoved():
            whole = _yes_no(fact.whole, "whole", "not whole: part of it stayed")
            return _tell("Catheter removed", _for_reason(fact.reason), whole, _by(words, fact.operator))
        case SecondStage():
            outflow = f"of the {words_of(fact.outflow)} vein" if fact.outflow else ""
            form = " ".join(part for part in (words_of(fact.form, ""), outflow) if part)
            return _tell("Second stage" + (f": {form}" if form else ""), _by(words, fact.operator))
        case MaturityAssessed():
            return _maturity(fact)
        case FirstCannulation():
            return _tell("First needled", *_needling(fact))
        case AccessUsed():
            return _tell(USES[fact.use])
        case CannulationSession():
            return _session(fact)
        case Examination():
            found = examination_words(fact)
            return _tell(
                f"Looked at, listened to and felt: {found}" if found else "Examined: no finding recorded",
                _told_to(words, fact.told_to),
            )
        case Measurement():
            return _measurement(fact)
        case Thrombosis():
            patent = f"last known patent {on_day(fact.last_known_patent)}" if fact.last_known_patent else ""
            return _tell(f"Thrombosed ({_known_by(fact.known_by)})", patent)
        case Complication():
            done = _yes_no(fact.resolved, "said to be over", "")
            grade = grade_words(fact.scale, fact.grade)
            size = quantity(fact.diameter_mm, "mm")
            where = place_words(fact.place)
            told = _told_to(words, fact.told_to)
            return _tell(_capital(_complication_words(fact.what)), grade, size, where, done, told)
        case CatheterTrouble():
            return _tell(
                f"Catheter trouble: {words_of(fact.what)}",
                f"blood flow {quantity(fact.blood_flow_ml_min, 'mL/min')}" if fact.blood_flow_ml_min else "",
                f"arterial pressure {quantity(fact.arterial_pressure_mmhg, 'mmHg')}"
                if fact.arterial_pressure_mmhg
                else "",
                _resolved_trouble(fact),
                _told_to(words, fact.told_to),
            )
        case Infection():
            return _infection(fact)
        case Culture():
            return _culture(fact)
        case AntimicrobialCourse():
            return _course(fact)
        case Referral():
            why = listed(words_of(finding) for finding in fact.why)
            question = said(words, fact.question)
            return _tell(
                "Referred" + (f" to {_name(names, fact.centre)}" if fact.centre else ""),
                f"why: {why}" if why else "",
                URGENCY.get(fact.urgency.value, "") if fact.urgency else "",
                f"question: {question}" if question else "",
            )
        case Appointment():
            centre = f"at {_name(names, fact.centre)}" if fact.centre else ""
            on = f"for {day_words(fact.on)}" if fact.on else ""
            return _tell(f"Appointment {APPOINTMENTS[fact.state]}", on, centre)
        case Visit():
            return _visit(fact, words, names)
        case Angiogram():
            return _tell("Angiogram", *_looked(fact))
        case Imaging():
            return _tell(
                _capital(words_of(fact.modality, "imaging")),
                *_looked(fact),
                f"flow {quantity(fact.flow_ml_min, 'mL/min')}" if fact.flow_ml_min else "",
                f"diameter {quantity(fact.diameter_mm, 'mm')}" if fact.diameter_mm else "",
                f"depth {quantity(fact.depth_mm, 'mm')}" if fact.depth_mm else "",
                f"catheter tip in the {words_of(fact.tip)}" if fact.tip else "",
            )
        case Angioplasty():
            lesions = [treated_words(lesion) for lesion in fact.lesions] or ["lesion not recorded"]
            return _tell("Angioplasty", *lesions, _by(words, fact.operator))
        case Stent():
            treated = [treated_words(lesion) for lesion in fact.lesions]
            stents = [stent_words(stent) for stent in fact.stents]
            return _tell(
                "Stent placed" if len(stents) < 2 else "Stents placed", *stents, *treated, _by(words, fact.operator)
            )
        case Thrombectomy():
            how = listed(words_of(method) for method in fact.methods)
            clot = f"{words_of(fact.residual_clot)} clot left" if fact.residual_clot else ""
            success = _yes_no(fact.success, "flow restored", "flow not restored") or "success not recorded"
            return _tell("Thrombectomy" + (f" ({how})" if how else ""), success, clot, _by(words, fact.operator))
        case Banding():
            return _tell(
                f"Banded {_for(fact.reason)}".rstrip(),
                words_of(fact.method, ""),
                quantity(fact.calibre_mm, "mm"),
                _before_after(fact.flow_before_ml_min, fact.flow_after_ml_min),
                _by(words, fact.operator),
            )
        case Revision():
            return _revision(fact, words)
        case OtherInterventionDone():
            what = words_of(fact.what) if fact.what is not OtherIntervention.OTHER else "another intervention"
            where = place_words(fact.place) if fact.place is None or words_of(fact.place) not in what else ""
            return _tell(_capital(what), where, _for(fact.reason), _by(words, fact.operator))
        case Instruction():
            return _tell(f"Instruction: {instruction_words(fact, words)}")
        case Abandonment():
            patent = f"last known patent {on_day(fact.last_known_patent)}" if fact.last_known_patent else ""
            reason = f", {because(fact.reason)}" if fact.reason else ", reason not recorded"
            return _tell(f"{ENDINGS[fact.how]}{reason}", patent, _by(words, fact.operator))
        case TakenUpAgain():
            return _tell("Taken up again after having been given up", _why(words, fact.why))
        case SetAside():
            return _tell(
                f'Reminder "{words_of(fact.line)}" put off until {day_words(fact.until)}', _why(words, fact.why)
            )
        case unsaid:
            assert_never(unsaid)


# --- Parts that the brief and the sheet say as well ----------------------------------------------------------------


def lesion_words(lesion: LesionFound) -> str:
    """A lesion as it was found: place, percent and grade as given, sizes, and whether it was left alone."""
    what = _stenosis(lesion.stenosis_percent, lesion.grade)
    return _commas(
        f"{what} {_at_place(lesion.place)}" + (f" ({side_words(lesion.side)})" if lesion.side else ""),
        "within a stent" if lesion.in_stent else "",
        f"smallest {quantity(lesion.smallest_mm, 'mm')}" if lesion.smallest_mm else "",
        f"reference {quantity(lesion.reference_mm, 'mm')}" if lesion.reference_mm else "",
        f"length {quantity(lesion.length_mm, 'mm')}" if lesion.length_mm else "",
        _yes_no(lesion.left_alone, "seen and left alone", ""),
    )


def treated_words(lesion: LesionTreated) -> str:
    """What was done to a lesion and what was left of it."""
    found = _stenosis(lesion.found_percent, lesion.found_grade) if lesion.found_percent or lesion.found_grade else ""
    place = _capital_not(place_words(lesion.place)) or "place not recorded"
    return _commas(
        (f"{found} {_at_place(lesion.place)}" if found else place)
        + (f" ({side_words(lesion.side)})" if lesion.side else ""),
        "within a stent" if lesion.in_stent else "",
        listed(balloon_words(balloon) for balloon in lesion.balloons),
        residual_words(lesion),
        _TREATED.get(lesion.outcome, "") if lesion.outcome else "",
    )


def residual_words(lesion: LesionTreated) -> str:
    """What was left: `residual <20 %`, `no residual stenosis`, or nothing where nobody said."""
    parts = []
    if lesion.residual_percent is not None:
        parts.append(f"residual {quantity(lesion.residual_percent, '%')}")
    if lesion.residual_grade is Grade.NONE:
        parts.append("no residual stenosis seen")
    elif lesion.residual_grade is not None:
        parts.append(f"{words_of(lesion.residual_grade)} residual stenosis")
    return ", ".join(parts)


def balloon_words(balloon: Balloon) -> str:
    """One balloon by its size and what it was: `7 x 40 mm balloon, drug-coated, 20 atm`."""
    sizes = " x ".join(str(size) for size in (balloon.diameter_mm, balloon.length_mm) if size is not None)
    name = f"{sizes} mm balloon" if sizes else "balloon"
    if balloon.diameter_mm is None and balloon.length_mm is not None:
        name = f"balloon of {balloon.length_mm} mm length"
    kind = "".join(f" {word}" for word, yes in (("drug-coated", balloon.coated), ("cutting", balloon.cutting)) if yes)
    pressure = f" at {quantity(balloon.pressure_atm, 'atm')}" if balloon.pressure_atm else ""
    return f"{name}{kind and ' (' + kind.strip().replace(' ', ', ') + ')'}{pressure}"


def stent_words(stent: StentPlaced) -> str:
    """One stent by what it is and where it lies; that nobody said whether a needle zone is crossed, is said."""
    kind = _yes_no(stent.covered, "covered stent", "bare stent") or "stent, covered or bare not recorded"
    sizes = " x ".join(str(size) for size in (stent.diameter_mm, stent.length_mm) if size is not None)
    return _commas(
        kind + (f" {sizes} mm" if sizes else ""),
        "drug-coated" if stent.coated else "",
        (_at_place(stent.place) if stent.place else "place not recorded")
        + (f" ({side_words(stent.side)})" if stent.side else ""),
        _yes_no(stent.across_needle_zone, "across a needle zone", "not across a needle zone")
        or "whether across a needle zone not recorded",
    )


def instruction_words(fact: Instruction, words: WordsOf) -> str:
    """An instruction of a report, its own words last."""
    what = INSTRUCTIONS[fact.what]
    sutures = fact.what is InstructionWhat.SUTURES
    if sutures:
        what = "sutures" if fact.sutures is None else counted(fact.sutures, "suture")
        if fact.sutures == 0:
            what = "sutures out, none left"
    elif fact.what is InstructionWhat.OTHER and fact.words is not None:
        what = ""  # the report's own words say it
    elif fact.what is InstructionWhat.NEXT_TEST and fact.test is not None:
        what = f"next test: {words_of(fact.test)}"
    return _commas(
        what,
        f"from {day_words(fact.from_day)}" if fact.from_day else "",
        f"until {day_words(fact.until)}" if fact.until and not (sutures and fact.due) else "",
        f"due {day_words(fact.due)}" if fact.due else "",
        place_words(fact.place),
        counted(fact.needles, "needle") if fact.needles is not None else "",
        f"{fact.gauge} gauge" if fact.gauge is not None else "",
        f"blood flow at most {quantity(fact.highest_blood_flow_ml_min, 'mL/min')}"
        if fact.highest_blood_flow_ml_min
        else "",
        said(words, fact.words),
    )


def background_words(item: BackgroundItem, words: WordsOf) -> str:
    """One thing that changes a needle or a procedure."""
    what = words_of(item.what)
    if item.what is BackgroundWhat.ALLERGY:
        allergen = (
            "something else" if item.allergen is Allergen.OTHER else words_of(item.allergen, "something not recorded")
        )
        what = f"allergy to {allergen}"
    elif item.what is BackgroundWhat.ARM_NOT_TO_USE:
        what = f"arm not to use: {side_words(item.side)}"
    elif item.what is BackgroundWhat.HAND_DOMINANCE:
        what = f"dominant hand: {side_words(item.side)}"
    elif item.what in (BackgroundWhat.CARDIAC_LEAD, BackgroundWhat.PORT, BackgroundWhat.LINE):
        vein = f", {words_of(item.vein)} vein" if item.vein else ""
        what = f"{what}, {side_words(item.side)}{vein}"
    elif item.side is not None:
        what = f"{what}, {side_words(item.side)}"
    stated = said(words, item.words)
    since = f"since {day_words(item.since)}" if item.since else ""
    until = f"until {day_words(item.until)}" if item.until else ""
    dose = f"last dose {day_words(item.last_dose)}" if item.last_dose else ""
    return _commas(what + (f" {stated}" if stated else ""), since, until, dose)


def examination_words(fact: Examination) -> str:
    """What was found by looking, listening and feeling; what nobody looked at is left out."""
    parts = [
        _thrill(fact.thrill),
        "no bruit found" if fact.bruit is Bruit.ABSENT else f"{words_of(fact.bruit)} bruit" if fact.bruit else "",
        f"{words_of(fact.pulse)} pulse" if fact.pulse else "",
        _yes_no(fact.augments, "pulse augments", "pulse does not augment"),
        _yes_no(fact.collapses_on_elevation, "collapses on elevation", "does not collapse on elevation"),
        _yes_no(fact.swelling, "swelling", "no swelling"),
        _yes_no(fact.collaterals, "collateral veins", "no collateral veins"),
        _yes_no(fact.aneurysm, "aneurysm seen", "no aneurysm seen"),
        f"skin {listed(words_of(skin) for skin in fact.skin)}" if fact.skin else "",
        f"hand {listed(words_of(hand) for hand in fact.hand)}" if fact.hand else "",
        _yes_no(fact.exit_site_clean, "exit site clean", "exit site not clean"),
        _yes_no(fact.fever, "fever", "no fever"),
    ]
    return ", ".join(part for part in parts if part)


def place_words(place: LesionPlace | None) -> str:
    """A place in the circuit, as the trade says it; empty where nobody said."""
    return "" if place is None else _PLACES.get(place, words_of(place))


def grade_words(scale: Scale | None, grade: str | None) -> str:
    """A grade with its scheme, since a grade without one means nothing."""
    if grade is None:
        return ""
    return f"grade {grade}, {_SCALES[scale]}" if scale is not None else f"grade {grade}, scheme not recorded"


# --- The words ----------------------------------------------------------------------------------------------------

DECISIONS = {
    DecisionWhat.DECLINES_FISTULA: "declines a fistula",
    DecisionWhat.CHOOSES_CATHETER: "chooses a catheter",
    DecisionWhat.NO_OPTION_LEFT: "no option left for another access",
    DecisionWhat.LIMITED_PROGNOSIS: "limited prognosis",
    DecisionWhat.KEPT_IN_RESERVE: "keep this access in reserve",
    DecisionWhat.CHOOSES_PERITONEAL: "chooses peritoneal dialysis",
    DecisionWhat.NO_FURTHER_INTERVENTION: "no further intervention",
    DecisionWhat.REMOVE_CATHETER: "remove the catheter",
    DecisionWhat.OTHER: "see the note",
}

USES = {
    Use.TWO_NEEDLES: "Used with two needles",
    Use.ONE_NEEDLE: "Used with one needle and a catheter line",
    Use.CATHETER: "Used by the catheter",
    Use.NOT_USED: "Not used; reason not recorded",
}

URGENCY = {"today": "for today", "within-days": "within days", "within-weeks": "within weeks", "planned": "planned"}

APPOINTMENTS = {
    AppointmentState.BOOKED: "booked",
    AppointmentState.MOVED: "moved",
    AppointmentState.ATTENDED: "kept",
    AppointmentState.NOT_ATTENDED: "not attended",
    AppointmentState.DECLINED: "declined",
    AppointmentState.CANCELLED: "cancelled",
    AppointmentState.SENT_TO_HOSPITAL: "not kept: sent to hospital",
}

ENDINGS = {
    AbandonmentHow.LIGATION: "Ligated and given up",
    AbandonmentHow.EXCISION: "Excised and given up",
    AbandonmentHow.GIVEN_UP: "Given up, left in the body",
}

INSTRUCTIONS = {
    InstructionWhat.USABLE: "the report says it may be used",
    InstructionWhat.NOT_TO_NEEDLE: "not to be needled",
    InstructionWhat.DIALYSE_BY_CATHETER: "dialyse by the catheter",
    InstructionWhat.SUTURES: "sutures",
    InstructionWhat.FOLLOW_UP: "follow-up asked for",
    InstructionWhat.NEXT_TEST: "next test asked for",
    InstructionWhat.REST: "to be rested",
    InstructionWhat.PRESSURE_DRESSING: "dressing",
    InstructionWhat.CALL_IF: "call the access centre if",
    InstructionWhat.ANTIPLATELET: "antiplatelet",
    InstructionWhat.OTHER: "other",
}

_PLACES = {
    LesionPlace.SUPERIOR_CAVA: "superior vena cava",
    LesionPlace.INFERIOR_CAVA: "inferior vena cava",
    LesionPlace.CANNULATION_ZONE: "needle zone",
    LesionPlace.JUXTA_ANASTOMOTIC: "juxta-anastomotic segment",
    LesionPlace.GRAFT_ARTERY_ANASTOMOSIS: "graft-to-artery anastomosis",
    LesionPlace.GRAFT_VEIN_ANASTOMOSIS: "graft-to-vein anastomosis",
    LesionPlace.INTRAGRAFT: "graft itself",
    LesionPlace.SIDE_BRANCH: "side branch",
}

_SCALES = {
    Scale.SIR: "SIR letters",
    Scale.ASDIN: "ASDIN grades",
    Scale.STEAL_FOUR: "steal stages 1 to 4",
    Scale.STEAL_SVS: "steal grades 0 to 3",
    Scale.WORDS: "in words",
}

_TREATED = {
    TreatmentOutcome.SUCCESS: "called a success",
    TreatmentOutcome.PARTIAL: "called a partial success",
    TreatmentOutcome.FAILED: "failed",
    TreatmentOutcome.RECOIL: "recoil",
    TreatmentOutcome.RUPTURE: "rupture",
}

_EXCHANGES = {
    ExchangeForm.SAME_TUNNEL: "over a wire, in the same tunnel",
    ExchangeForm.NEW_EXIT: "over a wire, with a new exit",
    ExchangeForm.OVER_WIRE: "over a wire; the tunnel is not recorded",
    ExchangeForm.OUT_AND_BACK: "out, and back later",
    ExchangeForm.NEW_VEIN: "into another vein",
}

_KNOWN_BY = {
    KnownBy.IMAGING: "seen on imaging",
    KnownBy.CLOT_FOUND: "clot found",
    KnownBy.SURGERY: "seen at surgery",
    KnownBy.EXAMINATION: "by examination only, not confirmed",
    KnownBy.REPORTED: "as reported, not confirmed",
}


# --- Kinds that need more than a line -----------------------------------------------------------------------------


def _life_plan(fact: LifePlanReviewed) -> str:
    following = ""
    if fact.next_access is not None:
        following = f"next access: {access_name(fact.next_access, fact.next_side, site=fact.next_site)}"
    elif fact.next_side is not None or fact.next_site is not None:
        following = f"next access: {listed((side_words(fact.next_side), words_of(fact.next_site, '')))}"
    contingency = ""
    if fact.contingency is not None:
        vein = f" by the {words_of(fact.contingency_vein)} vein" if fact.contingency_vein else ""
        side = f" {side_words(fact.contingency_side)}" if fact.contingency_side else ""
        contingency = f"if it fails:{side} {words_of(fact.contingency)}{vein}"
    spare = listed(words_of(vein) for vein in fact.vessels_to_spare)
    return _tell(
        "Plan of the accesses looked at",
        f"next way of dialysis: {words_of(fact.modality_next)}" if fact.modality_next else "",
        following,
        contingency,
        f"veins to spare: {spare}" if spare else "",
        f"arm to spare: {side_words(fact.arm_to_spare)}" if fact.arm_to_spare else "",
        f"to be reviewed {on_day(fact.review_on)}" if fact.review_on else "",
    )


def _mapping(fact: VeinMapping) -> str:
    suitable = listed(
        access_name(one.access_kind, one.side, site=one.site, inflow=one.inflow, outflow=one.outflow)
        for one in fact.suitable_for
    )
    return _tell(
        "Vessels mapped" + (f", {side_words(fact.side)}" if fact.side else ""),
        *(mapped_vessel_words(vessel) for vessel in fact.vessels),
        f"judged suitable for {suitable}" if suitable else "",
    )


def mapped_vessel_words(vessel: MappedVessel) -> str:
    """A vessel of a mapping: side, name, segment, what was measured, and how."""
    which = vessel.vein or vessel.artery
    name = f"{words_of(which, 'vessel')} {'vein' if vessel.vein else 'artery' if vessel.artery else ''}".strip()
    where = f", {words_of(vessel.segment)}" if vessel.segment else ""
    side = f"{side_words(vessel.side)} " if vessel.side else ""
    return _commas(
        f"{side}{name}{where}" + (f" {quantity(vessel.diameter_mm, 'mm')}" if vessel.diameter_mm else ""),
        f"depth {quantity(vessel.depth_mm, 'mm')}" if vessel.depth_mm else "",
        _yes_no(vessel.compressible, "compressible", "not compressible"),
        _yes_no(vessel.calcified, "calcified", "not calcified"),
        _yes_no(vessel.tourniquet, "with tourniquet", "without tourniquet"),
    )


def _known(fact: AccessKnown) -> str:
    name = access_name(
        fact.access_kind,
        fact.side,
        site=fact.site,
        inflow=fact.inflow,
        outflow=fact.outflow,
        vein=fact.catheter_vein,
        configuration=fact.configuration,
    )
    return _tell(
        f"{'Named in a report' if fact.from_report_only else 'First met'}: {name}",
        f"made {on_day(fact.created)}" if fact.created else "when it was made is not recorded",
        words_of(fact.material, ""),
        f"arterial limb {words_of(fact.arterial_limb)}" if fact.arterial_limb else "",
        "" if fact.arterial_limb or fact.access_kind is not AccessKind.GRAFT else "arterial limb not recorded",
    )


def _creation(fact: Creation, words: WordsOf, names: NamesOf) -> str:
    name = access_name(
        fact.access_kind,
        fact.side,
        site=fact.site,
        inflow=fact.inflow,
        outflow=fact.outflow,
        configuration=fact.configuration,
    )
    graft = fact.access_kind is AccessKind.GRAFT
    stage = {Stage.FIRST: ", first stage of two", Stage.SECOND: ", second stage of two"}.get(
        fact.stage or Stage.ONLY, ""
    )
    limb = f"arterial limb {words_of(fact.arterial_limb)}" if fact.arterial_limb else ""
    if graft and not limb and fact.configuration in (None, Configuration.LOOP):
        limb = "arterial limb not recorded"
    return _tell(
        f"{'Placed' if graft else 'Made'}: {name}{stage}",
        words_of(fact.material, "")
        + (f" {quantity(fact.calibre_mm, 'mm')}" if fact.calibre_mm and fact.material else "")
        or (quantity(fact.calibre_mm, "mm")),
        limb,
        {"surgery": "by surgery", "percutaneous": "percutaneously"}[fact.made_by] if fact.made_by else "",
        f"begun out of {_name(names, fact.continues_from)}; the two stay tied" if fact.continues_from else "",
        _by(words, fact.operator),
    )


def _placed(fact: CatheterPlaced, words: WordsOf) -> str:
    side = fact.side
    if fact.access_kind is AccessKind.PERITONEAL:
        side = fact.exit_side or fact.side
    name = access_name(fact.access_kind, side, vein=fact.vein)
    leaves = ""
    if fact.access_kind is not AccessKind.PERITONEAL and (fact.exit_side or fact.exit_site):
        leaves = "exit " + " ".join(part for part in (_side(fact.exit_side), words_of(fact.exit_site, "")) if part)
    start = {
        PeritonealStart.BURIED: "buried under the skin",
        PeritonealStart.RESTING: "to rest before use",
        PeritonealStart.USED: "used at once",
    }
    return _tell(
        f"Placed: {name}",
        _size(fact.length_cm, fact.calibre_fr),
        f"{fact.lumens} lumens" if fact.lumens else "",
        leaves,
        f"tip in the {words_of(fact.tip)}" if fact.tip else "",
        _for_reason(fact.reason),
        start[fact.peritoneal_start] if fact.peritoneal_start and fact.access_kind is AccessKind.PERITONEAL else "",
        _by(words, fact.operator),
    )


def _exchanged(fact: CatheterExchanged, words: WordsOf) -> str:
    form = _EXCHANGES[fact.form] if fact.form else "form not recorded"
    where = " ".join(part for part in (_side(fact.side), words_of(fact.vein, "")) if part)
    return _tell(
        f"Catheter exchanged: {form}",
        f"now {words_of(fact.to_kind)}" if fact.to_kind else "",
        f"{where} vein" if fact.vein else where,
        f"{counted(fact.days_without, 'day')} without" if fact.days_without is not None else "",
        _size(fact.length_cm, fact.calibre_fr),
        f"tip in the {words_of(fact.tip)}" if fact.tip else "",
        _for_reason(fact.reason),
        _by(words, fact.operator),
    )


def _maturity(fact: MaturityAssessed) -> str:
    verdicts = {
        MaturityVerdict.READY: "Judged ready",
        MaturityVerdict.NOT_READY: "Judged not ready",
        MaturityVerdict.NEVER: "Judged that it will not become usable",
    }
    head = verdicts[fact.verdict] if fact.verdict else "Readiness looked at, no judgement recorded"
    rule = f"by the rule {fact.rule}" if fact.rule else "rule not recorded" if fact.verdict else ""
    return _tell(
        head,
        rule,
        f"diameter {quantity(fact.diameter_mm, 'mm')}" if fact.diameter_mm else "",
        f"depth {quantity(fact.depth_mm, 'mm')}" if fact.depth_mm else "",
        f"flow {quantity(fact.flow_ml_min, 'mL/min')}" if fact.flow_ml_min else "",
        _thrill(fact.thrill),
    )


def _needling(fact: FirstCannulation | CannulationSession) -> list[str]:
    gauge = f" of {fact.gauge} gauge" if fact.gauge is not None else ""
    needles = ""
    if fact.needles is not None:
        needles = counted(fact.needles, "needle") + gauge
    elif fact.gauge is not None:
        needles = f"{fact.gauge} gauge"
    return [
        needles,
        f"needle length {quantity(fact.needle_length_mm, 'mm')}" if fact.needle_length_mm else "",
        words_of(fact.technique, ""),
        f"blood flow {quantity(fact.blood_flow_ml_min, 'mL/min')}" if fact.blood_flow_ml_min else "",
        _trouble(fact.trouble),
    ]


def _session(fact: CannulationSession) -> str:
    sites = ""
    if fact.arterial_site_cm or fact.venous_site_cm:
        arterial = f"arterial {quantity(fact.arterial_site_cm, 'cm')}" if fact.arterial_site_cm else ""
        venous = f"venous {quantity(fact.venous_site_cm, 'cm')}" if fact.venous_site_cm else ""
        sites = f"sites {listed((arterial, venous))}"
    return _tell(
        "Session" + (f": {USES[fact.use][0].lower()}{USES[fact.use][1:]}" if fact.use else ""),
        *_needling(fact),
        sites,
        _yes_no(fact.arterial_needle_retrograde, "arterial needle against the flow", "arterial needle with the flow"),
        f"arterial pressure {quantity(fact.arterial_pressure_mmhg, 'mmHg')}" if fact.arterial_pressure_mmhg else "",
        f"venous pressure {quantity(fact.venous_pressure_mmhg, 'mmHg')}" if fact.venous_pressure_mmhg else "",
        f"{fact.minutes} minutes" if fact.minutes is not None else "",
        _yes_no(fact.completed, "", "not completed"),
        f"bled for {quantity(fact.bleeding_minutes, 'minutes')} after" if fact.bleeding_minutes else "",
    )


def _measurement(fact: Measurement) -> str:
    told = [
        (fact.flow_ml_min, "access flow", "mL/min"),
        (fact.blood_flow_ml_min, "blood flow", "mL/min"),
        (fact.recirculation_percent, "recirculation", "%"),
        (fact.reversed_recirculation_fraction, "recirculation with lines reversed", "(fraction)"),
        (fact.static_venous_pressure_mmhg, "static venous pressure", "mmHg"),
        (fact.static_arterial_pressure_mmhg, "static arterial pressure", "mmHg"),
        (fact.chamber_height_cm, "chamber height", "cm"),
        (fact.systolic_mmhg, "systolic", "mmHg"),
        (fact.diastolic_mmhg, "diastolic", "mmHg"),
        (fact.dynamic_venous_pressure_mmhg, "dynamic venous pressure", "mmHg"),
        (fact.urea_systemic, "urea systemic", ""),
        (fact.urea_arterial, "urea arterial line", ""),
        (fact.urea_venous, "urea venous line", ""),
        (fact.urea_before, "urea before", ""),
        (fact.urea_after, "urea after", ""),
        (fact.hours, "", "hours"),
        (fact.ultrafiltration_l, "ultrafiltration", "L"),
        (fact.weight_after_kg, "weight after", "kg"),
        (fact.kt_v, "Kt/V", ""),
        (fact.potassium_mmol_l, "potassium", "mmol/L"),
    ]
    parts = [f"{name} {quantity(value, unit)}".strip() for value, name, unit in told if value is not None]
    gauge = f"{fact.gauge} gauge" if fact.gauge is not None else ""
    how = f" ({words_of(fact.method)})" if fact.method else ""
    return _tell(f"Measured{how}", *(parts or ["no value recorded"]), gauge)


def _infection(fact: Infection) -> str:
    name = "Peritonitis" if fact.infection_class is InfectionClass.PERITONITIS else ""
    fates = {
        CatheterFate.KEPT: "catheter kept",
        CatheterFate.EXCHANGED: "catheter exchanged",
        CatheterFate.REMOVED: "catheter removed",
        CatheterFate.LOCKED: "catheter kept, with a lock",
    }
    return _tell(
        name or f"{_capital(words_of(fact.infection_class))} infection",
        words_of(fact.organism, ""),
        fates[fact.catheter_fate] if fact.catheter_fate else "",
        f"rests on {counted(len(fact.cultures), 'culture')}" if fact.cultures else "",
    )


def _culture(fact: Culture) -> str:
    result = _yes_no(fact.positive, "positive", "negative") or "result not recorded"
    if fact.organism is Organism.NO_GROWTH:
        result = "no growth" if fact.positive is not True else "positive"
    where = f" from {words_of(fact.specimen)}" if fact.specimen else ""
    organism = words_of(fact.organism, "") if fact.organism is not Organism.NO_GROWTH else ""
    return _tell(
        f"{'Clearance culture' if fact.clearance else 'Culture'} drawn{where}: {result}",
        organism,
        _yes_no(fact.final, "final", "not yet final"),
        f"reported {on_day(fact.reported_on)}" if fact.reported_on else "",
    )


def _course(fact: AntimicrobialCourse) -> str:
    end = f"ended {on_day(fact.until)}" if fact.until else ""
    if not end and fact.planned_until:
        end = f"planned until {day_words(fact.planned_until)}"
    return _tell(
        "Antimicrobial course begun" + (f" for {words_of(fact.reason)}" if fact.reason else ""),
        _yes_no(fact.intravenous, "intravenous", "not intravenous"),
        end or "end not recorded",
        _yes_no(fact.continued_from_hospital, "continued from hospital", ""),
    )


def _visit(fact: Visit, words: WordsOf, names: NamesOf) -> str:
    outcomes = {
        Outcome.DONE: "done",
        Outcome.PARTLY: "partly done",
        Outcome.GIVEN_UP: "given up part-way",
        Outcome.CANCELLED: "cancelled",
        Outcome.DECLINED: "declined",
    }
    why = listed(words_of(reason) for reason in fact.reasons)
    sheaths = listed(str(size) for size in fact.sheath_fr)
    holes = listed(place_words(place) for place in fact.sheath_places)
    contrast = {
        Contrast.IODINATED: "iodinated contrast",
        Contrast.CARBON_DIOXIDE: "carbon dioxide as contrast",
        Contrast.NONE: "no contrast",
    }
    sedation = {
        Sedation.NONE: "no sedation",
        Sedation.LOCAL: "local anaesthesia",
        Sedation.BLOCK: "regional block",
        Sedation.MODERATE: "moderate sedation",
        Sedation.GENERAL: "general anaesthesia",
    }
    drugs = []
    for drug in fact.drugs:
        dose = f" {drug.dose} {drug.unit or ''}".rstrip() if drug.dose else ""
        drugs.append(f"{drug.what}{dose}{' ' + said(words, drug.words) if drug.words else ''}")
    return _tell(
        "Visit" + (f" to {_name(names, fact.centre)}" if fact.centre else ""),
        outcomes[fact.outcome] if fact.outcome else "outcome not recorded",
        f"why: {why}" if why else "",
        sedation[fact.sedation] if fact.sedation else "",
        _commas(contrast[fact.contrast] if fact.contrast else "", quantity(fact.contrast_ml, "mL")),
        f"fluoroscopy {quantity(fact.fluoroscopy_min, 'min')}" if fact.fluoroscopy_min else "",
        f"given: {listed(drugs)}" if drugs else "",
        f"sheath {sheaths} Fr{', ' + holes if holes else ''}" if sheaths else f"sheath {holes}" if holes else "",
        *(visit_complications(fact, words)),
        _by(words, fact.operator),
    )


def visit_complications(fact: Visit, words: WordsOf) -> list[str]:
    """The complications of a visit, each with the scheme of its grade and how it was dealt with."""
    told = []
    for one in fact.complications:
        if one.what is ComplicationKind.NONE:
            told.append("said to be without complication")
            continue
        dealt = said(words, one.dealt_with)
        told.append(
            _commas(
                f"complication: {_complication_words(one.what)}",
                grade_words(one.scale, one.grade),
                f"dealt with: {dealt}" if dealt else "",
            )
        )
    return told


def _looked(fact: Angiogram | Imaging) -> list[str]:
    clots = {
        ClotExtent.OCCLUSIVE: "occluded by clot",
        ClotExtent.PARTIAL: "partial clot",
        ClotExtent.MURAL: "mural clot",
    }
    central = {
        CentralVeins.PATENT: "central veins patent",
        CentralVeins.STENOSED: "central veins stenosed",
        CentralVeins.OCCLUDED: "central veins occluded",
        CentralVeins.NOT_SEEN: "central veins not seen",
    }
    return [
        *(lesion_words(lesion) for lesion in fact.lesions),
        clots[fact.clot] if fact.clot else "",
        _yes_no(fact.flow_seen, "flow seen", "no flow seen"),
        central[fact.central_veins] if fact.central_veins else "",
    ]


def _revision(fact: Revision, words: WordsOf) -> str:
    how = listed(words_of(method) for method in fact.methods)
    vessels = vessels_words(fact.inflow, fact.outflow)
    return _tell(
        "Revised" + (f": {how}" if how else ", how not recorded"),
        _for(fact.reason),
        place_words(fact.place),
        f"now {vessels}" if vessels else "",
        words_of(fact.material, ""),
        _before_after(fact.flow_before_ml_min, fact.flow_after_ml_min),
        _by(words, fact.operator),
    )


def _reviewed(fact: ReportReviewed) -> str:
    named = {
        Fate.ACCEPTED: "accepted",
        Fate.EDITED: "accepted after a change",
        Fate.DISMISSED: "dismissed",
        Fate.LEFT: "left open",
        Fate.REFUSED: "refused, waiting",
        Fate.ALREADY_KNOWN: "known already",
    }
    fates = [
        f"{sum(1 for one in fact.fates if one.fate is fate)} {words}"
        for fate, words in named.items()
        if any(one.fate is fate for one in fact.fates)
    ]
    proposed = counted(len(fact.fates), "proposal")
    return _tell(f"A person went through the report {fact.report[:10]}: {proposed}", *fates)


def _resolved_trouble(fact: CatheterTrouble) -> str:
    if fact.what is CatheterTroubleKind.LYTIC_DWELL:
        return _yes_no(fact.resolved, "flow came back", "flow did not come back")
    return _yes_no(fact.resolved, "said to be over", "not over")


# --- Small parts --------------------------------------------------------------------------------------------------


def because(reason: AbandonmentReason) -> str:
    """Why an access was given up, as one says it.

    >>> because(AbandonmentReason.THROMBOSIS), because(AbandonmentReason.NOT_MATURED)
    ('because of thrombosis', 'because it did not mature')
    """
    said_so = {
        AbandonmentReason.NOT_MATURED: "because it did not mature",
        AbandonmentReason.WISH: "at the patient's wish",
        AbandonmentReason.REPLACED: "because another took its place",
        AbandonmentReason.OTHER: "for another reason",
    }
    return said_so.get(reason) or f"because of {words_of(reason)}"


def _for(reason: Finding | None) -> str:
    """Why something was done, where that says anything."""
    return f"for {words_of(reason)}" if reason is not None and reason is not Finding.OTHER else ""


def _told_to(words: WordsOf, to: Words | None) -> str:
    return f"told to {said(words, to)}" if to is not None else ""


def _tell(head: str, *parts: str) -> str:
    held = [part for part in parts if part]
    text = f"{head}; {'; '.join(held)}" if held else head
    return _capital(text if text.endswith((".", '."')) else f"{text}.")


def _commas(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _capital_not(text: str) -> str:
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def _yes_no(value: bool | None, yes: str, no: str) -> str:
    return "" if value is None else yes if value else no


def _why(words: WordsOf, why: Words | None) -> str:
    return f"why: {said(words, why)}" if why is not None else ""


def _by(words: WordsOf, operator: Words | None) -> str:
    return f"operator: {said(words, operator)}" if operator is not None else ""


def _name(names: NamesOf, key: str | None) -> str:
    return "not recorded" if key is None else names(key) or key


def _at(names: NamesOf, unit: str | None, shift: str | None) -> str:
    return _commas(f"unit {_name(names, unit)}" if unit else "", f"shift {_name(names, shift)}" if shift else "")


def _side(side: Side | None) -> str:
    return side.value.upper() if side else ""


def _size(length: Measured | None, calibre: Measured | None) -> str:
    return _commas(quantity(length, "cm"), quantity(calibre, "Fr"))


def _for_reason(reason: CatheterReason | None) -> str:
    return f"reason: {words_of(reason)}" if reason else ""


def _thrill(thrill: Thrill | None) -> str:
    if thrill is None:
        return ""
    return "no thrill found" if thrill is Thrill.ABSENT else f"{words_of(thrill)} thrill"


def _trouble(trouble: NeedleTrouble | None) -> str:
    if trouble is None:
        return ""
    return "no trouble recorded" if trouble is NeedleTrouble.NONE else f"trouble: {words_of(trouble)}"


def _known_by(how: KnownBy | None) -> str:
    return _KNOWN_BY[how] if how else "how it was known is not recorded"


def _complication_words(what: ComplicationKind) -> str:
    return "said to be without complication" if what is ComplicationKind.NONE else words_of(what)


def _stenosis(percent: Measured | None, grade: Grade | None) -> str:
    if grade is Grade.OCCLUDED:
        return _commas("occlusion", quantity(percent, "%"))
    if grade is Grade.NONE:
        return "no stenosis"
    word = "" if grade in (None, Grade.PRESENT) else f"{words_of(grade)} "
    if percent is not None:
        return f"{word}{quantity(percent, '%')} stenosis"
    return f"{word}stenosis"


def _at_place(place: LesionPlace | None) -> str:
    if place is None:
        return "at a place not recorded"
    return f"{'at' if place in _AT else 'in'} the {place_words(place)}"


_AT = frozenset(
    {
        LesionPlace.ARTERIAL_ANASTOMOSIS,
        LesionPlace.SWING_POINT,
        LesionPlace.GRAFT_ARTERY_ANASTOMOSIS,
        LesionPlace.GRAFT_VEIN_ANASTOMOSIS,
        LesionPlace.CATHETER_TIP,
    }
)


def _before_after(before: Measured | None, after: Measured | None) -> str:
    return _commas(
        f"flow before {quantity(before, 'mL/min')}" if before else "",
        f"flow after {quantity(after, 'mL/min')}" if after else "",
    )
