"""The ward's words, as closed lists.

Each value is what is stored; it never changes its meaning. Unknown is not a member:
a field that nobody filled is None, and what is shown then is "not recorded".
`words_of` gives the value in words for people.
"""

from __future__ import annotations

from enum import StrEnum


class AccessKind(StrEnum):
    FISTULA = "fistula"
    GRAFT = "graft"
    HYBRID = "hybrid"  # An arterial graft whose outflow is a catheter with its tip in a central vein.
    TUNNELLED = "tunnelled-catheter"
    NONTUNNELLED = "nontunnelled-catheter"
    PERITONEAL = "peritoneal-catheter"

    @property
    def is_catheter(self) -> bool:
        return self in (AccessKind.TUNNELLED, AccessKind.NONTUNNELLED, AccessKind.PERITONEAL)

    @property
    def is_central_line(self) -> bool:
        return self in (AccessKind.TUNNELLED, AccessKind.NONTUNNELLED)

    @property
    def is_needled(self) -> bool:
        return not self.is_catheter


class Side(StrEnum):
    LEFT = "left"
    RIGHT = "right"


class Site(StrEnum):
    """Where the access runs. For a catheter: where it leaves the skin."""

    SNUFFBOX = "snuffbox"
    WRIST = "wrist"
    FOREARM = "forearm"
    ELBOW = "elbow"
    UPPER_ARM = "upper-arm"
    AXILLA = "axilla"
    NECK = "neck"
    CHEST = "chest"
    ABDOMEN = "abdomen"
    GROIN = "groin"
    THIGH = "thigh"
    FLANK = "flank"


class Artery(StrEnum):
    RADIAL = "radial"
    PROXIMAL_RADIAL = "proximal-radial"
    ULNAR = "ulnar"
    BRACHIAL = "brachial"
    AXILLARY = "axillary"
    SUBCLAVIAN = "subclavian"
    FEMORAL = "femoral"
    POPLITEAL = "popliteal"


class Vein(StrEnum):
    CEPHALIC = "cephalic"
    BASILIC = "basilic"
    MEDIAN_CUBITAL = "median-cubital"
    PERFORATING = "perforating"
    BRACHIAL = "brachial"
    AXILLARY = "axillary"
    SUBCLAVIAN = "subclavian"
    INTERNAL_JUGULAR = "internal-jugular"
    EXTERNAL_JUGULAR = "external-jugular"
    BRACHIOCEPHALIC = "brachiocephalic"
    SUPERIOR_CAVA = "superior-vena-cava"
    INFERIOR_CAVA = "inferior-vena-cava"
    FEMORAL = "femoral"
    SAPHENOUS = "saphenous"
    ILIAC = "iliac"
    HEPATIC = "hepatic"  # A transhepatic line.
    RENAL = "renal"


class LesionPlace(StrEnum):
    FEEDING_ARTERY = "feeding-artery"
    ARTERIAL_ANASTOMOSIS = "arterial-anastomosis"
    JUXTA_ANASTOMOTIC = "juxta-anastomotic"
    SWING_POINT = "swing-point"
    CANNULATION_ZONE = "cannulation-zone"
    OUTFLOW_VEIN = "outflow-vein"
    CEPHALIC_VEIN = "cephalic-vein"
    BASILIC_VEIN = "basilic-vein"
    BRACHIAL_VEIN = "brachial-vein"
    MEDIAN_CUBITAL_VEIN = "median-cubital-vein"
    CEPHALIC_ARCH = "cephalic-arch"
    GRAFT_ARTERY_ANASTOMOSIS = "graft-artery-anastomosis"
    INTRAGRAFT = "intragraft"
    GRAFT_VEIN_ANASTOMOSIS = "graft-vein-anastomosis"
    AXILLARY_VEIN = "axillary-vein"
    SUBCLAVIAN_VEIN = "subclavian-vein"
    BRACHIOCEPHALIC_VEIN = "brachiocephalic-vein"
    SUPERIOR_CAVA = "superior-vena-cava"
    INFERIOR_CAVA = "inferior-vena-cava"
    ILIAC_VEIN = "iliac-vein"
    FEMORAL_VEIN = "femoral-vein"
    INTERNAL_JUGULAR_VEIN = "internal-jugular-vein"
    SIDE_BRANCH = "side-branch"
    CATHETER_TIP = "catheter-tip"

    @property
    def is_central(self) -> bool:
        return self in _CENTRAL_PLACES

    @property
    def is_inflow(self) -> bool:
        return self in _INFLOW_PLACES


_CENTRAL_PLACES = frozenset(
    {
        LesionPlace.SUBCLAVIAN_VEIN,
        LesionPlace.BRACHIOCEPHALIC_VEIN,
        LesionPlace.SUPERIOR_CAVA,
        LesionPlace.INFERIOR_CAVA,
        LesionPlace.ILIAC_VEIN,
        LesionPlace.INTERNAL_JUGULAR_VEIN,
    }
)
_INFLOW_PLACES = frozenset(
    {
        LesionPlace.FEEDING_ARTERY,
        LesionPlace.ARTERIAL_ANASTOMOSIS,
        LesionPlace.JUXTA_ANASTOMOTIC,
        LesionPlace.GRAFT_ARTERY_ANASTOMOSIS,
    }
)


class Grade(StrEnum):
    """A stenosis as it was graded in words. It stays a word; no percentage is made of it."""

    MILD = "mild"
    MODERATE = "moderate"
    SEVERE = "severe"
    HIGH_GRADE = "high-grade"
    CRITICAL = "critical"
    SUBTOTAL = "subtotal"
    OCCLUDED = "occluded"
    NONE = "none"  # "no residual stenosis", said without a number
    PRESENT = "present"  # a stenosis named without a grade
    SIGNIFICANT = "significant"
    MINIMAL = "minimal"


class Modality(StrEnum):
    IN_CENTRE = "in-centre-haemodialysis"
    HOME = "home-haemodialysis"
    PERITONEAL = "peritoneal-dialysis"
    NOT_YET = "not-yet-on-dialysis"


class EndOfFollowUp(StrEnum):
    DEATH = "death"
    TRANSPLANT = "transplant"
    TRANSFER = "transfer"
    RECOVERY = "recovery"
    LOST = "lost-to-follow-up"
    STOPPED = "stopped-dialysis"


class GraftMaterial(StrEnum):
    PTFE = "ptfe"
    EARLY_CANNULATION = "early-cannulation-ptfe"
    HEPARIN_BONDED = "heparin-bonded-ptfe"
    BOVINE = "bovine"
    BIOLOGIC = "other-biologic"
    POLYURETHANE = "polyurethane"
    AUTOGENOUS = "autogenous-vein"


class Configuration(StrEnum):
    STRAIGHT = "straight"
    LOOP = "loop"
    CURVED = "curved"
    NECKLACE = "necklace"
    TRANSPOSED = "transposed"


class Limb(StrEnum):
    """Which limb of a loop, or which end of a straight run, carries the arterial side."""

    MEDIAL = "medial"
    LATERAL = "lateral"
    DISTAL = "distal"
    PROXIMAL = "proximal"


class MadeBy(StrEnum):
    SURGERY = "surgery"
    PERCUTANEOUS = "percutaneous"


class Stage(StrEnum):
    ONLY = "only"
    FIRST = "first"
    SECOND = "second"


class TipPlace(StrEnum):
    CAVOATRIAL = "cavoatrial-junction"
    RIGHT_ATRIUM = "right-atrium"
    SUPERIOR_CAVA = "superior-vena-cava"
    INFERIOR_CAVA = "inferior-vena-cava"
    BRACHIOCEPHALIC = "brachiocephalic-vein"
    PELVIS = "pelvis"


class CatheterReason(StrEnum):
    NEED = "dialysis-needed"
    POOR_FLOW = "poor-flow"
    INFECTION = "infection"
    NO_LONGER_NEEDED = "no-longer-needed"
    DISLODGED = "dislodged"
    DAMAGED = "damaged"
    CUFF_SEEN = "cuff-seen"
    FIBRIN_SHEATH = "fibrin-sheath"
    MALPOSITION = "malposition"
    CONVERSION = "conversion-to-tunnelled"
    CHOICE = "choice"
    ACCESS_FAILED = "access-failed"
    ACCESS_MATURING = "access-maturing"
    OTHER = "other"


class ExchangeForm(StrEnum):
    SAME_TUNNEL = "over-wire-same-tunnel"
    NEW_EXIT = "over-wire-new-exit"
    OVER_WIRE = "over-wire"  # over a wire, tunnel not said
    OUT_AND_BACK = "out-and-back"
    NEW_VEIN = "new-vein"


class NeedleTechnique(StrEnum):
    ROPE_LADDER = "rope-ladder"
    AREA = "area"
    BUTTONHOLE = "buttonhole"


class KnownBy(StrEnum):
    IMAGING = "imaging"
    CLOT_FOUND = "clot-found"
    SURGERY = "surgery"
    EXAMINATION = "examination"
    REPORTED = "reported"


class ClotExtent(StrEnum):
    OCCLUSIVE = "occlusive"
    PARTIAL = "partial"
    MURAL = "mural"


class InfectionClass(StrEnum):
    EXIT_SITE = "exit-site"
    TUNNEL = "tunnel"
    BLOODSTREAM = "bloodstream"
    ACCESS = "access"
    PERITONITIS = "peritonitis"


class Organism(StrEnum):
    STAPHYLOCOCCUS_AUREUS = "staphylococcus-aureus"
    MRSA = "methicillin-resistant-staphylococcus-aureus"
    COAGULASE_NEGATIVE = "coagulase-negative-staphylococcus"
    ENTEROCOCCUS = "enterococcus"
    STREPTOCOCCUS = "streptococcus"
    PSEUDOMONAS = "pseudomonas"
    GRAM_NEGATIVE = "other-gram-negative"
    CANDIDA = "candida"
    OTHER = "other"
    NO_GROWTH = "no-growth"


class Urgency(StrEnum):
    TODAY = "today"
    DAYS = "within-days"
    WEEKS = "within-weeks"
    PLANNED = "planned"


class Finding(StrEnum):
    """Why somebody looks at an access, or sends it to be looked at."""

    NO_THRILL = "no-thrill"
    WEAK_THRILL = "weak-thrill"
    THROMBOSED = "thrombosed"
    LOW_FLOW = "low-flow"
    HIGH_FLOW = "high-flow"
    HIGH_VENOUS_PRESSURE = "high-venous-pressure"
    LOW_ARTERIAL_PRESSURE = "low-arterial-pressure"
    HIGH_STATIC_PRESSURE = "high-static-pressure"
    RECIRCULATION = "recirculation"
    LOW_CLEARANCE = "low-clearance"
    PROLONGED_BLEEDING = "prolonged-bleeding"
    PULSATILE = "pulsatile"
    DIFFICULT_NEEDLING = "difficult-needling"
    CLOTS_ASPIRATED = "clots-aspirated"
    SWELLING = "swelling"
    COLLATERALS = "collaterals"
    ANEURYSM = "aneurysm"
    THIN_SKIN = "thin-skin"
    COLD_HAND = "cold-hand"
    HAND_PAIN = "hand-pain"
    STEAL = "steal"
    NOT_MATURING = "not-maturing"
    STENOSIS = "stenosis"
    CATHETER_POOR_FLOW = "catheter-poor-flow"
    INFECTION = "infection"
    NEW_ACCESS = "new-access"
    SECOND_STAGE = "second-stage"
    CATHETER_REMOVAL = "catheter-removal"
    FOLLOW_UP = "follow-up"
    CHECK = "check"
    OTHER = "other"


class Outcome(StrEnum):
    DONE = "done"
    PARTLY = "partly-done"
    GIVEN_UP = "given-up"
    CANCELLED = "cancelled"
    DECLINED = "declined"


class Sedation(StrEnum):
    NONE = "none"
    LOCAL = "local"
    BLOCK = "regional-block"
    MODERATE = "moderate"
    GENERAL = "general"


class Contrast(StrEnum):
    IODINATED = "iodinated"
    CARBON_DIOXIDE = "carbon-dioxide"
    NONE = "none"


class ComplicationKind(StrEnum):
    NONE = "none"  # said to have been none
    RUPTURE = "rupture"
    EXTRAVASATION = "extravasation"
    HAEMATOMA = "haematoma"
    BLEEDING = "bleeding"
    DISSECTION = "dissection"
    EMBOLISM = "embolism"
    CONTRAST_REACTION = "contrast-reaction"
    SEDATION = "sedation-problem"
    PNEUMOTHORAX = "pneumothorax"
    ARTERIAL_PUNCTURE = "arterial-puncture"
    SPASM = "spasm"
    THROMBOSIS = "thrombosis"
    STEAL = "steal"
    NEUROPATHY = "ischaemic-neuropathy"
    ANEURYSM = "aneurysm"
    PSEUDOANEURYSM = "pseudoaneurysm"
    INFILTRATION = "infiltration"
    OEDEMA = "oedema"
    HIGH_FLOW = "high-flow"
    FAILURE_TO_MATURE = "failure-to-mature"
    SEROMA = "seroma"
    ARRHYTHMIA = "arrhythmia"
    INJURY = "organ-injury"
    LEAK = "leak"
    OTHER = "other"


class Scale(StrEnum):
    """Which published scheme a grade belongs to. Two schemes do not map one to one."""

    SIR = "sir-letters"
    ASDIN = "asdin-grades"
    STEAL_FOUR = "steal-stages-1-4"
    STEAL_SVS = "steal-grades-0-3"
    WORDS = "words"


class ImagingModality(StrEnum):
    FLUOROSCOPY = "fluoroscopy"
    DUPLEX = "duplex"
    CT = "ct"
    MR = "mr"
    FILM = "plain-film"


class CentralVeins(StrEnum):
    PATENT = "patent"
    STENOSED = "stenosed"
    OCCLUDED = "occluded"
    NOT_SEEN = "not-seen"


class TreatmentOutcome(StrEnum):
    SUCCESS = "success"
    PARTIAL = "partial"
    FAILED = "failed"
    RECOIL = "recoil"
    RUPTURE = "rupture"


class ThrombectomyMethod(StrEnum):
    SURGICAL = "surgical"
    BALLOON = "balloon"
    MECHANICAL = "mechanical"
    ASPIRATION = "aspiration"
    LYTIC = "lytic"
    MACERATION = "maceration"


class BandingMethod(StrEnum):
    SUTURE = "suture"
    OVER_BALLOON = "suture-over-balloon"
    BAND = "band"
    PLICATION = "plication"


class RevisionMethod(StrEnum):
    PATCH = "patch"
    INTERPOSITION = "interposition"
    JUMP_GRAFT = "jump-graft"
    NEW_ANASTOMOSIS = "new-anastomosis"
    PROXIMAL_INFLOW = "proximal-inflow"  # proximalisation of the arterial inflow
    DISTAL_INFLOW = "distal-inflow"  # revision using distal inflow
    DISTAL_REVASCULARISATION = "distal-revascularisation"  # with interval ligation
    PLICATION = "plication"
    ANEURYSM_REPAIR = "aneurysm-repair"
    ANEURYSM_EXCISION = "aneurysm-excision"
    TURNDOWN = "turndown"
    SEGMENT_REPLACED = "segment-replaced"
    OTHER = "other"


class OtherIntervention(StrEnum):
    SIDE_BRANCH_LIGATION = "side-branch-ligation"
    COIL_EMBOLISATION = "coil-embolisation"
    SHEATH_DISRUPTION = "fibrin-sheath-disruption"
    RETRIEVAL = "retrieval"
    REPOSITIONING = "catheter-repositioning"
    LYTIC_INFUSION = "lytic-infusion"
    DRAINAGE = "drainage"
    CLOSURE_OF_PUNCTURE = "closure-of-puncture"
    SUPERFICIAL_LIPECTOMY = "lipectomy"
    CATHETER_REPAIR = "catheter-repair"
    OTHER = "other"


class SecondStageForm(StrEnum):
    TRANSPOSITION = "transposition"
    SUPERFICIALISATION = "superficialisation"
    ELEVATION = "elevation"


class AbandonmentHow(StrEnum):
    LIGATION = "ligation"
    EXCISION = "excision"
    GIVEN_UP = "given-up"


class AbandonmentReason(StrEnum):
    THROMBOSIS = "thrombosis"
    INFECTION = "infection"
    STEAL = "steal"
    HIGH_FLOW = "high-flow"
    ANEURYSM = "aneurysm"
    BLEEDING = "bleeding"
    STENOSIS = "stenosis"
    NOT_MATURED = "not-matured"
    CENTRAL_OBSTRUCTION = "central-obstruction"
    TRANSPLANT = "transplant"
    WISH = "wish"
    REPLACED = "replaced"
    OTHER = "other"


class Use(StrEnum):
    TWO_NEEDLES = "two-needles"
    ONE_NEEDLE = "one-needle-and-line"
    CATHETER = "catheter"
    NOT_USED = "not-used"


class NeedleTrouble(StrEnum):
    NONE = "none"
    INFILTRATION = "infiltration"
    DIFFICULT = "difficult"
    MISSED = "missed"
    CLOTS = "clots"
    BLEEDING = "bleeding"
    PAIN = "pain"
    LOW_FLOW = "low-flow"
    HIGH_PRESSURE = "high-pressure"
    OTHER = "other"


class CatheterTroubleKind(StrEnum):
    POOR_FLOW = "poor-flow"
    LINES_REVERSED = "lines-reversed"
    LYTIC_DWELL = "lytic-dwell"
    CUFF_SEEN = "cuff-seen"
    CRACKED = "cracked"
    PULLED = "pulled"
    FELL_OUT = "fell-out"
    BLEEDING = "bleeding"
    DRAINAGE = "poor-drainage"
    MIGRATED = "tip-migrated"
    OTHER = "other"


class Thrill(StrEnum):
    CONTINUOUS = "continuous"
    WEAK = "weak"
    SYSTOLIC_ONLY = "systolic-only"
    ABSENT = "absent"


class Bruit(StrEnum):
    LOW_CONTINUOUS = "low-pitched-continuous"
    HIGH_PITCHED = "high-pitched"
    SYSTOLIC_ONLY = "systolic-only"
    ABSENT = "absent"


class Pulse(StrEnum):
    SOFT = "soft"
    HYPERPULSATILE = "hyperpulsatile"
    WEAK = "weak"


class SkinState(StrEnum):
    INTACT = "intact"
    BRUISED = "bruised"
    THIN = "thin"
    ULCER = "ulcer"
    RED = "red"
    PUS = "pus"


class HandState(StrEnum):
    WARM = "warm"
    COLD = "cold"
    PAINFUL = "painful"
    WEAK = "weak"
    NUMB = "numb"


class MeasurementMethod(StrEnum):
    DILUTION = "indicator-dilution"
    DUPLEX = "duplex"
    UREA = "urea"
    THERMAL = "thermal"
    IONIC_DIALYSANCE = "ionic-dialysance"
    MACHINE = "machine"


class MaturityVerdict(StrEnum):
    READY = "ready"
    NOT_READY = "not-ready"
    NEVER = "will-not-mature"


class Specimen(StrEnum):
    HUB = "catheter-hub"
    CIRCUIT = "dialysis-circuit"
    PERIPHERAL = "peripheral-vein"
    EXIT_SITE = "exit-site"
    EFFLUENT = "peritoneal-effluent"
    TIP = "catheter-tip"
    WOUND = "wound"


class CatheterFate(StrEnum):
    KEPT = "kept"
    EXCHANGED = "exchanged"
    REMOVED = "removed"
    LOCKED = "kept-with-lock"


class CourseReason(StrEnum):
    ACCESS_INFECTION = "access-infection"
    BLOODSTREAM = "bloodstream-infection"
    PERITONITIS = "peritonitis"
    OTHER_SITE = "infection-elsewhere"
    PROPHYLAXIS = "prophylaxis"
    NOT_SAID = "not-said"


class AppointmentState(StrEnum):
    BOOKED = "booked"
    MOVED = "moved"
    ATTENDED = "attended"
    NOT_ATTENDED = "not-attended"
    DECLINED = "declined"
    CANCELLED = "cancelled"
    SENT_TO_HOSPITAL = "sent-to-hospital"


class BackgroundWhat(StrEnum):
    ALLERGY = "allergy"
    NO_KNOWN_ALLERGY = "no-known-allergy"
    ANTICOAGULANT = "anticoagulant"
    ANTIPLATELET = "antiplatelet"
    CARDIAC_LEAD = "cardiac-lead"
    PORT = "port"
    LINE = "line"
    ARM_NOT_TO_USE = "arm-not-to-use"
    PRECAUTION = "precaution"
    SEDATION_RISK = "sedation-risk"
    LANGUAGE = "language"
    CONSENT = "who-consents"
    HAND_DOMINANCE = "dominant-hand"
    CONTACT = "contact"


class Allergen(StrEnum):
    CONTRAST = "contrast"
    LATEX = "latex"
    TAPE = "tape"
    CHLORHEXIDINE = "chlorhexidine"
    HEPARIN = "heparin"
    LOCAL_ANAESTHETIC = "local-anaesthetic"
    IODINE = "iodine"
    ANTIMICROBIAL = "antimicrobial"
    OTHER = "other"


class DecisionWhat(StrEnum):
    DECLINES_FISTULA = "declines-fistula"
    CHOOSES_CATHETER = "chooses-catheter"
    NO_OPTION_LEFT = "no-option-left"
    LIMITED_PROGNOSIS = "limited-prognosis"
    KEPT_IN_RESERVE = "kept-in-reserve"
    CHOOSES_PERITONEAL = "chooses-peritoneal-dialysis"
    NO_FURTHER_INTERVENTION = "no-further-intervention"
    REMOVE_CATHETER = "remove-catheter"
    OTHER = "other"


class InstructionWhat(StrEnum):
    USABLE = "may-be-used"
    NOT_TO_NEEDLE = "not-to-be-needled"
    DIALYSE_BY_CATHETER = "dialyse-by-catheter"
    SUTURES = "sutures"
    FOLLOW_UP = "follow-up"
    NEXT_TEST = "next-test"
    REST = "rest"
    PRESSURE_DRESSING = "dressing"
    CALL_IF = "call-if"
    ANTIPLATELET = "antiplatelet-until"
    OTHER = "other"


class ArmSegment(StrEnum):
    FOREARM_DISTAL = "forearm-distal"
    FOREARM_MID = "forearm-mid"
    FOREARM_PROXIMAL = "forearm-proximal"
    ELBOW = "elbow"
    UPPER_ARM_DISTAL = "upper-arm-distal"
    UPPER_ARM_MID = "upper-arm-mid"
    UPPER_ARM_PROXIMAL = "upper-arm-proximal"
    CENTRAL = "central"
    THIGH = "thigh"
    CALF = "calf"


class PeritonealStart(StrEnum):
    BURIED = "buried"
    RESTING = "resting"
    USED = "used"


class ReminderLine(StrEnum):
    """The lines that rounds bring up; a `set-aside` names one of them."""

    NO_FLOW = "no-flow-or-urgent-finding"
    UNANSWERED_CULTURE = "culture-or-fever-unanswered"
    CONFLICT = "conflict"
    REPORT_MISSING = "report-missing"
    INSTRUCTION_DUE = "instruction-due"
    NOT_LOOKED_AT = "not-looked-at"
    REFERRAL_OPEN = "referral-open"
    RULE_MET = "rule-met"
    LESION_AGAIN = "lesion-again"
    RESTING_DUE = "resting-due"
    NEW_ACCESS_DUE = "new-access-due"
    CATHETER_BESIDE_PROVEN = "catheter-beside-proven-access"
    CATHETER_LONG = "catheter-past-limit"
    COURSE_OPEN = "course-open"
    REVIEW_DUE = "review-due"


class Fate(StrEnum):
    """What a person did with a proposal."""

    ACCEPTED = "accepted"
    EDITED = "edited"
    DISMISSED = "dismissed"
    LEFT = "left"  # not decided; still waits
    REFUSED = "refused"  # admission said no; waits with its reason
    ALREADY_KNOWN = "already-known"


class ConfirmedHow(StrEnum):
    """How sure the ledger is of who recorded an entry."""

    CLAIMED = "claimed"  # said at the terminal
    SIGNED_IN = "signed-in"
    BY_RULE = "by-rule"
    IN_BULK = "in-bulk"  # confirmed without reading each


_WORDS = {
    AccessKind.TUNNELLED: "tunnelled catheter",
    AccessKind.NONTUNNELLED: "non-tunnelled catheter",
    AccessKind.PERITONEAL: "peritoneal catheter",
    AccessKind.HYBRID: "graft-to-catheter hybrid",
    GraftMaterial.PTFE: "PTFE",
    GraftMaterial.EARLY_CANNULATION: "early-cannulation PTFE",
    GraftMaterial.HEPARIN_BONDED: "heparin-bonded PTFE",
    ImagingModality.CT: "CT",
    ImagingModality.MR: "MR",
    Organism.STAPHYLOCOCCUS_AUREUS: "Staphylococcus aureus",
    Organism.MRSA: "methicillin-resistant Staphylococcus aureus",
    Organism.ENTEROCOCCUS: "Enterococcus",
    Organism.STREPTOCOCCUS: "Streptococcus",
    Organism.PSEUDOMONAS: "Pseudomonas",
    Organism.CANDIDA: "Candida",
    Modality.IN_CENTRE: "in-centre haemodialysis",
    Grade.HIGH_GRADE: "high-grade",
    Thrill.SYSTOLIC_ONLY: "systolic-only",
    Bruit.SYSTOLIC_ONLY: "systolic-only",
    Bruit.HIGH_PITCHED: "high-pitched",
    Bruit.LOW_CONTINUOUS: "low-pitched continuous",
    NeedleTechnique.ROPE_LADDER: "rope-ladder",
}


def words_of(value: StrEnum | None, unknown: str = "not recorded") -> str:
    """A value as it is said to people; `unknown` where nobody recorded it."""
    if value is None:
        return unknown
    return _WORDS.get(value) or value.value.replace("-", " ")
