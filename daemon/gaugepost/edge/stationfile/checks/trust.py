"""Whether what is to prove a mastering can prove it, and whether a contact can see the form that matters."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.core.bench.trust.confirming import names_master
from gaugepost.core.bench.trust.drifting import LONGEST_WINDOW_MS
from gaugepost.core.form import OVAL, least_shown, unseen
from gaugepost.core.setup import (
    CharacteristicEntry,
    Confirm,
    Contact,
    GaugeEntry,
    MasterEntry,
    ScannerEntry,
    SetUp,
)
from gaugepost.edge.stationfile.findings import Report, toml


def complete(
    report: Report,
    gauges: Mapping[str, GaugeEntry],
    masters: Mapping[str, MasterEntry],
    scanners: Mapping[str, ScannerEntry],
) -> None:
    """Note what confirms nothing, and classes that say nothing: out of their reach, or beside a certificate."""
    for gauge in gauges.values():
        _contact_sets(report, gauge)
        if gauge.soak_window_ms is not None and gauge.soak_window_ms > LONGEST_WINDOW_MS:
            report.error(
                ("gauges", gauge.name, "mastering_soak_window"),
                "is longer than temperatures are kept for it",
                "at most 1 h",
                'write "10 min", or another time up to "1 h"',
            )
        _confirmed(report, gauge, masters, scanners)
    for master in masters.values():
        path = ("masters", master.name, "tolerance_class")
        if master.tolerance_class is None:
            continue
        if master.half_tolerance_mm is None:
            report.error(
                path,
                f"no class reaches {master.size_mm} mm: they end at 12.010 in",
                "a size with a class (ASME B89.1.5)",
                "write its calibrated size with uncertainty and coverage_factor",
            )
        elif master.uncertainty_mm is not None:
            report.error(
                path,
                "stands for a size without certificate, and its uncertainty is given",
                "uncertainty, or tolerance_class",
                "keep uncertainty where the size is the certificate's",
            )


def _contact_sets(report: Report, gauge: GaugeEntry) -> None:
    for place, name in enumerate(gauge.contact_sets or ()):
        if name in (gauge.contact_sets or ())[:place]:
            report.error(
                ("gauges", gauge.name, "contact_sets", place),
                f"{toml(name)} stands here twice",
                "each contact set once",
                "remove one of them",
            )


def _confirmed(
    report: Report,
    gauge: GaugeEntry,
    masters: Mapping[str, MasterEntry],
    scanners: Mapping[str, ScannerEntry],
) -> None:
    if gauge.confirm is Confirm.SERIAL_NUMBER:
        for master in masters.values():
            if master.serial is None:
                report.error(
                    ("masters", master.name),
                    f"{toml(gauge.name)} confirms masters by their serial number, and this one has none",
                    "serial_number",
                    "add serial_number, as it is engraved",
                )
    elif gauge.confirm is Confirm.SCAN:
        codes = [code for scanner in scanners.values() for code in scanner.codes]
        unnamed = [master.name for master in masters.values() if not names_master(codes, master)]
        if unnamed:
            report.error(
                ("gauges", gauge.name, "confirm_master"),
                f"a scan confirms masters, and no scanner's codes can name {', '.join(map(toml, unnamed))}",
                "a scanner with a code for every master",
                'add "{serial_number}" or "{master}" to the codes of a scanner',
            )
    elif gauge.confirm is Confirm.SECOND_MASTER and len(masters) < 2:
        report.error(
            ("gauges", gauge.name, "confirm_master"),
            "a second master confirms the first, and the station has fewer than two",
            "two masters",
            'add one, or write "serial-number"',
        )


def check(report: Report, set_up: SetUp) -> None:
    """Warn of what can't be seen, and of what is not judged, before anyone measures."""
    for entry in set_up.characteristics.values():
        for place, name in enumerate(entry.gauges):
            contact = set_up.gauges[name].contact
            if entry.lobes is not None and unseen(contact, entry.lobes):
                report.warn(
                    ("characteristics", entry.name, "gauges", place),
                    f"{toml(name)} has {contact} contact and can't see {entry.lobes} lobes: a bore or shaft of that "
                    f"form shows one size all around",
                    write="measure it with another contact, or its roundness by other means",
                )
        _places(report, set_up, entry)
        for place, requirement in enumerate(entry.not_judged or ()):
            report.warn(
                ("characteristics", entry.name, "requirements", place),
                f"the {requirement} requirement is not judged here: sizes alone can't prove it",
                write="check it with a full form gauge or on a coordinate measuring machine",
            )


LITTLE = 0.5
"""Directions that may show less than this share of an oval are warned of (common practice, no source)."""


def _places(report: Report, set_up: SetUp, entry: CharacteristicEntry) -> None:
    """Warn where declared angles and depths show less of the form than whoever declared them hopes for."""
    if not entry.places:
        return
    path = ("characteristics", entry.name, "positions")
    angles: dict[object, set[float]] = {}
    for at in entry.places.values():
        if at.angle_deg is not None:
            angles.setdefault(at.depth_mm, set()).add(float(at.angle_deg % 180))
    directions = max(angles.values(), key=len, default=set())
    depths = {at.depth_mm for at in entry.places.values() if at.depth_mm is not None}
    if len(directions) < 2 and len(depths) < 2:
        report.warn(
            path,
            "show no form: that takes two angles at one depth, or two depths",
            write="add angle and depth to the other places, or leave them out",
        )
    if len(directions) < 2:
        return
    for place, name in enumerate(entry.gauges):
        contact = set_up.gauges[name].contact
        if unseen(contact, OVAL):
            report.warn(
                ("characteristics", entry.name, "gauges", place),
                f"{toml(name)} has {contact} contact and can't see an oval: angles of places show no ovality",
                write="measure ovality with two-point contact",
            )
        elif contact is Contact.TWO_POINT and (share := least_shown(OVAL, directions)) < LITTLE:
            report.warn(
                path,
                f"{len(directions)} directions show as little as {share:.0%} of an oval, where it lies between them",
                write="declare three directions 60° apart, which show at least 75 %",
            )
