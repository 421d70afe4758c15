"""From checked tables to the set-up: every length in mm, every duration in ms, every default filled in."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import partial
from zoneinfo import ZoneInfo

from gaugepost.core import tolerance
from gaugepost.core.conformity import SIMPLE
from gaugepost.core.errors import ValueRefused
from gaugepost.core.masters import half_tolerance_mm
from gaugepost.core.quantity import Length, Unit
from gaugepost.core.setup import (
    Body,
    CharacteristicEntry,
    ClassOfRing,
    DeclaredTemperature,
    GaugeEntry,
    MasterEntry,
    PlaceEntry,
    ScannerEntry,
    StreamEntry,
    ThermometerEntry,
    TriggerEntry,
)
from gaugepost.edge.stationfile.findings import Report, toml
from gaugepost.edge.stationfile.model import (
    CharacteristicTable,
    GaugeTable,
    MasterTable,
    ScannerTable,
    StationTable,
    StreamTable,
    TemperaturesTable,
    ThermometerTable,
    TriggerTable,
)
from gaugepost.edge.stationfile.positions import Path
from gaugepost.edge.stationfile.values import Sense, SentUnit


def gauge(name: str, table: GaugeTable, zone: ZoneInfo) -> GaugeEntry:
    """Return the gauge as the bench knows it."""
    return GaugeEntry(
        name=name,
        link=table.link,
        channel=table.channel,
        contact=table.contact,
        display=table.display,
        unit=None if table.unit is SentUnit.AS_SENT else Unit(table.unit.value),
        resolution_mm=_mm(table.resolution),
        size_range_mm=_range_mm(table.size_range),
        indication_range_mm=_range_mm(table.indication_range),
        nominal_mm=_mm(table.nominal),
        sense=-1 if table.sense is Sense.FALLING else 1,
        coefficient=table.material if table.coefficient is None else table.coefficient,
        drift_mm_per_k=table.drift,
        maximum_error_mm=_mm(table.maximum_error),
        repeatability_mm=_mm(table.repeatability),
        repeatability_degrees=table.repeatability_degrees_of_freedom,
        coefficient_half_width=table.coefficient_uncertainty,
        due_utc_ms=_end_of(table.calibration_due, zone),
        debounce_ms=table.debounce,
        ask_every_ms=table.ask_every,
        answer_within_ms=table.answer_within,
        mastering_readings=table.mastering_readings,
        check_readings=table.check_readings,
        preset_limit_mm=table.preset_limit.mm,
        check_limit_mm=table.check_limit.mm,
        valid_for_ms=table.mastering_valid_for,
        valid_count=table.mastering_valid_count,
        valid_band_k=table.mastering_valid_band,
        check_every_ms=table.check_every,
        check_every_pieces=table.check_every_pieces,
        check_at_min=tuple(sorted(table.check_at)) if table.check_at else None,
        warning_ms=table.check_warning,
        warning_pieces=table.check_warning_pieces,
        stream=_stream(table.stream) if table.stream else None,
        soak_k=table.mastering_soak,
        soak_window_ms=table.mastering_soak_window if table.mastering_soak is not None else None,
        drifting_refused=table.mastering_soak_refuses or None,
        spread_limit_mm=_mm(table.mastering_spread_limit),
        jump_limit_mm=_mm(table.mastering_jump_limit),
        reach_mm=_mm(table.mastering_reach),
        contact_sets=tuple(table.contact_sets) if table.contact_sets else None,
        confirm=table.confirm_master,
        compare_masters=table.compare_masters or None,
    )


def _stream(table: StreamTable) -> StreamEntry:
    return StreamEntry(
        takes=table.takes,
        opens=table.opens,
        window_ms=table.window,
        turn_mm=_mm(table.turn),
        turns=table.turns,
        steady_mm=_mm(table.steady_within),
        steady_for_ms=table.steady_for,
    )


def master(name: str, table: MasterTable, zone: ZoneInfo) -> MasterEntry:
    """Return the master as the bench knows it."""
    return MasterEntry(
        name=name,
        size_mm=table.size.mm,
        uncertainty_mm=_mm(table.uncertainty),
        coverage_factor=table.coverage_factor,
        coefficient=table.material if table.coefficient is None else table.coefficient,
        coefficient_half_width=table.coefficient_uncertainty,
        certificate=table.certificate,
        certificate_degrees=table.certificate_degrees_of_freedom,
        drift_mm_per_year=_mm(table.drift_per_year),
        calibrated_utc_ms=_beginning_of(table.calibrated, zone),
        serial=table.serial_number,
        due_utc_ms=_end_of(table.due, zone),
        tolerance_class=table.tolerance_class,
        half_tolerance_mm=half_tolerance(table.tolerance_class, table.size.mm),
    )


def thermometer(name: str, table: ThermometerTable) -> ThermometerEntry:
    """Return the thermometer as the bench knows it."""
    return ThermometerEntry(
        name=name,
        link=table.link,
        channel=table.channel,
        body=table.body,
        gauge=table.gauge,
        max_age_ms=table.max_age,
        stands_in_for=tuple(table.stands_in_for),
        spread_k=table.spread,
        uncertainty_k=table.uncertainty,
        ask_every_ms=table.ask_every,
        answer_within_ms=table.answer_within,
    )


def scanner(name: str, table: ScannerTable) -> ScannerEntry:
    """Return the scanner as the bench knows it."""
    return ScannerEntry(name=name, link=table.link, channel=table.channel, codes=tuple(table.codes))


def trigger(name: str, table: TriggerTable) -> TriggerEntry:
    """Return the trigger as the bench knows it."""
    return TriggerEntry(
        name=name,
        link=table.link,
        channel=table.channel,
        does=table.does,
        gauge=table.gauge,
        debounce_ms=table.debounce,
    )


def declared(table: TemperaturesTable) -> tuple[DeclaredTemperature, ...]:
    """Return the declared temperatures, in the order part, master, gauge, air."""
    given = [(body, getattr(table, body.value)) for body in Body]
    return tuple(
        DeclaredTemperature(body=body, celsius=said.value, spread_k=said.spread)
        for body, said in given
        if said
    )


def characteristic(
    report: Report, name: str, table: CharacteristicTable, station: StationTable | None = None
) -> CharacteristicEntry | None:
    """Return the characteristic with its exact limits; where those can't be, note why and return None."""
    path: Path = ("characteristics", name)
    limits = _limits(report, path, table)
    if limits is None:
        return None
    if limits.feature is not None and limits.feature is not table.feature:
        report.error(
            (*path, "feature"),
            f"{toml(table.feature.value)} does not go with the class in {toml(limits.source)}",
            f"{limits.feature}",
            f"write feature = {toml(limits.feature.value)}",
        )
        return None
    unit = Unit(table.unit.value) if table.unit else limits.unit
    if unit is not limits.unit:
        limits = limits.stated_in(unit)
    rule = table.decision_rule or (station and station.decision_rule) or SIMPLE
    rounds = table.rounding
    if rounds is None:
        rounds = station is not None and station.rounding and not rule.needs_uncertainty
    if table.rounding and rule.needs_uncertainty:
        report.error(
            (*path, "rounding"),
            f"does not go with {rule.name}: its guard band is meant for the value as it was measured",
            "rounding with simple acceptance only",
            'remove it, or write decision_rule = "simple acceptance"',
        )
    return CharacteristicEntry(
        name=name,
        feature=table.feature,
        unit=unit,
        lower_mm=limits.lower_mm,
        upper_mm=limits.upper_mm,
        nominal_mm=limits.nominal_mm,
        step=limits.step if table.step is None else _step(table.step, unit),
        coefficient=table.part_material if table.part_coefficient is None else table.part_coefficient,
        coefficient_half_width=table.part_coefficient_uncertainty,
        gauges=tuple(table.gauges),
        masters=tuple(table.masters or ()),
        readings=table.readings,
        combine=table.combine,
        positions=tuple(place.name for place in table.positions or ()),
        size_modifier=table.size_modifier,
        rule=rule,
        rounding=limits.step if rounds else None,
        places=_places(table),
        lobes=table.lobes,
        not_judged=tuple(table.requirements) or None,
    )


def _places(table: CharacteristicTable) -> dict[str, PlaceEntry] | None:
    told = {
        place.name: PlaceEntry(angle_deg=place.angle, depth_mm=_mm(place.depth))
        for place in table.positions or ()
        if place.angle is not None or place.depth is not None
    }
    return told or None


def half_tolerance(of: ClassOfRing | None, size_mm: Decimal) -> Decimal | None:
    """Return what the class stands for at this size in mm; None where there is none, or it does not reach so far."""
    if of is None:
        return None
    try:
        return half_tolerance_mm(of, size_mm)
    except ValueRefused:
        return None


def _limits(report: Report, path: Path, table: CharacteristicTable) -> tolerance.Limits | None:
    """Return the limits in whichever way they are written; `rules` has said whether it is one way."""
    key, make = "limits", None
    first = table.lower or table.upper
    if table.limits is not None:
        make = partial(tolerance.parse_limits, table.limits)
    elif table.nominal is not None and table.tolerance_class is not None:
        key, make = "tolerance_class", partial(tolerance.from_class, table.nominal, table.tolerance_class)
    elif table.nominal and table.upper_deviation and table.lower_deviation:
        key, make = (
            "upper_deviation",
            partial(_from_deviations, table.nominal, table.upper_deviation, table.lower_deviation),
        )
    elif first is not None:
        key = "lower" if table.lower else "upper"
        make = partial(tolerance.from_limits, table.lower, table.upper, first.unit)
    try:
        return make() if make else None
    except ValueRefused as error:
        report.refused((*path, key), error)
        return None


def look_at_limits(report: Report, name: str, raw: Mapping[str, object]) -> None:
    """Note what is wrong with a drawing's words of a characteristic whose table is wrong elsewhere."""
    said = raw.get("limits")
    if isinstance(said, str):
        try:
            tolerance.parse_limits(said)
        except ValueRefused as error:
            report.refused(("characteristics", name, "limits"), error)


def _from_deviations(nominal: Length, upper: Length, lower: Length) -> tolerance.Limits:
    """As `tolerance.from_deviations`, but keys named upper and lower must mean it."""
    if upper.mm < lower.mm:
        raise ValueRefused(
            f"{upper} is below the lower deviation {lower}", hint="exchange them, or check their signs"
        )
    return tolerance.from_deviations(nominal, upper, lower)


def _step(step: Length, unit: Unit) -> Decimal:
    """Return the step in the drawing's unit: as written, or the next finer power of ten where units differ."""
    return step.value if step.unit is unit else tolerance.step_in(step, unit)


def _mm(length: Length | None) -> Decimal | None:
    return None if length is None else length.mm


def _range_mm(ends: tuple[Length, Length] | None) -> tuple[Decimal, Decimal] | None:
    return None if ends is None else (ends[0].mm, ends[1].mm)


def _beginning_of(day: date | None, zone: ZoneInfo) -> int | None:
    return (
        None if day is None else int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
    )


def _end_of(day: date | None, zone: ZoneInfo) -> int | None:
    """Return the last millisecond of `day` in `zone`, as UTC ms."""
    if day is None:
        return None
    after = day + timedelta(days=1)
    midnight = datetime(after.year, after.month, after.day, tzinfo=zone)
    return round(midnight.timestamp() * 1000) - 1
