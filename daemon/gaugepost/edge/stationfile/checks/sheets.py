"""Sheets that destinations fill, held against the station file: what would go wrong is told before anyone measures."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.contract import StationFacts
from gaugepost.contract.sheets import FillsSheets
from gaugepost.core.setup import CharacteristicEntry
from gaugepost.edge.stationfile.adapters import DestinationPlan
from gaugepost.edge.stationfile.findings import Report


def check(
    report: Report,
    facts: StationFacts,
    destinations: Mapping[str, DestinationPlan],
    characteristics: Mapping[str, CharacteristicEntry],
) -> None:
    """Report what keeps sheets from being filled as the station file says; they are opened to read."""
    for name, plan in destinations.items():
        adapter: object = plan.destination
        if plan.settings is not None and isinstance(adapter, FillsSheets):
            for fault in adapter.look(plan.settings, facts, characteristics).faults:
                report.warn(("destinations", name, *fault.key), fault.finding, write=fault.remedy)
