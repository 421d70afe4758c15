"""The budget of a gauge's readings of a characteristic, at a mastering and its temperatures (from derivation 2 on)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.budgeting.bodies import coefficient_of, warmth_of
from gaugepost.core.bench.budgeting.scatter import repeatability
from gaugepost.core.bench.state import Mastered, Scatter, Sourced, State
from gaugepost.core.bench.temperatures import temperature_of
from gaugepost.core.conformity import Doubt
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import exact_text, step_of, to_mm
from gaugepost.core.record import DERIVATION
from gaugepost.core.setup import Body, CharacteristicEntry, Combine, GaugeEntry, MasterEntry, SetUp
from gaugepost.core.uncertainty import LEVEL, Budget, Shape, from_expanded, from_half_width, six_digits
from gaugepost.core.uncertainty.gauging import (
    Body as Grown,
    Coefficient,
    Gauging,
    Ring,
    Warmth,
    gauging_budget,
)

DAY_MS = 86_400_000
YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True)
class Unstated:
    """Why no uncertainty is stated: what nothing says, each with what to declare."""

    reasons: tuple[str, ...]


_MOST_KEPT = 512
_said: dict[int, tuple[Budget, Doubt | None, dict[str, Any]]] = {}


def doubt_of(made: Budget | Unstated) -> Doubt | None:
    """Return a budget as decision rules take it, with the digits that are recorded; None where none is stated."""
    return None if isinstance(made, Unstated) else _as_said(made)[1]


def fields_of(made: Budget | Unstated) -> Mapping[str, Any]:
    """Return the fields that a record says its uncertainty with, to 6 significant digits."""
    if isinstance(made, Unstated):
        first, *others = made.reasons  # one on each record is enough: the budget lists them all
        more = (f"and {len(others)} more: gaugepost budget lists them",) if others else ()
        return {"uncertainty_reasons": (first, *more)}
    return _as_said(made)[2]


def _as_said(made: Budget) -> tuple[Budget, Doubt | None, dict[str, Any]]:
    """Return what is said of a budget: worked out once, as one budget is that of many readings."""
    found = _said.get(id(made))
    if found is None:
        if len(_said) >= _MOST_KEPT:
            _said.clear()
        fields = {
            "uncertainty_mm": six_digits(made.expanded_mm),
            "coverage_factor": six_digits(made.coverage_factor),
            "standard_uncertainty_mm": six_digits(made.standard_mm),
            "degrees_of_freedom": made.degrees_of_freedom,
        }
        found = _said[id(made)] = made, _doubt(made), fields
    return found


def _doubt(made: Budget) -> Doubt | None:
    if not made.standard_mm:
        return None
    degrees = made.degrees_of_freedom
    return Doubt(
        float(six_digits(made.standard_mm)),
        None if degrees is None else float(degrees),
        float(six_digits(made.coverage_factor)),
    )


def reading_budget(
    state: State, gauge: str, entry: CharacteristicEntry, now: Moment, step_mm: Decimal | None = None
) -> Budget | Unstated:
    """Return the budget of one reading as things stand; `step_mm` is the step of its digits, if there are any yet."""
    known = state.gauges[gauge]
    if known.mastered is None:
        return Unstated((f"{gauge} is not mastered",))
    part = temperature_of(state, Body.PART, gauge, now)
    at = temperature_of(state, Body.GAUGE, gauge, now)
    corrected = None not in (known.mastered.warm, known.mastered.gauge_c, entry.coefficient, part, at)
    return budget_of(
        state.set_up, gauge, entry, known.mastered, known.scatter, part, at, now.utc_ms, step_mm, corrected,
        derivation=state.derivation,
    )  # fmt: skip


_kept: dict[tuple[Any, ...], tuple[SetUp, Mastered, CharacteristicEntry, Scatter, Budget | Unstated]] = {}


def budget_of(
    set_up: SetUp,
    gauge: str,
    entry: CharacteristicEntry,
    mastered: Mastered,
    scatter: Scatter,
    part: Sourced | None,
    gauge_at: Sourced | None,
    utc_ms: int,
    step_mm: Decimal | None,
    is_corrected: bool,
    readings: int = 1,
    part_body: Body = Body.PART,
    derivation: int = DERIVATION,
    value_mm: Decimal | None = None,
    *,
    in_difference: bool = False,
) -> Budget | Unstated:
    """Return the budget of a reading, or of a mean over several; one and the same for all that these are the same for.

    `value_mm` is the size where that is known: two masters' errors count more the further out it is, and where it is
    one side of a difference, they count there.
    Pure: what is kept only spares doing it again. Another certificate's budget is that of a set-up with another
    master's entry.
    """
    day = utc_ms // DAY_MS
    scaled = _scaled(entry, mastered, value_mm, in_difference) if derivation > 4 else ()
    in_difference = in_difference and scaled != ()
    key = (
        id(set_up), gauge, id(entry), id(mastered), id(scatter), part and (part.celsius, part.source),
        gauge_at and (gauge_at.celsius, gauge_at.source), day, step_mm, is_corrected, readings, part_body,
        derivation, scaled, in_difference,
    )  # fmt: skip
    found = _kept.get(key)
    # What was kept holds on to what its key names by identity, so that none of it can be another one meanwhile.
    if found is not None:
        return found[4]
    made: Budget | Unstated
    if readings > 1:
        one = budget_of(
            set_up, gauge, entry, mastered, scatter, part, gauge_at, utc_ms, step_mm, is_corrected,
            part_body=part_body, derivation=derivation, value_mm=value_mm, in_difference=in_difference,
        )  # fmt: skip
        made = one if isinstance(one, Unstated) else one.of_mean(readings)
    else:
        known = _gauging(
            set_up, gauge, entry, mastered, scatter, part, gauge_at, day, step_mm, is_corrected, part_body,
            derivation,
        )  # fmt: skip
        made = known if isinstance(known, Unstated) else _most_uncertain(known, scaled, in_difference)
    if len(_kept) >= _MOST_KEPT:
        _kept.clear()
    _kept[key] = (set_up, mastered, entry, scatter, made)
    return made


def _scaled(
    entry: CharacteristicEntry, mastered: Mastered, value_mm: Decimal | None, in_difference: bool
) -> tuple[Decimal, ...]:
    """Return the sizes at one of which the errors of two masters count most: where a side of a difference lies, else
    the ends of what is judged, and a value beyond them. Empty for one master: its error is the same everywhere."""
    if len(mastered.masters) < 2:
        return ()
    if in_difference or entry.combine is Combine.RANGE:
        return () if value_mm is None else (value_mm,)
    known = (entry.lower_mm, entry.upper_mm, entry.nominal_mm, value_mm)
    sizes = [each for each in known if each is not None]
    return (min(sizes), max(sizes)) if sizes else ()


def _most_uncertain(known: Gauging, scaled: tuple[Decimal, ...], in_difference: bool) -> Budget:
    """Return the budget at the one of these sizes that is known worst.

    Their certificate's errors count as independent in a difference, where a shared one would cancel: nobody says so.
    """
    if not scaled:
        return gauging_budget(known)
    rings = tuple(replace(ring, number="") for ring in known.rings) if in_difference else known.rings
    made = []
    for size in dict.fromkeys(scaled):
        note = f"errors of two masters as at {exact_text(size)} mm, of all sizes in question where they count most"
        assumed = known.assumed if len(scaled) < 2 else (*known.assumed, note)
        made.append(gauging_budget(replace(known, rings=rings, scale_at_mm=float(size), assumed=assumed)))
    return max(made, key=lambda each: each.standard_mm)


def _gauging(
    set_up: SetUp,
    gauge: str,
    entry: CharacteristicEntry,
    mastered: Mastered,
    scatter: Scatter,
    part: Sourced | None,
    gauge_at: Sourced | None,
    day: int,
    step_mm: Decimal | None,
    is_corrected: bool,
    part_body: Body,
    derivation: int,
) -> Gauging | Unstated:
    reasons: dict[str, None] = {}
    gauge_entry = set_up.gauges[gauge]
    masters = [set_up.masters[name] for name in mastered.masters if name in set_up.masters]
    rings = [_ring(master, day) for master in masters]
    at_mastering = (
        None if mastered.gauge_c is None else Sourced(mastered.gauge_c, mastered.gauge_source or "assumed")
    )
    warmths = [
        warmth_of(set_up, body, gauge, known)
        for body, known in (
            (part_body, part),
            (Body.MASTER, mastered.master),
            (Body.GAUGE, gauge_at),
            (Body.GAUGE, at_mastering),
        )
    ]
    coefficients = [coefficient_of(entry), *(coefficient_of(master) for master in masters[:1])]
    drift = gauge_entry.drift_mm_per_k
    of_gauge = coefficient_of(gauge_entry) if drift is None else None
    if len(masters) < len(mastered.masters):
        reasons["the master that it was mastered on is not in the station file"] = None
    if len(masters) == 2 and masters[0].size_mm == masters[1].size_mm:  # edited since it was mastered on both
        names = " and ".join(master.name for master in masters)
        reasons[f"{names} have the same size by now: between them there is no scale to be found"] = None
    lacking = [*rings, *warmths]
    reasons |= dict.fromkeys(each for each in lacking if isinstance(each, str))
    of_part_named = f"{'part_material' if part_body is Body.PART else 'material'} of {entry.name}"
    for name, known in zip((of_part_named, "material of the master"), coefficients, strict=False):
        if known is None:
            reasons[f"nothing says how it grows with temperature: name the {name}"] = None
    if of_gauge is None and drift is None:
        reasons[f"nothing says how {gauge} grows with temperature: name its material or drift"] = None
    scattered = _repeatability(gauge_entry, scatter)
    if scattered is None:
        reasons[
            f"nothing says how {gauge} repeats: declare repeatability, or master with several readings"
        ] = None
    length = masters[0].size_mm if entry.combine is Combine.RANGE and masters else _length(entry)
    if length is None:
        reasons["the characteristic has no size"] = None
    if reasons:
        return Unstated(tuple(reasons))
    part_at, master_at, now_at, then_at = (each for each in warmths if isinstance(each, Warmth))
    of_part, of_master = (each for each in coefficients if isinstance(each, Coefficient))
    assert length is not None and scattered is not None
    shown_mm = to_mm(mastered.resolution, mastered.unit)
    mastering_step = float(shown_mm if derivation < 3 else step_mm_coarsest(shown_mm, gauge_entry))
    return Gauging(
        length_mm=float(length),
        scale=_scale(mastered) if derivation > 4 else 1.0,
        rings=tuple(each for each in rings if isinstance(each, Ring)),
        repeatability_mm=scattered[0],
        repeatability_degrees=scattered[1],
        repeatability_source=scattered[2],
        mastering_readings=mastered.readings,
        step_mm=max(float(step_mm or 0), mastering_step if step_mm is None else 0.0),
        mastering_step_mm=mastering_step,
        maximum_error_mm=_float(gauge_entry.maximum_error_mm),
        part=Grown(coefficient=of_part, at=part_at),
        master=Grown(coefficient=of_master, at=master_at),
        gauge=None if of_gauge is None else Grown(coefficient=of_gauge, at=now_at),
        gauge_mastered=then_at,
        gauge_now=now_at,
        drift_mm_per_k=float(drift or 0),
        is_corrected=is_corrected,
        level=LEVEL if set_up.level is None else float(set_up.level),
        assumed=() if is_corrected else _assumed(part_at, master_at, now_at),
    )


def _scale(mastered: Mastered) -> float:
    """Return how much a length changes with its indication: as two masters have it, 1 with one."""
    shown, lengths = mastered.cold.indications_mm, mastered.cold.lengths_mm
    if len(shown) < 2:
        return 1.0
    return abs(float(lengths[1] - lengths[0]) / float(shown[1] - shown[0]))


def _assumed(part: Warmth, master: Warmth, gauge: Warmth) -> tuple[str, ...]:
    named = (("part", part), ("master", master), ("gauge", gauge))
    return (
        "not corrected to 20 °C: the whole expansion counts",
        *(
            f"the {name} at {at.celsius:.4g} °C ± {at.spread_k:.3g} K, {at.source}"
            for name, at in named
            if at.spread_k
        ),
    )


def _ring(master: MasterEntry, day: int) -> Ring | str:
    """Return a master as its certificate, or its class, has it; in words, what neither says."""
    name, size = master.name, float(master.size_mm)
    drift = 0.0
    if master.drift_mm_per_year is not None and master.calibrated_utc_ms is not None:
        days = max(0, day - master.calibrated_utc_ms // DAY_MS)
        drift = float(master.drift_mm_per_year) * days / YEAR_DAYS
    if master.uncertainty_mm is not None and master.coverage_factor is not None:
        expanded, k = float(master.uncertainty_mm), float(master.coverage_factor)
        certificate = f"certificate, U = {expanded * 1000:.4g} µm, k = {k:g}"
        return Ring(
            name=name,
            size_mm=size,
            standard_mm=from_expanded(expanded, k),
            certificate=certificate,
            number=master.certificate or "",
            drift_mm=drift,
            degrees_of_freedom=master.certificate_degrees,
        )
    half = getattr(master, "half_tolerance_mm", None)
    if half is not None:
        known = from_half_width(float(half), Shape.RECTANGULAR)
        return Ring(
            name=name,
            size_mm=size,
            standard_mm=known,
            shape=Shape.RECTANGULAR,
            certificate="tolerance class",
            drift_mm=drift,
        )
    return f"nothing says how well the size of {name} is known: add uncertainty and coverage_factor to it"


def _repeatability(gauge: GaugeEntry, scatter: Scatter) -> tuple[float, float | None, str] | None:
    if gauge.repeatability_mm is not None:
        return float(gauge.repeatability_mm), gauge.repeatability_degrees, "declared"
    found = repeatability(scatter)
    if found is None:
        return None
    return found[0], float(found[1]), "the gauge's own masterings and checks"


def _length(entry: CharacteristicEntry) -> float | None:
    """Return the size that the budget is of: nominal, or the middle of the limits, or the one there is."""
    if entry.nominal_mm is not None:
        return float(entry.nominal_mm)
    limits = [float(limit) for limit in (entry.lower_mm, entry.upper_mm) if limit is not None]
    return sum(limits) / len(limits) if limits else None


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def step_mm_of(indication: Decimal, unit: Any, gauge: GaugeEntry) -> Decimal:
    """Return the step of a display in mm: of the digits shown, or as declared where that is coarser."""
    return step_mm_coarsest(to_mm(step_of(indication), unit), gauge)


def step_mm_coarsest(shown_mm: Decimal, gauge: GaugeEntry) -> Decimal:
    """Return the step of digits in mm, or the declared one where that is coarser."""
    declared = gauge.resolution_mm
    return shown_mm if declared is None or declared < shown_mm else declared
