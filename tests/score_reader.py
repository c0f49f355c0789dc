"""How well the reader reads labelled reports: `python tests/score_reader.py [FILE…] [--show]`.

FILE is a file of one labelled report a line (JSON), or one of `fixtures/reports/*.txt`;
without any, all of the fixtures, and the file that ACCESS_LEDGER_REPORTS names if it is
set. What is never tuned on is scored apart, and `--show` never shows it: of a JSON file
the reports whose number is divisible by three, of the fixtures those that
`set-aside.txt` lists. The labels are explained in `fixtures/reports/README.md`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from ledger.reading import Reading, read_report

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures" / "reports"

PROCEDURE_OF_KIND = {
    "creation": "creation",
    "revision": "revision",
    "angiogram": "angiogram",
    "angioplasty": "angioplasty",
    "stent": "stent",
    "thrombectomy": "thrombectomy",
    "banding": "banding",
    "catheter-placed": "catheter_insertion",
    "catheter-exchanged": "catheter_exchange",
    "catheter-removed": "catheter_removal",
    "vein-mapping": "vein_mapping",
    "second-stage": "transposition",
    "other-intervention": "other",
}
"""Our kinds in the words of the labels; an abandonment is one of them only by ligation or excision."""

ACCESS_OF_KIND = {
    "fistula": "fistula",
    "graft": "graft",
    "hybrid": "graft",
    "tunnelled-catheter": "tunneled_catheter",
    "nontunnelled-catheter": "nontunneled_catheter",
    "peritoneal-catheter": "pd_catheter",
}


@dataclass
class Labelled:
    """One report with its labels."""

    id: str
    text: str
    gold: dict[str, Any]

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def is_for_measuring_only(self) -> bool:
        return int(re.sub(r"\D", "", self.id) or 1) % 3 == 0


@dataclass
class Tally:
    """Right, too many and missing."""

    right: int = 0
    extra: int = 0
    missing: int = 0

    def __iadd__(self, other: Tally) -> Tally:
        self.right += other.right
        self.extra += other.extra
        self.missing += other.missing
        return self

    @property
    def precision(self) -> float:
        return self.right / (self.right + self.extra) if self.right + self.extra else 1.0

    @property
    def recall(self) -> float:
        return self.right / (self.right + self.missing) if self.right + self.missing else 1.0

    @property
    def f1(self) -> float:
        both = self.precision + self.recall
        return 2 * self.precision * self.recall / both if both else 0.0

    def __str__(self) -> str:
        return (
            f"precision {self.precision:.3f}  recall {self.recall:.3f}  F1 {self.f1:.3f}  "
            f"({self.right} right, {self.extra} too many, {self.missing} missing)"
        )


@dataclass
class Score:
    """What a set of reports scored."""

    reports: int = 0
    procedures: Tally = field(default_factory=Tally)
    lesions: Tally = field(default_factory=Tally)
    beside: Tally = field(default_factory=Tally)
    told: Tally = field(default_factory=Tally)
    told_values: Tally = field(default_factory=Tally)
    kind_right: int = 0
    kind_all: int = 0
    side_right: int = 0
    side_all: int = 0
    date_right: int = 0
    date_all: int = 0
    first_right: int = 0
    first_all: int = 0
    lookalikes: int = 0
    false_entries: int = 0
    false_plain: int = 0
    unlabelled: int = 0
    plain_right: int = 0
    plain_all: int = 0
    procedures_all: int = 0
    by_procedure: dict[str, Tally] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        lines = [
            f"{self.reports} reports, of which {self.lookalikes} look-alikes",
            f"  procedures      {self.procedures}",
            f"  kind of access  {share(self.kind_right, self.kind_all)}",
            f"  side            {share(self.side_right, self.side_all)}",
            f"  lesion numbers  {self.lesions}",
            f"  date            {share(self.date_right, self.date_all)}",
            f"  first needling  {share(self.first_right, self.first_all)}",
            f"  beside          {self.beside}",
            f"  told by notes   {self.told}",
            f"  their values    {self.told_values}",
            (
                f"  false entries on look-alikes {self.false_entries}, marked plain {self.false_plain}; "
                f"told by notes and not labelled there {self.unlabelled}"
            ),
            (
                f"  marked plain and right {share(self.plain_right, self.plain_all)}, "
                f"at least {lower_bound(self.plain_right, self.plain_all):.3f} (exact, 95 %); "
                f"plain {share(self.plain_all, self.procedures_all)} of procedures proposed"
            ),
        ]
        wrong = {name: tally for name, tally in sorted(self.by_procedure.items()) if tally.extra or tally.missing}
        if wrong:
            lines.append(
                "  "
                + ", ".join(
                    f"{name} +{one.extra} -{one.missing} of {one.right + one.missing}" for name, one in wrong.items()
                )
            )
        return "\n".join(lines)


def share(right: int, out_of: int) -> str:
    return f"{right} of {out_of}" + (f" ({right / out_of:.3f})" if out_of else "")


def lower_bound(right: int, out_of: int) -> float:
    """The exact (Clopper-Pearson) lower end of a two-sided 95 % interval for a proportion."""
    if not out_of or not right:
        return 0.0
    from scipy.stats import beta

    return float(beta.ppf(0.025, right, out_of - right + 1))


def labelled_in(path: Path) -> list[Labelled]:
    """The reports of a file: JSON lines, or the records of `fixtures/reports/*.txt`."""
    whole = path.read_text(encoding="utf-8")
    if path.suffix == ".jsonl":
        found = [json.loads(line) for line in whole.splitlines() if line.strip()]
        return [Labelled(one["report_id"], one["text"], one["gold"]) for one in found]
    reports = []
    for record in re.split(r"^=== ", whole, flags=re.M)[1:]:
        head, rest = record.split("\n", 1)
        text, gold = rest.rsplit("\n--- ", 1)
        reports.append(Labelled(head.split("|")[0].strip(), text, json.loads(gold)))
    return reports


def score(reports: Iterable[Labelled]) -> Score:
    """The score of the reader on some reports."""
    total = Score()
    for report in reports:
        add(total, report, read_report(report.text))
    return total


def procedures_in(reading: Reading) -> list[str]:
    found = []
    for one in reading.proposed:
        name = PROCEDURE_OF_KIND.get(one.kind)
        if one.kind == "abandonment" and one.detail["how"].value in ("ligation", "excision"):
            name = "ligation"
        if name and name not in found:
            found.append(name)
    return found


def add(total: Score, report: Labelled, reading: Reading) -> None:
    """Adds one report's score."""
    gold = report.gold
    total.reports += 1
    expected = set(gold.get("procedures", []))
    optional = set(gold.get("optional_procedures", []))
    read = set(procedures_in(reading))
    tally = Tally(len(read & expected), len(read - expected - optional), len(expected - read))
    total.procedures += tally
    for name in read | expected:
        one = total.by_procedure.setdefault(name, Tally())
        one += Tally(
            int(name in read and name in expected),
            int(name in read - expected - optional),
            int(name in expected - read),
        )
    if tally.extra or tally.missing:
        total.faults.append(f"{report.id}: procedures +{sorted(read - expected - optional)} -{sorted(expected - read)}")
    _add_access(total, report, reading)
    _add_lesions(total, report, reading)
    _add_beside(total, report, reading)
    _add_told(total, report, reading)
    if gold.get("date") and not gold.get("date_ambiguous"):
        total.date_all += 1
        right = reading.happened == gold["date"]
        total.date_right += right
        if not right:
            total.faults.append(f"{report.id}: date {reading.happened}, not {gold['date']}")
    if gold.get("distractor"):
        total.lookalikes += 1
        allowed = {*gold.get("optional_also", []), *gold.get("optional_facts", [])}
        false = [
            one
            for one in reading.proposed
            if one.kind not in allowed and not (one.kind == "visit" and one.detail["outcome"].value != "done")
        ]
        if "facts" not in gold:
            # The labels of these reports do not say what they tell beside: it is counted, neither for nor against.
            total.unlabelled += sum(one.kind in _TOLD_BY_NOTES for one in false)
            false = [one for one in false if one.kind not in _TOLD_BY_NOTES]
        total.false_entries += len(false)
        total.false_plain += sum(one.plain for one in false)
        if false:
            total.faults.append(f"{report.id}: look-alike, but {[one.kind for one in false]}")
    for proposal in reading.proposed:
        name = PROCEDURE_OF_KIND.get(proposal.kind, "ligation" if proposal.kind == "abandonment" else None)
        if name is None:
            continue
        total.procedures_all += 1
        if not proposal.plain:
            continue
        total.plain_all += 1
        access = reading.access(proposal.access)
        right = name in expected | optional and _is_access(report, access, name)
        total.plain_right += right
        if not right:
            total.faults.append(f"{report.id}: marked plain, and wrong: {proposal.kind} on {access}")


def _is_access(report: Labelled, access: Any, procedure: str) -> bool:
    """Whether a plain proposal names the right kind and side, where the labels know them."""
    if access is None:
        return False
    gold = report.gold
    candidates = [one for one in gold.get("accesses", []) if procedure in one.get("procedures", [])] or [gold]
    for one in candidates:
        kind, side = one.get("access_type"), one.get("side")
        if kind and access.kind and ACCESS_OF_KIND[access.kind.value] != kind:
            continue
        if side and access.side and access.side.value != side:
            continue
        return True
    return False


def _add_access(total: Score, report: Labelled, reading: Reading) -> None:
    gold = report.gold
    first = reading.accesses[0] if reading.accesses else None
    kind = ACCESS_OF_KIND.get(first.kind.value) if first and first.kind else None
    side = first.side.value if first and first.side else None
    # A report about two accesses may be told from either of them.
    others = [(one.get("access_type"), one.get("side")) for one in gold.get("accesses", [])]
    if gold.get("access_type") and not gold.get("type_optional"):
        total.kind_all += 1
        right = kind == gold["access_type"] or (len(others) > 1 and (kind, side) in others)
        total.kind_right += right
        if not right:
            total.faults.append(f"{report.id}: kind {kind}, not {gold['access_type']}")
    if gold.get("side") and not gold.get("side_optional"):
        total.side_all += 1
        right = side == gold["side"] or (len(others) > 1 and (kind, side) in others)
        total.side_right += right
        if not right:
            total.faults.append(f"{report.id}: side {side}, not {gold['side']}")


def _numbers(lesions: Iterable[dict[str, Any]], names: tuple[str, str, str]) -> Counter[tuple[str, float]]:
    found: Counter[tuple[str, float]] = Counter()
    for lesion in lesions:
        for what, name in zip(("before", "after", "balloon"), names, strict=True):
            value = lesion.get(name)
            if value is None:
                continue
            values = value if isinstance(value, list) else [value]
            if what != "balloon":
                values = [max(values)]
            for one in values:
                found[what, float(one)] += 1
    return found


def _add_lesions(total: Score, report: Labelled, reading: Reading) -> None:
    read = _numbers(
        (
            lesion.to_json()
            for one in reading.proposed
            if one.kind != "imaging"
            for lesion in one.detail.get("lesions", ())
        ),
        ("stenosis_before_percent", "stenosis_after_percent", "balloon_mm"),
    )
    lesions = report.gold.get("lesions", [])
    expected = _numbers(lesions, ("stenosis_before_pct", "stenosis_after_pct", "balloon_mm"))
    optional = Counter(("balloon", float(one)) for lesion in lesions for one in lesion.get("balloon_optional", []))
    extra = read - expected - optional
    missing = expected - read
    tally = Tally(sum((read & expected).values()), sum(extra.values()), sum(missing.values()))
    total.lesions += tally
    if tally.extra or tally.missing:
        total.faults.append(f"{report.id}: lesion numbers +{dict(extra)} -{dict(missing)}")


_BESIDE = frozenset({"thrombosis", "infection", "first-cannulation", "maturity-assessed", "referral", "instruction"})


def _add_beside(total: Score, report: Labelled, reading: Reading) -> None:
    gold = report.gold
    read = {one.kind for one in reading.proposed} & _BESIDE
    if "first_cannulation" in gold:
        expected_first = bool(gold["first_cannulation"])
        if expected_first or "first-cannulation" in read:
            total.first_all += 1
            total.first_right += expected_first == ("first-cannulation" in read)
    if "also" not in gold and "optional_also" not in gold:
        return
    expected = set(gold.get("also", [])) & _BESIDE
    optional = set(gold.get("optional_also", []))
    tally = Tally(len(read & expected), len(read - expected - optional), len(expected - read))
    total.beside += tally
    if tally.extra or tally.missing:
        total.faults.append(f"{report.id}: beside +{sorted(read - expected - optional)} -{sorted(expected - read)}")


_TOLD_BY_NOTES = frozenset(
    {
        "imaging",
        "examination",
        "measurement",
        "culture",
        "antimicrobial-course",
        "catheter-trouble",
        "complication",
        "background",
        "decision",
        "access-planned",
        "appointment",
        "access-used",
        "hospital-stay",
    }
)


def _add_told(total: Score, report: Labelled, reading: Reading) -> None:
    """What notes tell, where the labels list it: each fact once, and of those that were read the values."""
    if "facts" not in report.gold:
        return
    optional = set(report.gold.get("optional_facts", []))
    left = [_plain_detail(reading, one) for one in reading.proposed if one.kind in _TOLD_BY_NOTES]
    missing = []
    for fact in report.gold["facts"]:
        alike = [one for one in left if one["kind"] == fact["kind"]]
        if not alike:
            missing.append(fact["kind"])
            continue
        best = max(alike, key=lambda one: sum(_agrees(one, name, value) for name, value in fact.items()))
        left.remove(best)
        for name, value in fact.items():
            if name == "kind":
                continue
            right = _agrees(best, name, value)
            total.told_values += Tally(int(right), int(not right and name in best), int(not right))
            if not right:
                total.faults.append(f"{report.id}: {fact['kind']} {name} {best.get(name)}, not {value}")
        total.told += Tally(1, 0, 0)
    extra = [one["kind"] for one in left if one["kind"] not in optional]
    total.told += Tally(0, len(extra), len(missing))
    if extra or missing:
        total.faults.append(f"{report.id}: told +{sorted(extra)} -{sorted(missing)}")


def _plain_detail(reading: Reading, proposal: Any) -> dict[str, Any]:
    detail = next(
        one["detail"]
        for one, same in zip(reading.to_json()["proposed"], reading.proposed, strict=True)
        if same is proposal
    )
    found: dict[str, Any] = {"kind": proposal.kind, **detail}
    if "lesions" in found:
        found["lesions"] = len(found["lesions"])
    if "items" in found:
        found["items"] = sorted(_item(one) for one in found["items"])
    return found


def _item(one: dict[str, Any]) -> str:
    return ":".join([one["what"], *(one[name] for name in ("allergen", "side") if one.get(name))])


def _agrees(read: dict[str, Any], name: str, value: Any) -> bool:
    if name == "items":
        return bool(read.get(name) == sorted(value))
    return bool(read.get(name) == value)


def set_aside() -> frozenset[str]:
    """The digests of the fixtures that nothing is ever tuned on."""
    listed = FIXTURES / "set-aside.txt"
    if not listed.exists():
        return frozenset()
    return frozenset(
        line.split()[0] for line in listed.read_text().splitlines() if line.strip() and not line.startswith("#")
    )


def fixtures() -> list[Path]:
    """The project's own files of labelled reports."""
    return sorted(path for path in FIXTURES.glob("*.txt") if path.name != "set-aside.txt")


def parted(path: Path) -> tuple[list[Labelled], list[Labelled]]:
    """The reports of a file that are worked on, and those that are measured only."""
    aside = set_aside()
    open_ones: list[Labelled] = []
    kept: list[Labelled] = []
    for report in labelled_in(path):
        measured_only = report.is_for_measuring_only if path.suffix == ".jsonl" else report.digest in aside
        (kept if measured_only else open_ones).append(report)
    return open_ones, kept


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="*", type=Path, help="without any: the fixtures, and ACCESS_LEDGER_REPORTS")
    parser.add_argument("--show", action="store_true", help="list the faults, never those of reports set aside")
    chosen = parser.parse_args()
    named = os.environ.get("ACCESS_LEDGER_REPORTS")
    groups = [[path] for path in chosen.files] or [fixtures(), *([[Path(named)]] if named else [])]
    for group in groups:
        print("== " + ", ".join(path.name for path in group))
        both = [parted(path) for path in group]
        for title, some in (
            ("Worked on", [report for worked_on, _ in both for report in worked_on]),
            ("Measured only", [report for _, kept in both for report in kept]),
        ):
            if not some:
                continue
            result = score(some)
            print(f"{title}: {result}")
            if chosen.show and title == "Worked on":
                print("\n".join(f"    {fault}" for fault in result.faults))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
