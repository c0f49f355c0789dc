"""What single sentences say was done: the bracket holds the words and their kind; `nothing` is no deed.

When reality surprises us, the surprising sentence joins this list before the code changes.
"""

from __future__ import annotations

import re

import pytest

from ledger.reading import read_report

DEEDS = frozenset(
    {
        "creation",
        "second-stage",
        "angiogram",
        "angioplasty",
        "stent",
        "thrombectomy",
        "banding",
        "revision",
        "other-intervention",
        "abandonment",
        "catheter-placed",
        "catheter-exchanged",
        "catheter-removed",
        "vein-mapping",
    }
)

CREATION = [
    "We fashioned a [left radiocephalic fistula|creation] under block.",
    "A [right brachiocephalic AV fistula was created|creation] under local anaesthetic.",
    "Operation: [Formation of left brachiobasilic AVF|creation], stage 1.",
    "PROCEDURE: Left arm [brachial artery to axillary vein PTFE graft|creation]. It was tunneled and sewn.",
    "OPERATION: [Insertion of right forearm loop graft|creation].",
    "PROCEDURE: [Construction of arteriovenous fistula|creation], right wrist.",
    "PROCEDURE: [Placement of arteriovenous graft|creation], left thigh.",
    "Today Dr X made a [left snuffbox fistula|creation] for her.",
    "An [end-to-side radiocephalic fistula was constructed|creation] at the left wrist.",
    "PROCEDURE: Left arm [AV graft placement|creation] with 6 mm PTFE.",
    "OPERATION: [Left AV fistula creation|creation] (brachiocephalic).",
    "She had a left arm [fistula created in 2018|nothing] which clotted.",
    "He is scheduled for [creation of a right brachiocephalic fistula|nothing].",
    "A left radiocephalic fistula was [attempted|nothing] but the vein was too small, no anastomosis was made.",
    "We discussed [creation of an AV graft|nothing] in the left arm.",
    "The [fistula was created|nothing] six weeks ago in the left arm and is now 6 mm wide.",
    "Left upper arm AV fistula [was placed|nothing] by another surgeon last year.",
    "If this fails a [right AV graft will be placed|nothing].",
    "There is a well [formed|nothing] left AV fistula.",
]

CATHETERS = [
    "PROCEDURE: [Placement of tunneled dialysis catheter|catheter-placed], right IJ.",
    "[Insertion of right internal jugular tunnelled haemodialysis catheter|catheter-placed] today, no problems.",
    "A [temporary dialysis catheter was inserted|catheter-placed] in the right femoral vein.",
    "A [cuffed dialysis catheter was placed|catheter-placed] through the left IJ with its tip in the right atrium.",
    "PROCEDURE: [Tunneled dialysis catheter insertion|catheter-placed].",
    "PROCEDURE: [Dialysis catheter exchange|catheter-exchanged] over a wire, right IJ.",
    "The left IJ [tunneled dialysis catheter was exchanged|catheter-exchanged] over a guidewire.",
    "The malfunctioning [dialysis catheter was replaced|catheter-exchanged] over a wire.",
    "PROCEDURE: [Removal of tunneled dialysis catheter|catheter-removed].",
    "The right IJ [tunneled dialysis catheter was removed|catheter-removed] at the bedside.",
    "[Tunnelled dialysis line removed|catheter-removed] today, cuff intact.",
    "PROCEDURE: [Placement of Tenckhoff catheter|catheter-placed].",
    "The [peritoneal dialysis catheter was removed|catheter-removed] through the old scar.",
    "The patient has a right IJ [tunneled dialysis catheter|nothing] placed last month.",
    "The [dialysis catheter will be removed|nothing] when the fistula is used.",
    "The tunneled dialysis catheter [was not removed|nothing].",
    "Dialysis was done through the right IJ [tunneled catheter|nothing].",
    "The dialysis catheter was flushed and the [dressing was changed|nothing].",
    "A [Foley catheter was placed|nothing]. He has a left arm AV fistula.",
    "An [arterial line was inserted|nothing] before surgery on the dialysis patient's hip.",
    "PROCEDURE: [Port removal|nothing]. The patient has a dialysis fistula.",
    "The [sheath was removed|nothing] and the AV fistula compressed.",
    "A [PICC line was placed|nothing]; the left AV fistula was spared.",
    "Consider [exchange of the dialysis catheter|nothing] if flows stay low.",
    "Risks of [tunneled dialysis catheter placement|nothing] were explained.",
    "[Removal of the dialysis catheter|nothing] is planned for next week.",
    "The right IJ catheter [could not be placed|nothing], since the wire did not pass; dialysis by left arm graft.",
]

OPENING = [
    "A [fistulogram was performed|angiogram] of the left AV fistula.",
    "The left AV fistula was punctured and [contrast injection|angiogram] showed a tight stenosis.",
    "PROCEDURE: [Fistulogram|angiogram], left arm AVF. FINDINGS: normal.",
    "PROCEDURE: [Balloon angioplasty|angioplasty] of left AV fistula.",
    "The outflow stenosis of the left AV graft [was dilated with an 8 mm balloon|angioplasty].",
    "The stenosis of the AV fistula [was treated with a 7 mm balloon|angioplasty].",
    "The juxta-anastomotic stenosis of the AVF [was angioplastied|angioplasty] to 6 mm.",
    "L AVF: cephalic arch stenosis [ballooned|angioplasty] to 9 mm.",
    "A [covered stent was deployed|stent] across the venous anastomosis of the left AV graft.",
    "PROCEDURE: [Stent placement|stent] in the cephalic arch, left AV fistula.",
    "The cephalic arch of the left AVF [was stented|stent] with an 8 x 50 mm covered stent.",
    "We [placed an 8 mm stent graft|stent] at the venous anastomosis of her AV graft.",
    "[Angioplasty was not performed|nothing]; the AV fistula looked good on ultrasound.",
    "No [stent was placed|nothing] in the AV graft.",
    "The AV graft has an old [stent|nothing] at the venous anastomosis.",
    "The previously placed [stent|nothing] in the left AV graft is patent.",
    "She underwent [angioplasty of the AV graft|nothing] in March.",
    "The AV graft has had four [angioplasties|nothing].",
    "If flows fall, [angioplasty|nothing] of the AV fistula is an option.",
    "Plan: [fistulogram with possible angioplasty|nothing] of the left AVF next week.",
    "Status post [angioplasty of left AV fistula|nothing] two months ago.",
    "He needs a [fistulogram|nothing] of his left AV fistula.",
    "A [coronary stent was placed|nothing]. Left AV fistula has a thrill.",
    "[Carotid angioplasty|nothing] was done. The dialysis fistula was not touched.",
    "Patient scheduled for AV [fistulogram|nothing] but cancelled because of fever.",
    "A 10 mm balloon was inflated in the SVC to break the [fibrin sheath|nothing] of the dialysis catheter.",
    "A 4 mm balloon [was inflated as a sizer|nothing] in the AV fistula.",
]

CLOT = [
    "PROCEDURE: [Thrombectomy|thrombectomy] of left forearm AV graft.",
    "The clotted left AV graft [was declotted|thrombectomy] with success.",
    "[Thrombus was aspirated|thrombectomy] from the AV graft and flow came back.",
    "PROCEDURE: [Percutaneous declot|thrombectomy] of right AV fistula.",
    "[Pharmacomechanical thrombolysis|thrombectomy] of the left AV graft was performed.",
    "The AV graft was opened and [clot was removed|thrombectomy] with an embolectomy catheter.",
    "The left AV graft was [declotted twice last year|nothing].",
    "[Thrombectomy|nothing] of the AV graft was attempted and stopped before any clot was reached.",
    "There was no [clot|nothing] in the AV graft.",
    "Graft AV clotted; refer for [declot|nothing].",
    "Risk of [thrombosis and thrombectomy|nothing] of the AV graft was explained.",
]

SURGERY = [
    "PROCEDURE: [Ligation of left AV fistula|abandonment].",
    "The [AV fistula was ligated|abandonment] with two silk ties because of steal.",
    "PROCEDURE: [Excision of infected AV graft|abandonment], right arm.",
    "The infected [AV graft was excised|abandonment] completely.",
    "The branches of the AV fistula were [ligated|nothing] with silk.",
    "The AV fistula was not [ligated|nothing].",
    "PROCEDURE: [Banding|banding] of left AV fistula for steal.",
    "PROCEDURE: [Banding|banding] of left AVF. A 4 mm [angioplasty balloon|nothing] was inflated as a sizing dowel.",
    "[Banding|banding] of the left AVF was done over a 5 mm balloon, [dilated|nothing] only to serve as a mandrel.",
    "The left AV fistula [was banded|banding] with a 2-0 suture around a 4 mm dowel.",
    "PROCEDURE: [Revision of left AV graft|revision] with [interposition graft|revision].",
    "PROCEDURE: [Patch angioplasty|revision] of the venous anastomosis, left AV graft.",
    "PROCEDURE: [DRIL procedure|revision], left arm AV fistula.",
    "PROCEDURE: [Aneurysmorrhaphy|revision], right AV fistula.",
    "The AV fistula aneurysms [were plicated|revision].",
    "PROCEDURE: [Second stage basilic vein transposition|second-stage], left AVF.",
    "OPERATION: [Superficialisation|second-stage] of left brachiocephalic AV fistula.",
    "The basilic vein of the left AV fistula [was transposed|second-stage] into a new tunnel.",
    "PROCEDURE: [Vein mapping|vein-mapping], both arms, before dialysis access.",
    "Two accessory veins of the left AV fistula [were coiled|other-intervention].",
    "PROCEDURE: [Coil embolization|other-intervention] of a side branch of the left AV fistula.",
    "[Banding|nothing] was discussed for her left AV fistula.",
    "She may need [revision|nothing] of the AV graft.",
    "Haemorrhoid [banding|nothing] was done. The patient dialyses by AV fistula.",
    "[Ligation of varices|nothing] was done in this dialysis patient with a left arm AV fistula.",
    "PROCEDURE: Ulnar nerve [transposition|nothing]. The AV fistula arm was not used.",
    "PROCEDURE: [Closure of colovesical fistula|nothing] in a patient on dialysis by AV graft.",
]

AS_HOUSES_SAY_IT = [
    "Procedures: 1) [Graftogram|angiogram] 2) [PTA|angioplasty] of the venous outflow, right upper arm AV graft.",
    "Operation: [L BCF|creation]. LA. Vein 3 mm. End to side anastomosis 6/0. Good thrill.",
    "Op: [Creation L RC AVF|creation].",
    "Name of operation: [Left brachiocephalic fistula formation|creation]",
    "[Implantation of early cannulation graft|creation], left arm, brachial to axillary, for dialysis.",
    "PROCEDURE: [AV graft insertion|creation], left forearm straight.",
    "Vein and brachial artery were joined, and so a [left brachiocephalic fistula was formed|creation].",
    "Procedure note: [RIJ tunneled HD catheter placed|catheter-placed], 23 cm, tip RA.",
    "Procedure: [US-guided left femoral dialysis catheter insertion|catheter-placed] on ITU.",
    "Under ultrasound a 20 cm [dialysis catheter was placed|catheter-placed] in the right IJ and sutured.",
    "Procedure: [Change of tunnelled dialysis line over a wire|catheter-exchanged].",
    "PROCEDURE: [Tunneled dialysis catheter replacement|catheter-exchanged], same tract, left IJ.",
    "Procedure: [Rewire of dialysis line|catheter-exchanged] right IJ.",
    "Tunnelled dialysis line, right IJ: cuff dissected and [line taken out|catheter-removed].",
    "PROCEDURE: [Explantation of dialysis catheter|catheter-removed], left IJ.",
    "Procedure: [PD catheter insertion|catheter-placed], percutaneous, local.",
    "Procedure: [Insertion of Tenckhoff|catheter-placed] (laparoscopic).",
    "[Central venogram|angiogram] and [angioplasty|angioplasty] of left subclavian vein by the left AV graft.",
    "Procedure: Left AVF [fistulogram|angiogram] & [plasty|angioplasty] + [stent|stent].",
    "The AV fistula was studied with a [diagnostic angiogram|angiogram] which was normal.",
    "[Percutaneous transluminal angioplasty|angioplasty] was carried out on the outflow of the right AV graft.",
    "The narrowing in the fistula was opened [with a 6 mm balloon|angioplasty]. AVF patent.",
    "AV graft: venous anastomosis 80%, [dilated to 7 mm|angioplasty], residual 10%.",
    "A 7 mm [balloon was inflated|angioplasty] across the stenosis of the AV fistula.",
    "The arch lesion of the AV fistula [was stented|stent] because of recoil.",
    "PROCEDURE: [Stent graft placement|stent], venous anastomosis, left AVG.",
    "[Covered stent deployed|stent] at the outflow of the AV fistula.",
    "A bare metal [stent was inserted|stent] into the left subclavian vein for the AV graft arm.",
    "PROCEDURE: [Mechanical thrombectomy|thrombectomy], left AVF.",
    "The AV graft was thrombosed; we [extracted the clot|thrombectomy] with a balloon catheter.",
    "PROCEDURE: Open [thrombectomy|thrombectomy] and [revision|revision], right AV graft.",
    "PROCEDURE: [Thromboaspiration|thrombectomy] of clotted left AV fistula.",
    "PROCEDURE: [Takedown of left AV fistula|abandonment] after transplantation.",
    "Steal: [fistula tied off|abandonment] today, left arm AVF.",
    "PROCEDURE: [Ligation and excision of aneurysmal right AV fistula|abandonment].",
    "PROCEDURE: [Removal of infected PTFE graft|abandonment], left arm dialysis graft.",
    "PROCEDURE: [Explantation of left AV graft|abandonment].",
    "PROCEDURE: Left AV fistula [flow reduction|banding] by suture.",
    "The arteriovenous graft was revised with a new [jump graft|revision] to the axillary vein.",
    "PROCEDURE: [Repair of pseudoaneurysm|revision] of AV graft, right.",
    "PROCEDURE: [Replacement of segment of AV graft|revision], left forearm.",
    "PROCEDURE: [Elevation of left cephalic vein|second-stage] (AV fistula too deep).",
    "PROCEDURE: Stage 2 [BVT|second-stage], right arm AVF.",
    "PROCEDURE: [Upper extremity vein mapping|vein-mapping].",
    "Duplex [vessel mapping|vein-mapping] was done for AV fistula planning.",
]

LEFT_ALONE = [
    "No evidence of [stenosis|nothing] in the AV fistula; [angioplasty not needed|nothing].",
    "We decided against [stenting|nothing] the AV graft.",
    "Neither [thrombectomy|nothing] nor [ligation|nothing] of the AV fistula was needed.",
    "The AV fistula was placed on the list for [banding|nothing].",
    "The left arm AV fistula was [used|nothing] for dialysis today with two needles.",
    "The patient, whose [graft was revised|nothing] in May, came for dialysis through his AV graft.",
    "The AV fistula matured after [balloon angioplasty|nothing] in 2020.",
    "AV fistula: patient refused [fistulogram|nothing].",
    "Dr X's plan is [ligation of the AV fistula|nothing] if the hand gets worse.",
    "Her [catheter was placed|nothing] at another hospital; she has dialysis on Mondays.",
    "Prior to [thrombectomy|nothing] of the AV graft an INR is needed.",
    "The AV fistula [stent|nothing] is patent.",
    "[Stent placement|nothing] in the right coronary artery was done; dialysis by AVF.",
    "A double J [stent was placed|nothing]. AV fistula working.",
    "[Fistula closure|nothing] of the bladder in a dialysis patient.",
    "The tracheo-oesophageal [fistula was ligated|nothing]. On haemodialysis.",
    "The femoral-popliteal [graft was placed|nothing] in a patient on dialysis with AV fistula.",
    "[Skin graft placed|nothing] on the leg of a patient with an AV fistula.",
    "[Gastric band removal|nothing] in a patient on dialysis.",
    "[TIPS revision|nothing] with stent. Patient on dialysis through a tunneled dialysis catheter.",
    "[Nephrostomy tube exchange|nothing] in a patient with an AV fistula.",
    "[Gastrostomy tube replaced|nothing]; dialysis by AV graft.",
    "[Varicose vein ligation|nothing], left leg, in a patient with left arm AV fistula.",
    "The needle was removed and the AV fistula was [compressed|nothing].",
    "Heparin lock [was changed|nothing] in the dialysis catheter.",
    "The [dialysis catheter was secured|nothing] with sutures and used.",
    "Dialysis catheter to be [exchanged|nothing] tomorrow.",
    "Right IJ dialysis catheter [pulled back|nothing] by 2 cm, still works.",
    "The [guidewire was exchanged|nothing] for a stiff one; AV fistula patent, no more was done.",
]

SENTENCES = [*AS_HOUSES_SAY_IT, *LEFT_ALONE, *CREATION, *CATHETERS, *OPENING, *CLOT, *SURGERY]
_MARK = re.compile(r"\[([^\]|]*)\|([a-z-]+)\]")


@pytest.mark.parametrize("sentence", SENTENCES)
def test_a_sentence_says_what_was_done(sentence: str) -> None:
    text, marked = _unmarked(sentence)

    reading = read_report(text)

    deeds = [one for one in reading.proposed if one.kind in DEEDS]
    assert {one.kind for one in deeds} == {kind for _, _, kind in marked if kind != "nothing"}
    for start, end, kind in marked:
        if kind != "nothing":
            assert any(
                cite.start < end and start < cite.end for one in deeds if one.kind == kind for cite in one.quotes
            ), f"no quote of {kind} lies on {text[start:end]!r}"


def test_what_is_left_out_says_why() -> None:
    reading = read_report(
        "PROCEDURE: Fistulogram of left AV fistula. Angioplasty was not performed. No stent was placed."
    )

    reasons = [(reading.text[one.start : one.end], one.reason) for one in reading.noticed]

    assert ("Angioplasty", "denied") in reasons
    assert any("stent" in words and reason == "denied" for words, reason in reasons)


def _unmarked(sentence: str) -> tuple[str, list[tuple[int, int, str]]]:
    text = ""
    marked = []
    done = 0
    for one in _MARK.finditer(sentence):
        text += sentence[done : one.start()]
        marked.append((len(text), len(text) + len(one[1]), one[2]))
        text += one[1]
        done = one.end()
    return text + sentence[done:], marked
