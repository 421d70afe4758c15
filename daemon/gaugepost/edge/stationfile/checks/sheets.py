"""Sheets that destinations fill, held against the station file: what would go wrong is told before anyone measures."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.contract import StationFacts
from gaugepost.contract.sheets import FillsSheets
from gaugepost.core.setup import CharacteristicEntry
from gaugepost.edge.stationfile.adapters import DestinationPlan
from gaugepost.edge.stationfile.findings import Report, toml


def check(
    report: Report,
    facts: StationFacts,
    destinations: Mapping[str, DestinationPlan],
    characteristics: Mapping[str, CharacteristicEntry],
) -> None:
    """Report what keeps sheets from being filled as the station file says; they are opened to read."""
    filled: dict[str, str] = {}
    for name, plan in destinations.items():
        adapter: object = plan.destination
        if plan.settings is None or not isinstance(adapter, FillsSheets):
            continue
        looked = adapter.look(plan.settings, facts, characteristics)
        for fault in looked.faults:
            report.warn(("destinations", name, *fault.key), fault.finding, write=fault.remedy)
        other = filled.setdefault(looked.file, name)
        if other != name:
            report.warn(
                ("destinations", name, "file"), f"is filled by {toml(other)} too, and only one of them can",
                write=f"name the cells of both in destinations.{other}, or another file",
            )  # fmt: skip
        if missing := [kind for kind in looked.kinds if kind not in plan.kinds]:
            report.warn(
                ("destinations", name, "kinds"),
                f"leaves out {', '.join(missing)}: cells would go on showing what no longer stands",
                write="take kinds out",
            )
