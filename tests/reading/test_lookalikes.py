"""Texts in which no dialysis access was operated on, though their words sound like it: nothing is read."""

from __future__ import annotations

import pytest

from ledger.reading import read_report
from ledger.vocabulary import Outcome

LOOKALIKES = [
    "PROCEDURE: Insertion of right subclavian triple lumen catheter. He is on dialysis via left arm AV graft.",
    "PROCEDURE: Right IJ central line. ESRD. The AV fistula was not used.",
    "Bedside procedure: left IJ CVC for inotropes, CKD 4. Sutured at 15 cm. CXR no pneumothorax.",
    "PROCEDURE: PICC exchange over a wire, right arm. Dialysis patient with left AVF.",
    "PROCEDURE: Removal of right chest port and catheter. History of dialysis catheter in 2019.",
    "PROCEDURE: Removal of Hickman catheter, right side. Line no longer needed after chemotherapy. ESRD on HD.",
    "PROCEDURE: Placement of tunneled central venous catheter for stem cell harvest, right IJ, 12.5 Fr.",
    "PROCEDURE: Insertion of femoral line for plasmapheresis, 12 Fr dual lumen. Not for dialysis.",
    "PROCEDURE: Tunneled pleural catheter placement, left. On hemodialysis via tunneled line.",
    "PROCEDURE: Arterial line placement, right radial. Avoid left arm fistula.",
    "PROCEDURE: Exchange of left nephrostomy tube over a wire. ESRD, right AVF.",
    "PROCEDURE: Coronary angiogram with stent to LAD, femoral approach. Hemodialysis via AV graft.",
    "PROCEDURE: Left heart catheterization. 90% stenosis of RCA, balloon angioplasty, residual 0%. Dialysis after.",
    "PROCEDURE: Renal artery angioplasty and stent, left. 80% stenosis, 6 mm balloon. CKD 4, vein mapping done.",
    "PROCEDURE: Carotid stent, right. Dialysis fistula in left arm with thrill.",
    "PROCEDURE: Femoral-popliteal bypass with PTFE graft, popliteal thrombectomy. On dialysis via AVF.",
    "PROCEDURE: Revision of femoral-tibial graft with jump graft; patch angioplasty. Dialysis patient.",
    "PROCEDURE: Thrombectomy of left femoral artery embolus. Known left arm AV graft.",
    "PROCEDURE: Mechanical thrombectomy, left iliac vein DVT, with 14 mm stent. Dialysis via right IJ catheter.",
    "PROCEDURE: IVC filter placement. ESRD with right arm AV graft, clotted last week, declotted.",
    "PROCEDURE: Endovenous ablation and ligation of varicose veins. CKD.",
    "PROCEDURE: Banding of esophageal varices. Dialysis patient with AV fistula.",
    "PROCEDURE: Pulmonary artery banding in an infant.",
    "PROCEDURE: Ligation of hemorrhoids. ESRD on HD, left AVF.",
    "PROCEDURE: Repair of rectovaginal fistula with flap. Fistula excised.",
    "PROCEDURE: Closure of oroantral fistula.",
    "PROCEDURE: Repair of arteriovenous malformation of the hand; feeding vessels ligated.",
    "PROCEDURE: Embolization of renal arteriovenous fistula after biopsy of transplant kidney. Coils placed.",
    "PROCEDURE: Ligation of traumatic femoral arteriovenous fistula after cardiac catheterization.",
    "PROCEDURE: Repair of carotid-cavernous fistula with coils.",
    "PROCEDURE: Ventriculoperitoneal shunt revision. Proximal catheter replaced. Dialysis patient.",
    "PROCEDURE: TIPS placement with covered stent. Gradient 8 mmHg. ESRD on HD via AVF.",
    "PROCEDURE: Denver shunt insertion. Peritoneal catheter and venous catheter placed through left IJ.",
    "PROCEDURE: Paracentesis with peritoneal catheter. CKD 5 not on dialysis.",
    "PROCEDURE: Split thickness skin graft to left forearm. AV fistula preserved.",
    "PROCEDURE: Aortobifemoral graft limb thrombectomy. HD via tunneled catheter.",
    "PROCEDURE: Aortic endograft with iliac stent. Left brachial access avoided because of fistula.",
    "PROCEDURE: Renal transplant. AV fistula left forearm. Ureteric stent placed. Drain placed.",
    "PROCEDURE: Transplant nephrectomy. The graft was excised. Patient back on hemodialysis by catheter.",
    "PROCEDURE: Pancreas transplant; graft thrombectomy. CKD.",
    "PROCEDURE: Tendon transposition, right hand. AV fistula left arm.",
    "PROCEDURE: Ovarian transposition before radiation.",
    "PROCEDURE: Cystoscopy, ureteral stent exchange. On dialysis through right AVG.",
    "PROCEDURE: Percutaneous gastrostomy tube replacement. ESRD.",
    "PROCEDURE: Dilation of esophageal stricture with 15 mm balloon. Hemodialysis patient, left AVG.",
    "PROCEDURE: Balloon dilation of ureteral stricture, stent. Left arm fistula.",
    "PROCEDURE: Biopsy of transplant kidney. History of clotted fistula and graft ligation.",
    "PROCEDURE: Carpal tunnel release, left, below AV fistula. Tourniquet not used.",
    "PROCEDURE: Amputation of left third finger for steal from AV fistula ligated last month.",
    "PROCEDURE: Parathyroidectomy. Left arm AV graft accessed by anesthesia for IV? No. Graft with thrill.",
    "PROCEDURE: Pacemaker insertion, right. Left AV fistula arm avoided. Leads placed through subclavian vein.",
    "CONSULT: Asked to see for access. Failed left RCF 2018, left BCF ligated 2020. Plan right BCF.",
    "H&P: ESRD on HD via R IJ TDC placed 3/2022. Fistulogram with angioplasty 5/2022. Here for pneumonia.",
    "Progress note: AVF cannulated with two needles, blood flow 400. No problems. Continue.",
    "Discharge medications: aspirin after stent placement. AV fistula left.",
    "Consent form: I agree to fistulogram, angioplasty, stent placement, thrombectomy of my AV graft.",
    "Referral: please arrange fistulogram and angioplasty for left AVF with falling flow.",
    "Booking: Mr X, left brachiocephalic fistula formation, list of 4 June, local anaesthetic.",
    "Radiology: chest film. Right IJ dialysis catheter tip in the right atrium. No pneumothorax.",
    "CT chest: occluded left subclavian vein, dialysis catheter in place, stent in the right brachiocephalic vein.",
    "Ultrasound of kidneys. Small echogenic kidneys. Note of left arm AV fistula.",
    "Telephone note: graft clotted, sent for declot tomorrow.",
    "Procedure cancelled: no escort. Planned: fistulogram with angioplasty of right AVG.",
    "Pathology: segment of excised AV graft with thrombus, received in formalin.",
    "Pharmacy: alteplase 2 mg dwell in dialysis catheter, good result.",
]

UNTITLED = [
    "Cardiac catheterization today in this dialysis patient with a left AV fistula. A drug eluting stent was placed.",
    "The left leg angiogram showed an occluded popliteal artery, which was dilated with a 4 mm balloon. He has an AVF.",
    "Mr. X, on hemodialysis by AV graft, had a chest port placed for chemotherapy. The catheter was tunneled.",
    "Gallbladder drain exchange over a wire. ESRD, right IJ tunneled dialysis catheter. The old catheter was removed.",
    "Right arm PICC removed at the bedside. The left AV fistula has a thrill. Catheter tip intact.",
    "Chest tube placed on the left. The patient dialyzes through a tunneled catheter on the right. Tube sutured.",
    "Colonoscopy with banding of two hemorrhoids. AV graft left arm, heparin free dialysis tomorrow.",
    "Ureteric stents changed today. Dialysis via left BCF. Old stents removed, new stents inserted over wires.",
    "The transplanted kidney's artery had a 70% stenosis and was stented with a 6 mm stent. AV fistula still works.",
    "Inferior vena cava filter removed through the right internal jugular vein. ESRD on dialysis by AVG.",
    "A lumbar drain catheter was placed. She is on hemodialysis through an AV fistula.",
    "The epidural catheter was removed on day 2. Dialysis was done through the left AV graft.",
    "Foot wound debridement and skin graft placed. The graft took well. Dialysis catheter in the right neck.",
    "Right carotid stenosis 80%, stent placed, no residual. Left arm fistula used for dialysis the next day.",
    "Umbilical hernia repair with mesh; the PD catheter was left in place and flushed.",
    "Cholecystectomy; Tenckhoff catheter seen in the pelvis, omentum free, left alone.",
    "Dialysis today through the left AV graft. Post dialysis the needle sites bled for 10 minutes.",
    "Blood cultures drawn from the dialysis catheter and from the arm.",
    "The nurse changed the dressing of the tunneled dialysis catheter and flushed both lumens.",
    "Intra-aortic balloon was inserted through the right femoral artery in a patient with an AV fistula.",
    "Esophageal balloon dilatation to 18 mm. Patient has ESRD and a left arm AV graft.",
    "Temporary pacing wire placed via right IJ; dialysis catheter on the left undisturbed.",
    "Left AV fistula with good thrill. Admitted with chest pain, had angiography and a stent.",
    "Peripheral bypass graft occluded; thrombectomy of the femoral-popliteal graft done. On dialysis, AVF left.",
    "Tracheostomy tube changed. CRRT through left femoral dialysis catheter continues.",
    "Family meeting: they ask that the dialysis catheter be removed and dialysis stopped. Palliative care to see.",
    "Teaching: how an AV fistula is created, how a graft is placed, what banding and ligation are.",
    "Study: 40 patients had stent grafts placed at the venous anastomosis of AV grafts.",
    "Quality meeting: three catheters exchanged, two fistulas created, one graft declotted in March.",
    "Insurance letter: request to authorize percutaneous thrombectomy and stent of AV graft.",
]


@pytest.mark.parametrize("text", UNTITLED)
def test_nothing_is_read_from_a_lookalike_without_headings(text: str) -> None:
    reading = read_report(text)

    assert [one.kind for one in reading.proposed] == []


@pytest.mark.parametrize("text", LOOKALIKES)
def test_nothing_is_read_from_a_lookalike(text: str) -> None:
    reading = read_report(text)

    read = [
        one.kind
        for one in reading.proposed
        if one.kind not in ("referral", "thrombosis", "instruction")
        and not (one.kind == "visit" and one.detail["outcome"] is not Outcome.DONE)
    ]
    assert read == []
