"""Every kind of fact, walked by hand from end to end: recorded, told, exported, corrected, put back and withdrawn.

Links about identities have their own walks in `test_identities`; corrections, retractions and reviews are made here and
in `test_reports`.
"""

from __future__ import annotations

import pytest

from ledger.events import FACT_KINDS
from tests.cli.conftest import Desk

WALKS = {
    "care-began": "--happened 2024-01-10 --unit U1 --modality in-centre --first-dialysis 2024-01-08",
    "modality-changed": "--happened 2024-09-02 --to peritoneal",
    "hospital-stay": "--happened 2024-09-02 --until 2024-09-09 --because-of-access",
    "first-seen-here": "--happened 2024-09-02 --access-found A1 --papers-asked-for --history-unknown-before 2024",
    "follow-up-ended": "--happened 2024-12-02 --reason transplant",
    "follow-up-resumed": "--happened 2025-02-03 --unit U1",
    "background": "--happened 2024-09-02 --item what=allergy,allergen=contrast --told-by 'the patient'",
    "decision": "--happened 2024-09-02 --what declines-fistula --by-patient --review-on 2025-03-03",
    "life-plan-reviewed": "--happened 2024-09-02 --next-access graft --vessel-to-spare basilic --arm-to-spare right",
    "vein-mapping": "--happened 2024-02-05 --side left --vessel vein=cephalic,diameter_mm=3.1,compressible=yes",
    "access-planned": "--happened 2024-09-02 --access-kind graft --side right --planned-for 2024-11",
    "access-known": "--happened 2024-09-02 --access-kind graft --side right --created 2019",
    "creation": "--happened 2024-09-02 --access-kind graft --side right --material ptfe --arterial-limb lateral",
    "catheter-placed": "--happened 2024-09-02 --access-kind nontunnelled-catheter --vein femoral --side right",
    "catheter-exchanged": "--happened 2024-09-02 --access C1 --form over-wire-same-tunnel --reason poor-flow",
    "catheter-removed": "--happened 2024-09-02 --access C1 --reason no-longer-needed --whole",
    "second-stage": "--happened 2024-05-06 --access A1 --form transposition",
    "maturity-assessed": "--happened 2024-04-22 --access A1 --verdict ready --rule rule-of-sixes --diameter-mm 6.4",
    "first-cannulation": "--happened 2024-05-06 --access A1 --needles 2 --gauge 17 --needle-length-mm 25",
    "access-used": "--happened 2024-09 --access A1 --use two-needles",
    "cannulation-session": "--happened 2024-09-02 --access A1 --needles 2 --gauge 15 --venous-pressure-mmhg 140",
    "examination": "--happened 2024-09-02 --access A1 --thrill weak --skin thin --told-to 'the charge nurse'",
    "measurement": "--happened 2024-09-02 --access A1 --flow-ml-min 812.50",
    "thrombosis": "--happened 2024-09-02 --access A1 --known-by imaging",
    "complication": "--happened 2024-09-02 --access A1 --what steal --scale steal-stages-1-4 --grade 2",
    "catheter-trouble": "--happened 2024-09-02 --access C1 --what poor-flow --blood-flow-ml-min '<200'",
    "infection": "--happened 2024-09-02 --access C1 --infection-class exit-site",
    "culture": "--happened 2024-09-02 --access C1 --specimen catheter-hub --positive --organism candida",
    "antimicrobial-course": "--happened 2024-09-02 --access C1 --reason bloodstream --planned-until 2024-09-30",
    "referral": "--happened 2024-09-02 --access A1 --why low-flow --urgency within-days --question 'Is it narrow?'",
    "appointment": "--happened 2024-09-02 --access A1 --state booked --on 2024-09-09",
    "visit": "--happened 2024-09-02 --access A1 --outcome done --sheath-fr 6 --sheath-place cannulation-zone",
    "angiogram": "--happened 2024-09-02 --access A1 --lesion place=cephalic-arch,stenosis_percent=80",
    "imaging": "--happened 2024-09-02 --access A1 --modality duplex --flow-seen --flow-ml-min 900",
    "angioplasty": "--happened 2024-09-02 --access A1 --lesion place=cephalic-arch,residual_percent=<20",
    "stent": "--happened 2024-09-02 --access A1 --stent place=cephalic-arch,covered=yes,diameter_mm=10,length_mm=50",
    "thrombectomy": "--happened 2024-09-02 --access A1 --method aspiration --success",
    "banding": "--happened 2024-09-02 --access A1 --reason steal --flow-before-ml-min 2300 --flow-after-ml-min 1100",
    "revision": "--happened 2024-09-02 --access A1 --method aneurysm-repair --reason aneurysm",
    "other-intervention": "--happened 2024-09-02 --access A1 --what side-branch-ligation",
    "instruction": "--happened 2024-09-02 --access A1 --what sutures --sutures 1 --due 2024-09-04",
    "abandonment": "--happened 2024-09-02 --access A1 --how given-up --reason not-matured",
    "taken-up-again": "--happened 2024-09-02 --access A8",
    "set-aside": "--happened 2024-09-02 --line conflict --until 2024-12-02 --access A1 --why 'asked the centre'",
}
"""What is typed after `record KIND P0001`, for every kind of fact. Everything in here is invented."""


@pytest.fixture
def life(with_fistula: Desk) -> Desk:
    """A left fistula A1, a tunnelled line C1, and a fistula A8 that was given up."""
    with_fistula.ok(
        "record catheter-placed P0001 --access C1 --happened 2024-01-08 --access-kind tunnelled-catheter "
        "--vein internal-jugular --side right"
    )
    with_fistula.ok("record access-known P0001 --access A8 --happened 2024-01-10 --access-kind fistula --created 2015")
    with_fistula.ok("record abandonment P0001 --access A8 --happened 2024-02-05 --how given-up")
    return with_fistula


def test_the_walks_are_of_every_kind_of_fact() -> None:
    assert set(WALKS) == FACT_KINDS


@pytest.mark.parametrize("kind", sorted(WALKS))
def test_a_kind_is_recorded_told_exported_corrected_put_back_and_withdrawn(kind: str, life: Desk) -> None:
    recorded = life.ok(f"record {kind} P0001 {WALKS[kind]} --json").json["recorded"]
    (entry,) = (one["entry"] for one in recorded)
    root = recorded[0]["id"]

    told = _told(life, root)
    assert told["kind"] == kind
    assert told["sentence"].endswith((".", '."'))
    assert root in life.ok("export P0001").out
    assert 0 < len(life.ok("brief P0001 --today 2025-03-03").out.splitlines()) <= 40
    assert life.ok("brief P0001 --for-intervention --today 2025-03-03").out

    corrected = life.ok(f"correct {entry} --set", "note=put right by hand", "--json").json["recorded"][0]["entry"]
    assert '"put right by hand"' in _told(life, root)["sentence"]
    assert root in life.ok("export P0001").out

    back = life.ok(f"retract {corrected}", "--why", "it was right before")
    assert f"{entry} holds again" in back.out
    assert _told(life, root)["sentence"] == told["sentence"]

    life.ok(f"retract {entry}", "--why", "it never happened")
    assert root not in {line["root"] for line in life.ok("history P0001 --json").json["lines"]}
    assert entry in life.ok("audit P0001 --last 0").out
    assert life.ok("rebuild").out
    assert life.run("verify").code == 0


def _told(desk: Desk, root: str) -> dict[str, str]:
    """The line of the history that tells the fact with this first entry."""
    (line,) = (one for one in desk.ok("history P0001 --json").json["lines"] if one["root"] == root)
    return dict(line)
