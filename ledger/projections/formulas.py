"""What can be worked out of raw numbers, each with its working and its source.

The raw numbers are what is recorded; nothing that is worked out here is ever stored. A
number that was said with a comparator or as a range ("<20") gives no result, since no
single number can be made of it; one that was said as "about" gives a result that says
"about". A result outside of what the formula can mean is None, and `note` says why.

No result is compared with a limit here; limits belong to named rules.

To add a formula, write a function that returns a `Worked`, with its source in the
docstring, and let `worked_from` call it where a measurement holds its numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

from ledger.events import Measurement
from ledger.measured import Measured

if TYPE_CHECKING:
    from ledger.chronology import History

MEAN_ARTERIAL_PRESSURE = "mean arterial pressure"

Number = Decimal | int | str | Measured
"""A raw number: a decimal, its digits, or a quantity as it was said."""


@dataclass(frozen=True, kw_only=True)
class Worked:
    """A result with its working. `value` is unrounded, None where there is none; `digits` says how it is printed."""

    name: str
    value: Decimal | None
    unit: str
    digits: int
    working: str
    source: str
    about: bool = False
    note: str = ""

    @property
    def printed(self) -> str:
        """The result as it is printed, half rounded up; empty where there is none."""
        if self.value is None:
            return ""
        rounded = self.value.quantize(Decimal(1).scaleb(-self.digits), rounding=ROUND_HALF_UP)
        unit = f" {self.unit}" if self.unit else ""
        return f"{'about ' if self.about else ''}{rounded}{unit}"

    def __str__(self) -> str:
        result = self.printed or "no result"
        note = f" ({self.note})" if self.note else ""
        return f"{self.name}: {self.working} = {result}{note}"


def mean_arterial_pressure(systolic_mmhg: Number, diastolic_mmhg: Number) -> Worked:
    """Mean arterial pressure, (systolic + 2 x diastolic) / 3, in mmHg. Arithmetic of the trade.

    >>> print(mean_arterial_pressure("140", "80"))
    mean arterial pressure: (140 + 2 x 80) / 3 = 100.0 mmHg
    """
    systolic, diastolic, about = _exactly(systolic_mmhg, diastolic_mmhg)
    return _worked(
        MEAN_ARTERIAL_PRESSURE,
        None if systolic is None or diastolic is None else (systolic + 2 * diastolic) / 3,
        "mmHg",
        1,
        f"({_said(systolic_mmhg)} + 2 x {_said(diastolic_mmhg)}) / 3",
        "common practice, no source",
        about,
    )


def intra_access_pressure(static_mmhg: Number, chamber_height_cm: Number) -> Worked:
    """The static pressure in the access, static + (0.35 x height + 3.4), in mmHg.

    The height is that of the blood level in the chamber over the arm of the chair. Source: JASN table 2
    (jasn.asnjournals.org markup/27845), the simplified static pressure.

    >>> print(intra_access_pressure("30", "20"))
    pressure in the access: 30 + (0.35 x 20 + 3.4) = 40.40 mmHg
    """
    static, height, about = _exactly(static_mmhg, chamber_height_cm)
    return _worked(
        "pressure in the access",
        None if static is None or height is None else static + (Decimal("0.35") * height + Decimal("3.4")),
        "mmHg",
        2,
        f"{_said(static_mmhg)} + (0.35 x {_said(chamber_height_cm)} + 3.4)",
        "JASN table 2, jasn.asnjournals.org markup/27845",
        about,
    )


def static_pressure_ratio(
    static_mmhg: Number, chamber_height_cm: Number, systolic_mmhg: Number, diastolic_mmhg: Number
) -> Worked:
    """The static pressure ratio: pressure in the access over mean arterial pressure. Source as above.

    >>> print(static_pressure_ratio("30", "20", "120", "75").printed)
    0.4489
    """
    pressure = intra_access_pressure(static_mmhg, chamber_height_cm)
    mean = mean_arterial_pressure(systolic_mmhg, diastolic_mmhg)
    value, note = None, ""
    if pressure.value is not None and mean.value is not None:
        if mean.value > 0:
            value = pressure.value / mean.value
        else:
            note = "the mean arterial pressure is not above nought"
    return _worked(
        "static pressure ratio",
        value,
        "",
        4,
        f"({pressure.working}) / ({mean.working})",
        pressure.source,
        pressure.about or mean.about,
        note,
    )


def flow_by_reversed_lines(blood_flow_ml_min: Number, recirculation_fraction: Number) -> Worked:
    """Access flow by reversed lines, blood flow x (1 - R) / R, in mL/min; R is a fraction between 0 and 1.

    Source: Krivitski 1995, from memory.

    >>> print(flow_by_reversed_lines("300", "0.25"))
    access flow by reversed lines: 300 x (1 - 0.25) / 0.25 = 900 mL/min
    """
    blood, fraction, about = _exactly(blood_flow_ml_min, recirculation_fraction)
    value, note = None, ""
    if blood is not None and fraction is not None:
        if 0 < fraction < 1:
            value = blood * (1 - fraction) / fraction
        else:
            note = "the recirculation with lines reversed has to lie between 0 and 1"
    said = _said(recirculation_fraction)
    return _worked(
        "access flow by reversed lines",
        value,
        "mL/min",
        0,
        f"{_said(blood_flow_ml_min)} x (1 - {said}) / {said}",
        "Krivitski 1995, from memory",
        about,
        note,
    )


def recirculation(urea_systemic: Number, urea_arterial: Number, urea_venous: Number) -> Worked:
    """Recirculation by urea, (S - A) / (S - V) x 100, in percent; any one unit for the three.

    A small negative result happens and is shown as it is. Source: two-needle slow-flow method, K/DOQI 2000 guideline
    12 (from memory) and Kapoian, Kidney Int 1997 52:839.

    >>> print(recirculation("80", "72", "20"))
    recirculation: (80 - 72) / (80 - 20) x 100 = 13.33 %
    """
    systemic, arterial, about = _exactly(urea_systemic, urea_arterial)
    venous, _, also = _exactly(urea_venous, urea_venous)
    value, note = None, ""
    if systemic is not None and arterial is not None and venous is not None:
        if systemic == venous:
            note = "systemic and venous urea are the same"
        else:
            value = (systemic - arterial) / (systemic - venous) * 100
            if value < 0:
                note = "negative: the arterial line held more urea than the body"
    return _worked(
        "recirculation",
        value,
        "%",
        2,
        f"({_said(urea_systemic)} - {_said(urea_arterial)}) / ({_said(urea_systemic)} - {_said(urea_venous)}) x 100",
        "Kapoian, Kidney Int 1997 52:839; K/DOQI 2000 guideline 12, from memory",
        about or also,
        note,
    )


def flow_fall(previous_ml_min: Number, current_ml_min: Number) -> Worked:
    """The fall in access flow between two measurements, in percent of the earlier. A rise is negative.

    >>> print(flow_fall("1100", "800"))
    fall in flow: (1100 - 800) / 1100 x 100 = 27.3 %
    """
    previous, current, about = _exactly(previous_ml_min, current_ml_min)
    value, note = None, ""
    if previous is not None and current is not None:
        if previous > 0:
            value = (previous - current) / previous * 100
            note = "negative: the flow rose" if value < 0 else ""
        else:
            note = "the earlier flow is not above nought"
    said = _said(previous_ml_min)
    return _worked(
        "fall in flow",
        value,
        "%",
        1,
        f"({said} - {_said(current_ml_min)}) / {said} x 100",
        "arithmetic of the trade",
        about,
        note,
    )


def urea_reduction_ratio(urea_before: Number, urea_after: Number) -> Worked:
    """Urea reduction ratio, (before - after) / before x 100, in percent. Source of the check: kten.com story 6252723.

    >>> print(urea_reduction_ratio("80", "28"))
    urea reduction ratio: (80 - 28) / 80 x 100 = 65.0 %
    """
    before, after, about = _exactly(urea_before, urea_after)
    value, note = None, ""
    if before is not None and after is not None:
        if before > 0:
            value = (before - after) / before * 100
        else:
            note = "the urea before is not above nought"
    said = _said(urea_before)
    return _worked(
        "urea reduction ratio",
        value,
        "%",
        1,
        f"({said} - {_said(urea_after)}) / {said} x 100",
        "arithmetic of the trade",
        about,
        note,
    )


def kt_over_v(
    urea_before: Number, urea_after: Number, hours: Number, ultrafiltration_l: Number, weight_after_kg: Number
) -> Worked:
    """Single-pool Kt/V, -ln(R - 0.008 t) + (4 - 3.5 R) x UF / W; R is urea after over before, t hours, UF litres, W kg.

    Source: Daugirdas 1993 (second generation), from memory.

    >>> print(kt_over_v("100", "30", "4", "3", "72").printed)
    1.4397
    """
    before, after, about = _exactly(urea_before, urea_after)
    time, fluid, also = _exactly(hours, ultrafiltration_l)
    weight, _, too = _exactly(weight_after_kg, weight_after_kg)
    value, note = None, ""
    ratio = f"{_said(urea_after)} / {_said(urea_before)}"
    if before is not None and after is not None and time is not None and fluid is not None and weight is not None:
        if before <= 0 or weight <= 0:
            note = "urea before and weight have to be above nought"
        else:
            left = after / before
            inner = left - Decimal("0.008") * time
            if inner <= 0:
                note = "the urea ratio is too small for this length of dialysis"
            else:
                value = -inner.ln() + (4 - Decimal("3.5") * left) * fluid / weight
    return _worked(
        "single-pool Kt/V",
        value,
        "",
        4,
        f"-ln({ratio} - 0.008 x {_said(hours)}) + (4 - 3.5 x {ratio}) x "
        f"{_said(ultrafiltration_l)} / {_said(weight_after_kg)}",
        "Daugirdas 1993, from memory",
        about or also or too,
        note,
    )


def kt_over_v_of_clearance(clearance_l_min: Number, minutes: Number, volume_l: Number) -> Worked:
    """Kt/V of a clearance, a time and a volume: K x t / V. Source of the check: kten.com story 6252723.

    >>> print(kt_over_v_of_clearance("0.25", "240", "50"))
    Kt/V: 0.25 x 240 / 50 = 1.20
    """
    clearance, time, about = _exactly(clearance_l_min, minutes)
    volume, _, also = _exactly(volume_l, volume_l)
    value, note = None, ""
    if clearance is not None and time is not None and volume is not None:
        if volume > 0:
            value = clearance * time / volume
        else:
            note = "the volume is not above nought"
    return _worked(
        "Kt/V",
        value,
        "",
        2,
        f"{_said(clearance_l_min)} x {_said(minutes)} / {_said(volume_l)}",
        "arithmetic of the trade",
        about or also,
        note,
    )


def worked_of(history: History, root: str) -> tuple[Worked, ...]:
    """What can be worked out of the measurement whose first entry is `root`; empty for anything else.

    A flow is set against the one before it of the same access, if both were measured in the same way: the fall between
    two ways of measuring means nothing.
    """
    before: dict[tuple[str | None, object], Measured] = {}
    for one in history.facts:
        fact = one.fact
        if not isinstance(fact, Measurement):
            continue
        if one.root == root:
            return worked_from(fact, before.get((one.access, fact.method)))
        if fact.flow_ml_min is not None:
            before[one.access, fact.method] = fact.flow_ml_min
    return ()


def is_worth_a_line(worked: Worked) -> bool:
    """Whether a result says something of the access: a mean arterial pressure alone does not."""
    return worked.name != MEAN_ARTERIAL_PRESSURE


def worked_from(measured: Measurement, previous_flow: Measured | None = None) -> tuple[Worked, ...]:
    """Everything that can be worked out of one measurement, and the fall from an earlier flow if there is one."""
    found: list[Worked] = []
    pressures = (measured.systolic_mmhg, measured.diastolic_mmhg)
    if pressures[0] is not None and pressures[1] is not None:
        found.append(mean_arterial_pressure(pressures[0], pressures[1]))
        if measured.chamber_height_cm is not None:
            for name, static in (
                ("venous", measured.static_venous_pressure_mmhg),
                ("arterial", measured.static_arterial_pressure_mmhg),
            ):
                if static is not None:
                    ratio = static_pressure_ratio(static, measured.chamber_height_cm, pressures[0], pressures[1])
                    found.append(_renamed(ratio, f"static pressure ratio, {name} needle"))
    if measured.blood_flow_ml_min is not None and measured.reversed_recirculation_fraction is not None:
        found.append(flow_by_reversed_lines(measured.blood_flow_ml_min, measured.reversed_recirculation_fraction))
    if measured.urea_systemic is not None and measured.urea_arterial is not None and measured.urea_venous is not None:
        found.append(recirculation(measured.urea_systemic, measured.urea_arterial, measured.urea_venous))
    if previous_flow is not None and measured.flow_ml_min is not None:
        found.append(flow_fall(previous_flow, measured.flow_ml_min))
    if measured.urea_before is not None and measured.urea_after is not None:
        found.append(urea_reduction_ratio(measured.urea_before, measured.urea_after))
        if (
            measured.hours is not None
            and measured.ultrafiltration_l is not None
            and measured.weight_after_kg is not None
        ):
            found.append(
                kt_over_v(
                    measured.urea_before,
                    measured.urea_after,
                    measured.hours,
                    measured.ultrafiltration_l,
                    measured.weight_after_kg,
                )
            )
    return tuple(found)


def _exactly(first: Number, second: Number) -> tuple[Decimal | None, Decimal | None, bool]:
    """Both as single numbers, None where they are not; and whether one of them was said as "about"."""
    one, about = _single(first)
    other, also = _single(second)
    return one, other, about or also


def _single(number: Number) -> tuple[Decimal | None, bool]:
    if isinstance(number, Measured):
        if number.value is None or number.comparator not in (None, "~"):
            return None, False
        return Decimal(number.value), number.comparator == "~" or number.how == "estimated"
    return Decimal(number), False


def _said(number: Number) -> str:
    return str(number)


def _worked(
    name: str,
    value: Decimal | None,
    unit: str,
    digits: int,
    working: str,
    source: str,
    about: bool,
    note: str = "",
) -> Worked:
    if value is None and not note:
        note = "one of the numbers was not said exactly"
    return Worked(
        name=name, value=value, unit=unit, digits=digits, working=working, source=source, about=about, note=note
    )


def _renamed(worked: Worked, name: str) -> Worked:
    return Worked(
        name=name,
        value=worked.value,
        unit=worked.unit,
        digits=worked.digits,
        working=worked.working,
        source=worked.source,
        about=worked.about,
        note=worked.note,
    )
