"""Composes invented labelled reports: `python -m tests.compose_reports` writes `fixtures/reports/composed-*.txt`.

Two files of different houses. The houses of `composed-unseen.txt` have headings, sentences and traps of their own, none
of which stands in `composed-open.txt`; nothing is tuned on them, so that what they score is of words that the reader
was not made with. Within one file reports share sentences: the numbers are those of so many proposals, and not of so
many different writers. No patient, person, unit or centre in them exists.
"""

# ruff: noqa: E501
# Sentences of reports stand whole, as long as they are.

from __future__ import annotations

import json
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures" / "reports"
HEAD = """\
Invented report texts, composed by a program (tests/compose_reports.py) out of invented sentences, with the labels that
belong to what was composed. No patient, person, unit or centre in them exists. The scheme of the labels stands in
fixtures/reports/README.md. {what}
"""


@dataclass
class Lesion:
    place: str
    before: int
    after: int
    balloon: int
    length: int


@dataclass
class Case:
    """What happened, before anybody wrote it down."""

    what: str
    side: str
    access_type: str
    access: str
    short: str
    procedures: list[str]
    lesions: list[Lesion] = field(default_factory=list)
    stent: tuple[int, int] | None = None
    day: str = ""
    said_day: str = ""
    tip: str = ""
    reason: str = ""

    @property
    def other_side(self) -> str:
        return "left" if self.side == "right" else "right"

    @property
    def letter(self) -> str:
        return self.side[0].upper()

    def labels(self) -> dict[str, Any]:
        found: dict[str, Any] = {
            "access_type": self.access_type,
            "procedures": self.procedures,
            "date": self.day,
        }
        if self.side:
            found["side"] = self.side
        if self.lesions:
            found["lesions"] = [
                {
                    "location": one.place,
                    "stenosis_before_pct": one.before,
                    "stenosis_after_pct": one.after,
                    "balloon_mm": one.balloon,
                }
                for one in self.lesions
            ]
        return found


FISTULAS = [
    ("radiocephalic fistula", "RC AVF"),
    ("brachiocephalic fistula", "BC AVF"),
    ("brachiobasilic fistula", "BB AVF"),
]
GRAFTS = [
    ("forearm loop AV graft", "forearm AVG"),
    ("upper arm AV graft", "upper arm AVG"),
    ("brachial-axillary AV graft", "upper arm AVG"),
]
FISTULA_PLACES = ["cephalic arch", "juxta-anastomotic segment", "mid cephalic vein", "outflow vein", "swing segment"]
GRAFT_PLACES = ["venous anastomosis", "axillary vein", "intragraft segment", "arterial anastomosis"]
MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


def a_case(rng: random.Random, what: str) -> Case:
    """One thing that was done to one access."""
    side = rng.choice(["left", "right"])
    year, month, day = rng.randint(2019, 2025), rng.randint(1, 12), rng.randint(13, 28)
    iso = f"{year}-{month:02}-{day:02}"
    said = rng.choice([f"{day} {MONTHS[month - 1]} {year}", f"{MONTHS[month - 1]} {day}, {year}", iso])
    graft = rng.random() < 0.4
    access, short = rng.choice(GRAFTS if graft else FISTULAS)
    kind = "graft" if graft else "fistula"
    case = Case(what, side, kind, access, short, [], day=iso, said_day=said)
    places = rng.sample(GRAFT_PLACES if graft else FISTULA_PLACES, rng.choice([1, 1, 2]))
    lesions = [
        Lesion(place, rng.choice([60, 70, 75, 80, 85, 90]), rng.choice([5, 10, 15, 20]), rng.choice([6, 7, 8, 9]), 40)
        for place in places
    ]
    match what:
        case "dilated":
            case.procedures, case.lesions = ["angiogram", "angioplasty"], lesions
        case "stented":
            case.procedures, case.lesions = ["angiogram", "angioplasty", "stent"], lesions[:1]
            case.stent = (lesions[0].balloon, rng.choice([40, 50, 60]))
        case "declotted":
            case.procedures, case.lesions = ["thrombectomy", "angiogram", "angioplasty"], lesions[:1]
        case "looked-at":
            case.procedures = ["angiogram"]
        case "made":
            case.procedures = ["creation"]
        case "banded":
            case.access_type, (case.access, case.short) = "fistula", rng.choice(FISTULAS[1:])
            case.procedures = ["banding"]
        case "tied":
            case.procedures = ["ligation"]
            case.access_type, (case.access, case.short) = "fistula", rng.choice(FISTULAS)
        case "second":
            case.access_type, (case.access, case.short) = "fistula", ("brachiobasilic fistula", "BB AVF")
            case.procedures = ["transposition"]
        case "placed" | "exchanged" | "removed":
            case.access_type = "tunneled_catheter"
            case.access = rng.choice(
                ["internal jugular tunneled dialysis catheter", "femoral tunneled dialysis catheter"]
            )
            case.short = "IJ TDC" if "jugular" in case.access else "femoral TDC"
            case.procedures = [
                {"placed": "catheter_insertion", "exchanged": "catheter_exchange", "removed": "catheter_removal"}[what]
            ]
            case.reason = rng.choice(["poor flow", "a cracked hub", "an exposed cuff"])
            case.tip = "right atrium" if "jugular" in case.access else "inferior vena cava"
        case "revised":
            case.access_type, (case.access, case.short) = "graft", rng.choice(GRAFTS)
            case.procedures = ["revision"]
    return case


WHATS = [
    *["dilated"] * 7, *["stented"] * 3, *["declotted"] * 4, *["looked-at"] * 2, *["made"] * 4, "banded", *["tied"] * 2,
    "second", *["placed"] * 3, *["exchanged"] * 3, *["removed"] * 3, *["revised"] * 2,
]  # fmt: skip

House = Callable[[random.Random, Case], str]


def pick(rng: random.Random, *said: str) -> str:
    return rng.choice(said)


# --- The open houses ----------------------------------------------------------------------------------------------


def _open_title(rng: random.Random, c: Case) -> str:
    return {
        "dilated": pick(
            rng,
            f"Fistulogram with balloon angioplasty, {c.side} {c.access}",
            f"Angiogram and PTA of {c.side} {c.access}",
        ),
        "stented": f"Fistulogram, angioplasty and stent graft placement, {c.side} {c.access}",
        "declotted": pick(
            rng,
            f"Percutaneous thrombectomy and angioplasty of {c.side} {c.access}",
            f"Declot of {c.side} {c.access} with PTA",
        ),
        "looked-at": f"Diagnostic fistulogram, {c.side} {c.access}",
        "made": pick(rng, f"Creation of {c.side} {c.access}", f"{c.side.capitalize()} {c.access} creation"),
        "banded": f"Banding of {c.side} {c.access}",
        "tied": f"Ligation of {c.side} {c.access}",
        "second": f"Second stage transposition of {c.side} {c.access}",
        "placed": f"Placement of {c.side} {c.access}",
        "exchanged": f"Exchange of {c.side} {c.access} over a wire",
        "removed": f"Removal of {c.side} {c.access}",
        "revised": f"Revision of {c.side} {c.access} with interposition",
    }[c.what]


def _open_account(rng: random.Random, c: Case) -> str:
    said: list[str] = []
    if c.what in ("dilated", "stented", "declotted", "looked-at"):
        said.append(
            pick(
                rng,
                "The access was punctured under ultrasound and a 6 Fr sheath was placed.",
                "A micropuncture set was used, then a 7 Fr sheath.",
            )
        )
    if c.what == "declotted":
        said.append(
            pick(
                rng,
                "Clot was removed with a rotational device.",
                "The thrombus was aspirated, and the arterial plug was pulled with an embolectomy balloon.",
            )
        )
    if c.what == "looked-at":
        said.append("Angiography showed no stenosis. The central veins were patent. No angioplasty was needed.")
    for one in c.lesions:
        said.append(
            pick(
                rng,
                f"Angiography showed a {one.before}% stenosis of the {one.place}.",
                f"On angiogram the {one.place} was {one.before}% narrowed.",
            )
        )
        said.append(
            pick(
                rng,
                f"It was dilated with a {one.balloon} mm x {one.length} mm balloon, with {one.after}% residual stenosis.",
                f"This was treated with a {one.balloon} mm balloon; {one.after}% remained.",
            )
        )
    if c.stent:
        said.append(f"Because of recoil a {c.stent[0]} mm x {c.stent[1]} mm covered stent was deployed.")
    said += {
        "made": [
            pick(
                rng,
                "The vein was anastomosed end to side to the artery.",
                "An end-to-side anastomosis was made with 6-0 polypropylene.",
            )
            if c.access_type == "fistula"
            else "The PTFE graft was tunneled and both anastomoses were sewn.",
            "There was a good thrill.",
        ],
        "banded": ["The outflow was narrowed with a 2-0 suture over a 4 mm balloon. The hand became warm."],
        "tied": ["The fistula was ligated with heavy silk and oversewn."],
        "second": ["The basilic vein was mobilized and transposed into a new tunnel."],
        "placed": [
            f"The vein was punctured under ultrasound. A 19 cm catheter was tunneled. The tip lies in the {c.tip}."
        ],
        "exchanged": [
            f"The old catheter was removed over a stiff wire because of {c.reason} and a new one was placed."
        ],
        "removed": ["The cuff was freed by blunt dissection and the catheter was removed intact."],
        "revised": ["The diseased segment was excised and replaced with a 6 mm PTFE interposition graft."],
    }.get(c.what, [])
    return " ".join(said)


def open_operative(rng: random.Random, c: Case) -> str:
    trap = pick(
        rng,
        f"The patient had a {c.other_side} forearm fistula in 2012 which failed.",
        "Risks including bleeding, thrombosis and the need for a stent were explained.",
        "The patient dialyzes three times a week.",
    )
    return (
        f"DATE OF PROCEDURE: {c.said_day}\nOPERATION: {_open_title(rng, c)}.\nINDICATION: {trap}\n"
        f"PROCEDURE IN DETAIL: {_open_account(rng, c)}\nCOMPLICATIONS: None.\n"
        + pick(
            rng,
            "PLAN: Follow up in clinic in 2 weeks.",
            "PLAN: If it recurs, surgical revision will be considered.",
            "DISPOSITION: Home.",
        )
    )


def open_centre(rng: random.Random, c: Case) -> str:
    return (
        f"ACCESS CENTRE SUMMARY (invented)\nDate: {c.said_day}\nProcedure: {_open_title(rng, c)}\n"
        f"Summary: {_open_account(rng, c)}\nResult: {pick(rng, 'good', 'thrill present', 'satisfactory')}\n"
        f"Next: {pick(rng, 'routine follow up', 'duplex in 3 months', 'back to own unit')}"
    )


def open_list(rng: random.Random, c: Case) -> str:
    title = _open_title(rng, c)
    return f"{c.said_day}. Op: {title}. LA. {_open_account(rng, c)} No complications. Home today."


OPEN: list[House] = [open_operative, open_centre, open_list]


# --- The houses that nothing is tuned on --------------------------------------------------------------------------


def _titles(rng: random.Random, c: Case) -> list[str]:
    """What was done, as items of a title, in the words of these houses."""
    side, name = pick(rng, c.side, c.side.capitalize()), c.access
    return {
        "dilated": [
            pick(
                rng,
                f"{side} {name}: fistulography",
                f"Contrast study of {c.side} {name} (fistulogram)",
                f"Fistulogram of the {c.side} {name}",
            ),
            pick(rng, "Balloon angioplasty", "Percutaneous transluminal angioplasty", "Venoplasty"),
        ],
        "stented": [
            pick(rng, f"Angiography of {c.side} {name}", f"Fistulogram, {c.side} {name}"),
            pick(rng, "Percutaneous balloon angioplasty", "PTA"),
            pick(rng, "Deployment of covered stent", "Stent graft insertion", "Placement of stent graft"),
        ],
        "declotted": [
            pick(
                rng, f"Pharmacomechanical thrombectomy of {c.side} {name}", f"Mechanical thrombectomy, {c.side} {name}"
            ),
            pick(rng, "Completion angiogram", "Angiography of the access"),
            pick(rng, "Angioplasty of culprit stenosis", "Balloon angioplasty"),
        ],
        "looked-at": [pick(rng, f"Angiogram of {c.side} {name}", f"Fistulography of {c.side} {name}, diagnostic only")],
        "made": [
            pick(rng, f"Formation of {c.side} {name}", f"Construction of a {c.side} {name}", f"{side} {name} formation")
            if c.access_type == "fistula"
            else pick(rng, f"Insertion of {c.side} {name}", f"Implantation of {c.side} {name} (PTFE)")
        ],
        "banded": [pick(rng, f"{side} {name} banding for steal", f"Flow reduction of {c.side} {name} by banding")],
        "tied": [pick(rng, f"{side} {name} ligation", f"Surgical ligation of {c.side} {name}")],
        "second": [
            pick(
                rng,
                f"Basilic vein transposition, second stage, {c.side} arm",
                f"{side} second stage basilic vein transposition",
            )
        ],
        "placed": [pick(rng, f"Insertion of {c.side} {name}", f"US-guided insertion of {c.side} {name}")],
        "exchanged": [pick(rng, f"Over-the-wire exchange of {c.side} {name}", f"{side} {name} exchange")],
        "removed": [pick(rng, f"Surgical removal of {c.side} {name}", f"{side} {name} removal")],
        "revised": [
            pick(
                rng,
                f"Surgical revision of {c.side} {name}: patch angioplasty",
                f"Open revision of {c.side} {name} with jump graft",
            )
        ],
    }[c.what]


def _entry(rng: random.Random) -> str:
    return pick(
        rng,
        "After skin preparation and 1% lidocaine the access was entered with a micropuncture needle and a 6-French sheath was secured.",
        "Retrograde puncture under ultrasound control; 7F sheath.",
        "Using real-time ultrasound, access was gained and a vascular sheath was introduced over a guidewire.",
        "The access was cannulated in antegrade fashion and upsized to a 6 Fr sheath.",
    )


def _lesion_told(rng: random.Random, one: Lesion) -> str:
    return pick(
        rng,
        f"The {one.place} harboured a {one.before}% stenosis, and this was ballooned to {one.balloon} mm ({one.length} mm long balloon), leaving a residual of {one.after}%.",
        f"Angiographic images demonstrated a {one.before} percent stenosis at the {one.place}. Angioplasty was performed with a {one.balloon} x {one.length} mm balloon at 18 atm. Residual stenosis {one.after} percent.",
        f"There was a stenosis of {one.before}% in the {one.place}; after dilatation with a {one.balloon} mm balloon the residual stenosis was {one.after}%.",
        f"{one.place[0].upper()}{one.place[1:]}: {one.before}% stenosis, PTA with {one.balloon} mm x {one.length} mm balloon, {one.after}% residual.",
        f"A {one.before}% narrowing of the {one.place} was identified. It was dilated using a {one.balloon} mm balloon with an improvement to {one.after}%.",
    )


def _told(rng: random.Random, c: Case) -> list[str]:
    said: list[str] = []
    if c.what in ("dilated", "stented", "declotted", "looked-at"):
        said.append(_entry(rng))
    if c.what == "declotted":
        said.append(
            pick(
                rng,
                "Lytic, 2 mg, was laced through the clot. The thrombus was macerated and aspirated. The arterial plug was then dislodged with an embolectomy balloon.",
                "Thrombus was cleared with a rheolytic catheter, and inflow was restored by pulling the plug with an over-the-wire balloon.",
                "Thrombectomy was carried out with a mechanical device; all clot was removed.",
            )
        )
    if c.what == "looked-at":
        said.append(
            pick(
                rng,
                "The entire circuit from the anastomosis to the right atrium was widely patent, and no intervention was undertaken.",
                "No flow-limiting stenosis was seen; angioplasty and stenting were not required.",
            )
        )
    said += [_lesion_told(rng, one) for one in c.lesions]
    if c.stent:
        said.append(
            pick(
                rng,
                f"Elastic recoil was seen, so a {c.stent[0]} x {c.stent[1]} mm stent graft was deployed across it and post-dilated.",
                f"A covered stent ({c.stent[0]} mm by {c.stent[1]} mm) was therefore placed.",
            )
        )
    match c.what:
        case "made" if c.access_type == "fistula":
            said += [
                pick(
                    rng,
                    "The vein was dissected free and its branches were tied.",
                    "Artery and vein were exposed through one incision and slung.",
                ),
                pick(
                    rng,
                    "After systemic heparin the vein was spatulated and sewn end-to-side with 7/0 monofilament.",
                    "An 8 mm arteriotomy was made and the anastomosis was completed with running 6-0 suture.",
                ),
                pick(
                    rng,
                    "On release a palpable thrill was present.",
                    "There was immediate continuous flow on hand-held doppler.",
                ),
            ]
        case "made":
            said += [
                "Incisions were made over artery and vein.",
                pick(
                    rng,
                    "A 6 mm PTFE graft was drawn through a subcutaneous tunnel.",
                    "The tunneler was passed and a tapered 4-7 mm PTFE graft brought through.",
                ),
                "Venous and then arterial anastomoses were sewn with 6/0 suture. Good flow.",
            ]
        case "banded":
            said.append(
                pick(
                    rng,
                    "A 3-0 nylon suture was tied around the outflow over a 4 mm dilator. Distal pressure rose.",
                    "Through a small incision the fistula was banded near its anastomosis until the digital pressure had doubled.",
                )
            )
        case "tied":
            said.append(
                pick(
                    rng,
                    "Through the old scar the fistula was dissected, doubly ligated with 0 silk, and divided.",
                    "The fistula was exposed near the anastomosis and was ligated and transfixed. No thrill afterwards.",
                )
            )
        case "second":
            said.append(
                pick(
                    rng,
                    "The arterialised vein was mobilised along its length, its tributaries were tied, and it was transposed into an anterolateral tunnel.",
                    "The vein was brought into a superficial curved tunnel and re-anastomosed to itself.",
                )
            )
        case "placed":
            said.append(
                pick(
                    rng,
                    f"Venepuncture under ultrasound, wire to the {c.tip}. A cuffed 23 cm catheter was tunnelled from the exit site and its tip placed in the {c.tip} under screening.",
                    f"The catheter was inserted through a peel-away sheath with its tip in the {c.tip}. Both lumens aspirated well.",
                )
            )
        case "exchanged":
            said.append(
                pick(
                    rng,
                    f"For {c.reason}, the existing catheter was freed, a stiff guidewire was passed, and the catheter was exchanged for a new 24 cm catheter through the same tract.",
                    f"The catheter had given trouble with {c.reason}. It was exchanged over a guidewire without loss of position; flows were brisk.",
                )
            )
        case "removed":
            said.append(
                pick(
                    rng,
                    "Under local anaesthetic the cuff was dissected out and the whole catheter was withdrawn. Pressure for five minutes.",
                    "The catheter was removed in its entirety after cut-down on the cuff.",
                )
            )
        case "revised":
            said.append(
                pick(
                    rng,
                    "The venous anastomosis was opened and a bovine pericardial patch angioplasty was completed with 6-0 suture.",
                    "A jump graft of 6 mm PTFE was sewn from the old graft to the vein beyond the narrowing.",
                )
            )
        case _:
            pass
    return said


def _history(rng: random.Random, c: Case) -> str:
    return pick(
        rng,
        "End stage renal disease on thrice-weekly haemodialysis.",
        f"He previously had a {c.other_side} arm graft which was abandoned in 2014.",
        "She had undergone several angioplasties elsewhere over the last year.",
        "Venous pressures have been climbing and bleeding after needle withdrawal is prolonged.",
        f"A {c.other_side} forearm fistula was tried in 2016 and never matured; a stent was placed for iliac disease in 2018.",
        "Recent surveillance flows were low.",
    )


def _after(rng: random.Random) -> str:
    return pick(
        rng,
        "Should the lesion recur early, stent placement would be the next step.",
        "To be seen again in six weeks.",
        "Return to usual dialysis slot tomorrow.",
        "A new access may have to be planned if this fails.",
        "Surveillance as before.",
        "Consider surgical revision if more than two treatments are needed in a year.",
    )


def unseen_theatre(rng: random.Random, c: Case) -> str:
    items = "; ".join(_titles(rng, c))
    return (
        f"PRE-OP DIAGNOSIS: ESRD.\nPOST-OP DIAGNOSIS: Same.\nSURGICAL PROCEDURE: {items}.\nDATE OF SURGERY: {c.said_day}\n"
        f"ANESTHESIA: {pick(rng, 'Local with sedation.', 'Axillary block.', 'MAC.')}\n\nBRIEF HISTORY: {_history(rng, c)}\n\n"
        f"OPERATIVE TECHNIQUE: The patient was positioned supine, prepped and draped. {' '.join(_told(rng, c))}\n\n"
        f"The patient tolerated this well. ESTIMATED BLOOD LOSS: {pick(rng, 'minimal', '20 mL')}. COMPLICATIONS: none."
    )


def unseen_suite(rng: random.Random, c: Case) -> str:
    items = "\n".join(f"{nth}. {one}" for nth, one in enumerate(_titles(rng, c), 1))
    return (
        f"PROCEDURES PERFORMED:\n{items}\n\nDATE OF SERVICE: {c.said_day}\n\nCLINICAL HISTORY: {_history(rng, c)}\n\n"
        f"DESCRIPTION: Informed consent was obtained, the risks of bleeding, rupture and thrombosis having been discussed. "
        f"{' '.join(_told(rng, c))}\n\nIMPRESSION:\n{pick(rng, 'Technically successful procedure.', 'Good result.', 'As above.')}\n"
        f"RECOMMENDATION: {_after(rng)}"
    )


def unseen_ward(rng: random.Random, c: Case) -> str:
    items = " + ".join(_titles(rng, c))
    return (
        f"THEATRE NOTE {c.said_day}\nOperation: {items}\nIndication: {_history(rng, c)}\n"
        + "\n".join(f"- {one}" for one in _told(rng, c))
        + f"\nPost op: {_after(rng)}"
    )


def unseen_letter(rng: random.Random, c: Case) -> str:
    first = {
        "dilated": "I performed a fistulogram and angioplasty of her",
        "stented": "I performed angiography, angioplasty and stent graft insertion in her",
        "declotted": "We carried out a thrombectomy and angioplasty of her thrombosed",
        "looked-at": "We carried out a diagnostic angiogram of her",
        "made": "Today I formed a" if c.access_type == "fistula" else "Today I inserted a",
        "banded": "I carried out banding of her",
        "tied": "Today I ligated her",
        "second": "Today I performed the second stage transposition of her",
        "placed": "Today we inserted a",
        "exchanged": "Today we exchanged her",
        "removed": "Today we removed her",
        "revised": "I carried out a revision of her",
    }[c.what]
    return (
        f"Day case report, {c.said_day}\n\nDear colleague,\n\nThank you for asking us to see this patient. {_history(rng, c)} "
        f"{first} {c.side} {c.access}. {' '.join(_told(rng, c))} There were no complications.\n\n{_after(rng)}\n\nYours sincerely"
    )


def unseen_template(rng: random.Random, c: Case) -> str:
    lines = [
        f"VISIT DATE: {c.said_day}",
        f"ACCESS: {c.side} {c.access}",
        f"INTERVENTION TYPE: {', '.join(_titles(rng, c))}",
    ]
    lines.append(f"REASON: {_history(rng, c)}")
    lines.append("DETAILS: " + " ".join(_told(rng, c)))
    lines += [f"COMPLICATIONS: {pick(rng, 'nil', 'none', 'no immediate')}", f"FOLLOW UP: {_after(rng)}"]
    return "\n".join(lines)


def unseen_dictated(rng: random.Random, c: Case) -> str:
    items = " and ".join(_titles(rng, c))
    return (
        f"NAME OF PROCEDURE: {items}. DATE: {c.said_day}. DICTATION: This is a patient known to our service. {_history(rng, c)} "
        f"{' '.join(_told(rng, c))} The patient left in stable condition. PLAN: {_after(rng)}"
    )


def unseen_short(rng: random.Random, c: Case) -> str:
    items = ", ".join(_titles(rng, c))
    return f"Procedure ({c.said_day}): {items}.\n{' '.join(_told(rng, c))}"


UNSEEN: list[House] = [
    unseen_theatre,
    unseen_suite,
    unseen_ward,
    unseen_letter,
    unseen_template,
    unseen_dictated,
    unseen_short,
]


def composed(letter: str, houses: list[House], count: int, seed: int) -> str:
    """So many records, each of another case; the same seed gives the same records."""
    rng = random.Random(seed)
    records = []
    seen: set[str] = set()
    while len(records) < count:
        house = houses[len(records) % len(houses)]
        case = a_case(rng, rng.choice(WHATS))
        text = house(rng, case)
        if text in seen:
            continue
        seen.add(text)
        style = house.__name__.partition("_")[2]
        records.append(
            f"=== {letter}{len(records) + 1:03} | composed, {style}\n{text}\n--- {json.dumps(case.labels())}\n"
        )
    return "\n".join(records)


def main() -> int:
    open_ones = HEAD.format(what="These are worked on.") + "\n" + composed("P", OPEN, 60, 20260301)
    (FIXTURES / "composed-open.txt").write_text(open_ones, "utf-8")
    unseen = HEAD.format(what="All are set aside: nothing is ever tuned on them.") + "\n"
    (FIXTURES / "composed-unseen.txt").write_text(unseen + composed("U", UNSEEN, 280, 20260302), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
