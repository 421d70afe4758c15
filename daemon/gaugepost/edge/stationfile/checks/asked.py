"""Whether what is to be asked on a schedule can be, and can answer for itself."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.core.setup import GaugeEntry, ThermometerEntry
from gaugepost.edge.stationfile.adapters import LinkPlan
from gaugepost.edge.stationfile.findings import Report, key_text, toml


def check(
    report: Report,
    gauges: Mapping[str, GaugeEntry],
    thermometers: Mapping[str, ThermometerEntry],
    links: Mapping[str, LinkPlan],
) -> None:
    """Note every `ask_every` that would ask nothing, or whose answers would count as doubles or make up a stream."""
    for name, gauge in gauges.items():
        _askable(report, "gauges", gauge, links)
        if gauge.ask_every_ms is None:
            continue
        if gauge.ask_every_ms <= gauge.debounce_ms:
            report.error(
                ("gauges", name, "ask_every"),
                f"is not longer than debounce ({gauge.debounce_ms} ms): answers with the same digits would be doubles",
                "a longer time, or a shorter debounce",
                'write debounce = "0 ms"',
            )
        if gauge.stream is not None:
            report.error(
                ("gauges", name, "ask_every"),
                "does not go with stream: a gauge that sends without an end need not be asked",
                write="remove one of the two",
            )
    for meter in thermometers.values():
        _askable(report, "thermometers", meter, links)


def _askable(
    report: Report, section: str, entry: GaugeEntry | ThermometerEntry, links: Mapping[str, LinkPlan]
) -> None:
    plan = links.get(entry.link)
    if entry.ask_every_ms is None or plan is None:
        return
    if not plan.decoder(plan.decoder_settings).request(entry.channel):
        table = key_text(("links", entry.link, "decoder"))
        report.error(
            (section, entry.name, "ask_every"),
            f"the decoder of link {toml(entry.link)} has nothing to ask channel {toml(entry.channel)} with"
            if entry.channel
            else f"the decoder of link {toml(entry.link)} has nothing to ask with",
            f"a request in [{table}]",
            'write request = "?\\r" there, as the gauge\'s manual says, or remove ask_every',
        )
