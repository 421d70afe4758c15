"""Which records say how a gauge stands, and what each says of it."""

from __future__ import annotations

from enum import StrEnum

from gaugepost.core.drift.series import Point
from gaugepost.core.quantity import quantise_mm
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import SetUp


class What(StrEnum):
    """What is followed over time."""

    OFFSET = "offset"
    """What a mastering found: the master's size minus the indication on it."""
    DEVIATION = "deviation"
    """What a check found: the corrected value minus the master's size."""

    @property
    def kind(self) -> Kind:
        """The kind of record that says it."""
        return Kind.MASTERING if self is What.OFFSET else Kind.CHECK


def point_of(entry: Entry, set_up: SetUp) -> Point | None:
    """Return what a mastering or a check says; None for one that was refused, or whose gauge or master is not known.

    `set_up` is the one in force. The offset is that on the first master, and against its span at 20 °C where the
    mastering was corrected for temperature: else a cold morning would look like drift.
    """
    record = entry.record
    gauge, master = set_up.gauges.get(record.gauge or ""), record.master or ""
    first, *_ = master.split("+")
    if gauge is None or first not in set_up.masters:
        return None
    value = record.error_mm  # a check alone has one
    if record.code == "accepted":
        assert record.master_indications_mm is not None
        spans = record.master_spans_mm
        size = spans[0] if spans else set_up.masters[first].size_mm
        value = quantise_mm(size - gauge.sense * record.master_indications_mm[0])
    if value is None:
        return None
    return Point(
        sequence=entry.sequence,
        utc_ms=record.measured_at,
        what=What.OFFSET if record.kind is Kind.MASTERING else What.DEVIATION,
        gauge=gauge.name,
        contact_set=record.contact_set,
        master=master,
        operator=record.operator,
        value_mm=value,
        limit_mm=record.limit_mm,
        mastering=record.mastering,
        failed=record.code == "failed",
        at_20=record.kind is Kind.CHECK or record.master_spans_mm is not None,
        notes=record.reasons or (),
    )
