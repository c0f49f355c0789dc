"""What can happen to a vascular access, and to the person who has it.

One frozen class per thing that a clinician would say in the past tense. Classes carry
facts and no behaviour; who said so, and on what evidence, is the business of `entries`.

A fact holds codes, numbers, dates, ids and references to texts, and no words: words
are `Words`, a stretch of a text that the ledger keeps in a table of its own, so that
they can be erased by law while the chain of entries still verifies.

To add a kind, declare it here and name it in `Fact`. mypy and the tests will then ask
you for its admission, its sentence in the history and its FHIR mapper (DEVELOPERS.md).

Quantities are `Measured`; the unit is the end of the field's name. None means that
nobody recorded it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.vocabulary import (
    AbandonmentHow,
    AbandonmentReason,
    AccessKind,
    Allergen,
    AppointmentState,
    ArmSegment,
    Artery,
    BackgroundWhat,
    BandingMethod,
    Bruit,
    CatheterFate,
    CatheterReason,
    CatheterTroubleKind,
    CentralVeins,
    ClotExtent,
    ComplicationKind,
    Configuration,
    Contrast,
    CourseReason,
    DecisionWhat,
    EndOfFollowUp,
    ExchangeForm,
    Fate,
    Finding,
    Grade,
    GraftMaterial,
    HandState,
    ImagingModality,
    InfectionClass,
    InstructionWhat,
    KnownBy,
    LesionPlace,
    Limb,
    MadeBy,
    MaturityVerdict,
    MeasurementMethod,
    Modality,
    NeedleTechnique,
    NeedleTrouble,
    Organism,
    OtherIntervention,
    Outcome,
    PeritonealStart,
    Pulse,
    ReminderLine,
    RevisionMethod,
    Scale,
    SecondStageForm,
    Sedation,
    Side,
    Site,
    SkinState,
    Specimen,
    Stage,
    Thrill,
    ThrombectomyMethod,
    TipPlace,
    TreatmentOutcome,
    Urgency,
    Use,
    Vein,
)

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema


@dataclass(frozen=True)
class _IdRule:
    """Guards an id at the border: letters, digits and `. _ : -`, at most 64. Never a person's name."""

    pattern: str = r"^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        return core_schema.str_schema(pattern=self.pattern, strict=True)


AccessId = Annotated[str, _IdRule()]
VisitId = Annotated[str, _IdRule()]
LesionId = Annotated[str, _IdRule()]
DeviceId = Annotated[str, _IdRule()]
ReportId = Annotated[str, _IdRule()]
EntryId = Annotated[str, _IdRule()]
PatientId = Annotated[str, _IdRule()]
PersonId = Annotated[str, _IdRule()]
UnitId = Annotated[str, _IdRule()]
CentreId = Annotated[str, _IdRule()]
RuleId = Annotated[str, _IdRule()]

GradeWord = Annotated[str, _IdRule(r"^[A-Za-z0-9][A-Za-z0-9 -]{0,11}$")]
"""A grade in the letters of its scheme: `B`, `II`, `3`. Too short for a name."""

_STRICT: dict[str, Any] = {"extra": "forbid"}


@dataclass(frozen=True, kw_only=True)
class Words:
    """A stretch of a text that the ledger keeps: code points `start` to `end` of text `text`.

    `text` is a salted digest of the whole text, so the entry commits to the words without holding them.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    text: Annotated[str, _IdRule()]
    start: int
    end: int


@dataclass(frozen=True, kw_only=True)
class Happening:
    """Something that happened to a patient, as precisely dated as it was said."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    kind: str
    happened: PartialDate
    note: Words | None = None


@dataclass(frozen=True, kw_only=True)
class AccessEvent(Happening):
    """Something that happened to one access."""

    access: AccessId


@dataclass(frozen=True, kw_only=True)
class Intervention(AccessEvent):
    """An operation on an access; the entries of one visit share its id."""

    visit: VisitId | None = None


# --- The person: care, modality, coming and going -----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class CareBegan(Happening):
    """This unit began to look after the patient. Not the first dialysis ever, unless the unit was the first."""

    kind: Literal["care-began"] = "care-began"
    unit: UnitId | None = None
    shift: UnitId | None = None
    modality: Modality | None = None
    first_dialysis: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class ModalityChanged(Happening):
    """From now on the patient dialyses another way. The old access does not leave the body by that."""

    kind: Literal["modality-changed"] = "modality-changed"
    to: Modality
    unit: UnitId | None = None
    shift: UnitId | None = None


@dataclass(frozen=True, kw_only=True)
class HospitalStay(Happening):
    """The patient was in hospital; what was done there may reach us late or never. `happened` is the admission."""

    kind: Literal["hospital-stay"] = "hospital-stay"
    until: PartialDate | None = None
    because_of_access: bool | None = None
    access_looked_at: bool | None = None


@dataclass(frozen=True, kw_only=True)
class FirstSeenHere(Happening):
    """Arrival from elsewhere: what is in the body, and what is unknown."""

    kind: Literal["first-seen-here"] = "first-seen-here"
    accesses_found: tuple[AccessId, ...] = ()
    papers_asked_for: bool | None = None
    history_unknown_before: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class FollowUpEnded(Happening):
    """We no longer follow the patient. Says nothing about any access: it censors, it does not end patency."""

    kind: Literal["follow-up-ended"] = "follow-up-ended"
    reason: EndOfFollowUp


@dataclass(frozen=True, kw_only=True)
class FollowUpResumed(Happening):
    """The patient is ours again."""

    kind: Literal["follow-up-resumed"] = "follow-up-resumed"
    unit: UnitId | None = None
    shift: UnitId | None = None
    modality: Modality | None = None


@dataclass(frozen=True, kw_only=True)
class BackgroundItem:
    """One thing that changes a needle or a procedure."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    what: BackgroundWhat
    allergen: Allergen | None = None
    side: Side | None = None
    vein: Vein | None = None
    since: PartialDate | None = None
    until: PartialDate | None = None
    last_dose: PartialDate | None = None  # of an anticoagulant or antiplatelet, as told on that day
    words: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Background(Happening):
    """What changes a needle or a procedure, as told. `happened` is the day on which it was last checked.

    A newer background of the same `what` replaces the older one for the brief; `withdrawn` says what no
    longer holds.
    """

    kind: Literal["background"] = "background"
    items: tuple[BackgroundItem, ...]
    withdrawn: tuple[BackgroundWhat, ...] = ()
    told_by: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Decision(Happening):
    """What the patient chose, or what was decided with them. Ends the reminders that it answers, until its review."""

    kind: Literal["decision"] = "decision"
    what: DecisionWhat
    access: AccessId | None = None
    by_patient: bool | None = None
    review_on: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class LifePlanReviewed(Happening):
    """The plan of the patient's accesses was looked at: what next, what if this one fails, what to spare."""

    kind: Literal["life-plan-reviewed"] = "life-plan-reviewed"
    modality_next: Modality | None = None
    next_access: AccessKind | None = None
    next_side: Side | None = None
    next_site: Site | None = None
    contingency: AccessKind | None = None
    contingency_vein: Vein | None = None
    contingency_side: Side | None = None
    vessels_to_spare: tuple[Vein, ...] = ()
    arm_to_spare: Side | None = None
    review_on: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class MappedVessel:
    """One vessel in one segment, as the ultrasound showed it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    side: Side | None = None
    vein: Vein | None = None
    artery: Artery | None = None
    segment: ArmSegment | None = None
    diameter_mm: Measured | None = None
    depth_mm: Measured | None = None
    compressible: bool | None = None
    calcified: bool | None = None
    tourniquet: bool | None = None


@dataclass(frozen=True, kw_only=True)
class SuitableFor:
    """A kind of access that was judged possible."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    access_kind: AccessKind
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None


@dataclass(frozen=True, kw_only=True)
class VeinMapping(Happening):
    """The vessels were looked at before an access is made. It grows old: the day counts."""

    kind: Literal["vein-mapping"] = "vein-mapping"
    side: Side | None = None
    vessels: tuple[MappedVessel, ...] = ()
    suitable_for: tuple[SuitableFor, ...] = ()
    visit: VisitId | None = None


# --- An access comes into being -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class AccessPlanned(AccessEvent):
    """Somebody decided to make this access. Nothing is in the body yet."""

    kind: Literal["access-planned"] = "access-planned"
    access_kind: AccessKind
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    planned_for: PartialDate | None = None
    why: Words | None = None


@dataclass(frozen=True, kw_only=True)
class AccessKnown(AccessEvent):
    """An access first met from elsewhere, or in a report about something else.

    `happened` is the day on which it was met; `created` is when it was made, if anybody said. What is None is unknown.
    """

    kind: Literal["access-known"] = "access-known"
    access_kind: AccessKind | None = None
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    catheter_vein: Vein | None = None
    configuration: Configuration | None = None
    material: GraftMaterial | None = None
    arterial_limb: Limb | None = None
    created: PartialDate | None = None
    from_report_only: bool = False


@dataclass(frozen=True, kw_only=True)
class Creation(Intervention):
    """A surgeon or an interventionalist made a fistula or placed a graft. It exists; it is not yet ready to needle."""

    kind: Literal["creation"] = "creation"
    access_kind: Literal[AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID]
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    configuration: Configuration | None = None
    material: GraftMaterial | None = None
    calibre_mm: Measured | None = None
    arterial_limb: Limb | None = None
    stage: Stage | None = None
    made_by: MadeBy | None = None
    device: DeviceId | None = None
    operator: Words | None = None
    continues_from: AccessId | None = None  # "begins a new one" out of this access; the two stay tied


@dataclass(frozen=True, kw_only=True)
class CatheterPlaced(Intervention):
    """A dialysis catheter was put in. For a central line `vein` and `side` are of the vein, `exit_*` of the skin."""

    kind: Literal["catheter-placed"] = "catheter-placed"
    access_kind: Literal[AccessKind.TUNNELLED, AccessKind.NONTUNNELLED, AccessKind.PERITONEAL]
    vein: Vein | None = None
    side: Side | None = None
    exit_side: Side | None = None
    exit_site: Site | None = None
    device: DeviceId | None = None
    length_cm: Measured | None = None
    calibre_fr: Measured | None = None
    lumens: int | None = None
    tip: TipPlace | None = None
    reason: CatheterReason | None = None
    peritoneal_start: PeritonealStart | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class CatheterExchanged(Intervention):
    """One catheter out, another in, and the access goes on. One event: not a removal and a placement."""

    kind: Literal["catheter-exchanged"] = "catheter-exchanged"
    form: ExchangeForm | None = None
    to_kind: Literal[AccessKind.TUNNELLED, AccessKind.NONTUNNELLED, AccessKind.PERITONEAL] | None = None
    vein: Vein | None = None
    side: Side | None = None
    old_device: DeviceId | None = None
    device: DeviceId | None = None
    length_cm: Measured | None = None
    calibre_fr: Measured | None = None
    tip: TipPlace | None = None
    reason: CatheterReason | None = None
    days_without: int | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class CatheterRemoved(Intervention):
    """The catheter is out of the body."""

    kind: Literal["catheter-removed"] = "catheter-removed"
    reason: CatheterReason | None = None
    device: DeviceId | None = None
    whole: bool | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class SecondStage(Intervention):
    """The vein of a two-stage fistula was brought to where a needle reaches it. Days to needling count from here."""

    kind: Literal["second-stage"] = "second-stage"
    form: SecondStageForm | None = None
    outflow: Vein | None = None
    operator: Words | None = None


# --- Looking after it ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class MaturityAssessed(AccessEvent):
    """Somebody judged whether the access is ready. Patent is not mature, and mature is not used."""

    kind: Literal["maturity-assessed"] = "maturity-assessed"
    verdict: MaturityVerdict | None = None
    rule: RuleId | None = None
    diameter_mm: Measured | None = None
    depth_mm: Measured | None = None
    flow_ml_min: Measured | None = None
    thrill: Thrill | None = None


@dataclass(frozen=True, kw_only=True)
class FirstCannulation(AccessEvent):
    """The first needle ever in this access. It does not prove the access."""

    kind: Literal["first-cannulation"] = "first-cannulation"
    needles: int | None = None
    gauge: int | None = None
    needle_length_mm: Measured | None = None
    blood_flow_ml_min: Measured | None = None
    technique: NeedleTechnique | None = None
    trouble: NeedleTrouble | None = None


@dataclass(frozen=True, kw_only=True)
class AccessUsed(AccessEvent):
    """Which access was used on this day, or in this month."""

    kind: Literal["access-used"] = "access-used"
    use: Use


@dataclass(frozen=True, kw_only=True)
class CannulationSession(AccessEvent):
    """One dialysis through this access. Lives in the patient's second stream."""

    kind: Literal["cannulation-session"] = "cannulation-session"
    use: Use | None = None
    needles: int | None = None
    gauge: int | None = None
    needle_length_mm: Measured | None = None
    technique: NeedleTechnique | None = None
    arterial_site_cm: Measured | None = None  # distance from the anastomosis or the exit
    venous_site_cm: Measured | None = None
    arterial_needle_retrograde: bool | None = None
    blood_flow_ml_min: Measured | None = None
    arterial_pressure_mmhg: Measured | None = None
    venous_pressure_mmhg: Measured | None = None
    minutes: int | None = None
    completed: bool | None = None
    trouble: NeedleTrouble | None = None
    bleeding_minutes: Measured | None = None


@dataclass(frozen=True, kw_only=True)
class Examination(AccessEvent):
    """Look, listen, feel. "No thrill found" is a finding of its own and not yet a thrombosis."""

    kind: Literal["examination"] = "examination"
    thrill: Thrill | None = None
    bruit: Bruit | None = None
    pulse: Pulse | None = None
    augments: bool | None = None
    collapses_on_elevation: bool | None = None
    swelling: bool | None = None
    collaterals: bool | None = None
    aneurysm: bool | None = None
    skin: tuple[SkinState, ...] = ()
    hand: tuple[HandState, ...] = ()
    exit_site_clean: bool | None = None
    fever: bool | None = None
    told_to: Words | None = None  # who was told of it, and who answered


@dataclass(frozen=True, kw_only=True)
class Measurement(AccessEvent):
    """Raw numbers and how they were taken; ratios and rates are computed from them and shown with their working."""

    kind: Literal["measurement"] = "measurement"
    method: MeasurementMethod | None = None
    flow_ml_min: Measured | None = None
    blood_flow_ml_min: Measured | None = None
    recirculation_percent: Measured | None = None
    reversed_recirculation_fraction: Measured | None = None
    static_venous_pressure_mmhg: Measured | None = None
    static_arterial_pressure_mmhg: Measured | None = None
    chamber_height_cm: Measured | None = None
    systolic_mmhg: Measured | None = None
    diastolic_mmhg: Measured | None = None
    dynamic_venous_pressure_mmhg: Measured | None = None
    gauge: int | None = None
    urea_systemic: Measured | None = None  # any one unit for the three; only their ratio is used
    urea_arterial: Measured | None = None
    urea_venous: Measured | None = None
    urea_before: Measured | None = None
    urea_after: Measured | None = None
    hours: Measured | None = None
    ultrafiltration_l: Measured | None = None
    weight_after_kg: Measured | None = None
    kt_v: Measured | None = None
    potassium_mmol_l: Measured | None = None  # asked for before an intervention; stale after its day


@dataclass(frozen=True, kw_only=True)
class Thrombosis(AccessEvent):
    """The access clotted. A mural or partial clot in an access that flows is not this."""

    kind: Literal["thrombosis"] = "thrombosis"
    known_by: KnownBy | None = None
    last_known_patent: PartialDate | None = None
    visit: VisitId | None = None


@dataclass(frozen=True, kw_only=True)
class Complication(AccessEvent):
    """Something went wrong with the access outside a visit. A grade without its scheme means nothing."""

    kind: Literal["complication"] = "complication"
    what: ComplicationKind
    scale: Scale | None = None
    grade: GradeWord | None = None
    diameter_mm: Measured | None = None
    place: LesionPlace | None = None
    visit: VisitId | None = None
    resolved: bool | None = None  # said to be over, by whoever records it
    told_to: Words | None = None


@dataclass(frozen=True, kw_only=True)
class CatheterTrouble(AccessEvent):
    """The catheter gave trouble. Open until a later entry closes it."""

    kind: Literal["catheter-trouble"] = "catheter-trouble"
    what: CatheterTroubleKind
    blood_flow_ml_min: Measured | None = None
    arterial_pressure_mmhg: Measured | None = None
    resolved: bool | None = None
    told_to: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Infection(AccessEvent):
    """An infection of this access, of one class. `happened` is the onset."""

    kind: Literal["infection"] = "infection"
    infection_class: InfectionClass
    organism: Organism | None = None
    catheter_fate: CatheterFate | None = None
    cultures: tuple[EntryId, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Culture(Happening):
    """A culture was drawn; its result may come before any diagnosis. `happened` is when it was drawn."""

    kind: Literal["culture"] = "culture"
    specimen: Specimen | None = None
    positive: bool | None = None
    organism: Organism | None = None
    final: bool | None = None
    clearance: bool | None = None  # drawn to see whether an infection has cleared
    access: AccessId | None = None
    reported_on: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class AntimicrobialCourse(Happening):
    """A course of an antimicrobial was started. Recorded, never suggested: no drug and no dose is in here."""

    kind: Literal["antimicrobial-course"] = "antimicrobial-course"
    reason: CourseReason | None = None
    intravenous: bool | None = None
    until: PartialDate | None = None
    planned_until: PartialDate | None = None
    continued_from_hospital: bool | None = None
    access: AccessId | None = None


# --- To the access centre and back --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Referral(Happening):
    """Somebody asked the access centre for something."""

    kind: Literal["referral"] = "referral"
    access: AccessId | None = None
    why: tuple[Finding, ...] = ()
    urgency: Urgency | None = None
    centre: CentreId | None = None
    findings: tuple[EntryId, ...] = ()
    question: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Appointment(Happening):
    """A date at the access centre was made, moved, kept or not. `happened` is when that became known."""

    kind: Literal["appointment"] = "appointment"
    state: AppointmentState
    access: AccessId | None = None
    on: PartialDate | None = None
    centre: CentreId | None = None
    referral: EntryId | None = None


@dataclass(frozen=True, kw_only=True)
class VisitComplication:
    """A complication of a visit, with the scheme of its grade and how it was dealt with."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    what: ComplicationKind
    scale: Scale | None = None
    grade: GradeWord | None = None
    dealt_with: Words | None = None


@dataclass(frozen=True, kw_only=True)
class DrugGiven:
    """Heparin or a lytic during the visit, as the report says it. Never proposed by the ledger."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    what: Literal["heparin", "lytic", "protamine", "antimicrobial", "other"]
    dose: Measured | None = None
    unit: Literal["units", "mg"] | None = None
    words: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Visit(AccessEvent):
    """What the entries of one procedure share. `outcome` says whether it was done, given up, cancelled or declined."""

    kind: Literal["visit"] = "visit"
    visit: VisitId
    outcome: Outcome | None = None
    centre: CentreId | None = None
    operator: Words | None = None
    reasons: tuple[Finding, ...] = ()
    sedation: Sedation | None = None
    contrast: Contrast | None = None
    contrast_ml: Measured | None = None
    fluoroscopy_min: Measured | None = None
    drugs: tuple[DrugGiven, ...] = ()
    sheath_fr: tuple[Measured, ...] = ()
    sheath_places: tuple[LesionPlace, ...] = ()  # where the sheaths went in: nobody needles a fresh hole
    complications: tuple[VisitComplication, ...] = ()
    referral: EntryId | None = None


@dataclass(frozen=True, kw_only=True)
class LesionFound:
    """A narrowing or an occlusion as it was found. Percent and grade only as given; never one made of the other."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    lesion: LesionId
    place: LesionPlace | None = None
    side: Side | None = None
    stenosis_percent: Measured | None = None
    grade: Grade | None = None
    reference_mm: Measured | None = None
    smallest_mm: Measured | None = None
    length_mm: Measured | None = None
    in_stent: bool | None = None
    left_alone: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Angiogram(Intervention):
    """The access was looked at with contrast. Holds what was found, and no treatment: it does not end patency."""

    kind: Literal["angiogram"] = "angiogram"
    lesions: tuple[LesionFound, ...] = ()
    clot: ClotExtent | None = None
    central_veins: CentralVeins | None = None
    flow_seen: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Imaging(AccessEvent):
    """Duplex, CT, MR or a film: the access was looked at without being entered."""

    kind: Literal["imaging"] = "imaging"
    modality: ImagingModality | None = None
    lesions: tuple[LesionFound, ...] = ()
    clot: ClotExtent | None = None
    central_veins: CentralVeins | None = None
    flow_seen: bool | None = None
    flow_ml_min: Measured | None = None
    diameter_mm: Measured | None = None
    depth_mm: Measured | None = None
    tip: TipPlace | None = None


@dataclass(frozen=True, kw_only=True)
class Balloon:
    """One balloon that was inflated in a lesion."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    diameter_mm: Measured | None = None
    length_mm: Measured | None = None
    pressure_atm: Measured | None = None
    coated: bool | None = None
    cutting: bool | None = None


@dataclass(frozen=True, kw_only=True)
class LesionTreated:
    """What was done to a lesion and what was left.

    `found_percent` and `found_grade` stand here only where no angiogram of the same visit tells them: no lesion is
    told twice.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    lesion: LesionId
    place: LesionPlace | None = None
    side: Side | None = None
    found_percent: Measured | None = None
    found_grade: Grade | None = None
    in_stent: bool | None = None
    balloons: tuple[Balloon, ...] = ()
    residual_percent: Measured | None = None
    residual_grade: Grade | None = None
    outcome: TreatmentOutcome | None = None


@dataclass(frozen=True, kw_only=True)
class Angioplasty(Intervention):
    """Lesions were opened with a balloon. A balloon as a sizer, or to pull clot or break a sheath, is not this."""

    kind: Literal["angioplasty"] = "angioplasty"
    lesions: tuple[LesionTreated, ...] = ()
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class StentPlaced:
    """One stent or stent graft, where it lies, and what it left of the lesion."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    device: DeviceId
    covered: bool | None = None
    coated: bool | None = None
    diameter_mm: Measured | None = None
    length_mm: Measured | None = None
    place: LesionPlace | None = None
    side: Side | None = None
    lesion: LesionId | None = None
    across_needle_zone: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Stent(Intervention):
    """A stent or stent graft was placed. Nobody needles through it without the access centre's word."""

    kind: Literal["stent"] = "stent"
    stents: tuple[StentPlaced, ...] = ()
    lesions: tuple[LesionTreated, ...] = ()
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Thrombectomy(Intervention):
    """Clot was taken out of the access. `success` brings the flow back; a failed one does not."""

    kind: Literal["thrombectomy"] = "thrombectomy"
    methods: tuple[ThrombectomyMethod, ...] = ()
    success: bool | None = None
    residual_clot: ClotExtent | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Banding(Intervention):
    """The access was narrowed on purpose, for steal or high flow."""

    kind: Literal["banding"] = "banding"
    reason: Literal[Finding.STEAL, Finding.HIGH_FLOW, Finding.OTHER] | None = None
    method: BandingMethod | None = None
    calibre_mm: Measured | None = None
    flow_before_ml_min: Measured | None = None
    flow_after_ml_min: Measured | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Revision(Intervention):
    """A surgeon changed the access and it goes on."""

    kind: Literal["revision"] = "revision"
    methods: tuple[RevisionMethod, ...] = ()
    reason: Finding | None = None
    place: LesionPlace | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    material: GraftMaterial | None = None
    flow_before_ml_min: Measured | None = None
    flow_after_ml_min: Measured | None = None
    device: DeviceId | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class OtherInterventionDone(Intervention):
    """A side branch tied or coiled, a sheath disrupted, something retrieved, a catheter repositioned."""

    kind: Literal["other-intervention"] = "other-intervention"
    what: OtherIntervention
    reason: Finding | None = None
    place: LesionPlace | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Instruction(AccessEvent):
    """What the report said about afterwards. In force from `from_day` until `until`, or until something ends it."""

    kind: Literal["instruction"] = "instruction"
    what: InstructionWhat
    from_day: PartialDate | None = None
    until: PartialDate | None = None
    gauge: int | None = None
    needles: int | None = None
    highest_blood_flow_ml_min: Measured | None = None
    sutures: int | None = None
    due: PartialDate | None = None
    test: ImagingModality | None = None
    place: LesionPlace | None = None
    visit: VisitId | None = None
    words: Words | None = None


# --- The end of an access, and after ------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Abandonment(Intervention):
    """The access was given up. Given up alone leaves it in the body; ligation or excision is an operation."""

    kind: Literal["abandonment"] = "abandonment"
    how: AbandonmentHow
    reason: AbandonmentReason | None = None
    last_known_patent: PartialDate | None = None
    operator: Words | None = None


@dataclass(frozen=True, kw_only=True)
class TakenUpAgain(AccessEvent):
    """An access given up is used again. The abandonment was true then and stays."""

    kind: Literal["taken-up-again"] = "taken-up-again"
    why: Words | None = None


@dataclass(frozen=True, kw_only=True)
class SetAside(Happening):
    """A person put a reminder off until a day, with a reason."""

    kind: Literal["set-aside"] = "set-aside"
    line: ReminderLine
    until: PartialDate
    access: AccessId | None = None
    about: EntryId | None = None
    why: Words | None = None


# --- About entries, reports and identities ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Correction(Happening):
    """An entry said something untrue; this is what is true instead. `happened` is that of the corrected fact.

    `corrects` is the entry in force when it was made; `root` the first one of its chain, whose id other systems know.
    """

    kind: Literal["correction"] = "correction"
    corrects: EntryId
    root: EntryId
    to: Fact
    why: Words | None = None


@dataclass(frozen=True, kw_only=True)
class Retraction(Happening):
    """An entry should never have been made. `happened` is when that was said."""

    kind: Literal["retraction"] = "retraction"
    retracts: EntryId
    why: Words | None = None


@dataclass(frozen=True, kw_only=True)
class ProposalFate:
    """What became of one proposal of a report."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    kind: Annotated[str, _IdRule()]
    ordinal: int
    fate: Fate
    access: AccessId | None = None
    entry: EntryId | None = None
    edited: tuple[Annotated[str, _IdRule()], ...] = ()
    reason: Words | None = None


@dataclass(frozen=True, kw_only=True)
class ReportReviewed(Happening):
    """A person went through a report: what the reader proposed, and what became of each."""

    kind: Literal["report-reviewed"] = "report-reviewed"
    report: ReportId
    reader: Annotated[str, _IdRule()]
    fates: tuple[ProposalFate, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReportMoved(Happening):
    """A report was about somebody else. Stands in the stream that it leaves, where its entries no longer count."""

    kind: Literal["report-moved"] = "report-moved"
    report: ReportId
    to_patient: PatientId


@dataclass(frozen=True, kw_only=True)
class AccessesAreOne(Happening):
    """Two accesses turned out to be one. Read through; the streams do not move."""

    kind: Literal["accesses-are-one"] = "accesses-are-one"
    survivor: AccessId
    other: AccessId


@dataclass(frozen=True, kw_only=True)
class AccessSplit(Happening):
    """One access turned out to be two: the named entries belong to `part`."""

    kind: Literal["access-split"] = "access-split"
    access: AccessId
    part: AccessId
    entries: tuple[EntryId, ...]


@dataclass(frozen=True, kw_only=True)
class PatientsAreOne(Happening):
    """Two records are of one patient. In the survivor's stream; the other's entries are read through."""

    kind: Literal["patients-are-one"] = "patients-are-one"
    other: PatientId


Fact = (
    CareBegan
    | ModalityChanged
    | HospitalStay
    | FirstSeenHere
    | FollowUpEnded
    | FollowUpResumed
    | Background
    | Decision
    | LifePlanReviewed
    | VeinMapping
    | AccessPlanned
    | AccessKnown
    | Creation
    | CatheterPlaced
    | CatheterExchanged
    | CatheterRemoved
    | SecondStage
    | MaturityAssessed
    | FirstCannulation
    | AccessUsed
    | CannulationSession
    | Examination
    | Measurement
    | Thrombosis
    | Complication
    | CatheterTrouble
    | Infection
    | Culture
    | AntimicrobialCourse
    | Referral
    | Appointment
    | Visit
    | Angiogram
    | Imaging
    | Angioplasty
    | Stent
    | Thrombectomy
    | Banding
    | Revision
    | OtherInterventionDone
    | Instruction
    | Abandonment
    | TakenUpAgain
    | SetAside
)
"""A fact about the world: what a correction can put in the place of another."""

Link = ReportMoved | AccessesAreOne | AccessSplit | PatientsAreOne
"""A statement about identities, read through, that can be retracted."""

Event = Fact | Link | ReportReviewed | Correction | Retraction
"""Everything that a stream can hold."""

KINDS: dict[str, type[Happening]] = {cls.__dataclass_fields__["kind"].default: cls for cls in Event.__args__}
"""The stored literal of each kind, and its class."""

FACT_KINDS: frozenset[str] = frozenset(cls.__dataclass_fields__["kind"].default for cls in Fact.__args__)

SESSION_KINDS: frozenset[str] = frozenset({"cannulation-session"})
"""Kinds that live in the patient's second stream, so that the first stays short."""


def access_of(event: Happening) -> str | None:
    """The access that an event names; for a correction, that of the corrected fact."""
    if isinstance(event, Correction):
        return access_of(event.to)
    found: str | None = getattr(event, "access", None)
    return found
