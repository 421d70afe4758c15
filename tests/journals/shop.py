"""The records of the first golden journal: a morning at a bench of our own invention, and one record with every field.

Nothing here may change: the journal beside it was written from it, by `Journal.append` in two batches, when format 1
was settled. Its epoch is the one that was drawn then; its bodies and hashes stand in format-1.txt.
"""

from __future__ import annotations

from decimal import Decimal as D

from gaugepost.core.record import Kind, Record

STATION = "Prüfplatz 3"

EVERY_FIELD = Record(
    kind=Kind.AMENDMENT,
    measured_at=1_793_871_299_001,
    clock_ms=4_294_967_296,
    gauge="bore-1",
    link="usb-1",
    characteristic="bore A 38 H7",
    position="top",
    lot="L471",
    piece="P0007",
    attempt=2,
    operator="op-17",
    indication="+1.4968",
    indication_unit="in",
    value_mm=D("38.018720000"),
    value=D("1.4968"),
    unit="in",
    deviation=D("0.000737"),
    lower=D("1.4961"),
    upper=D("1.4970"),
    verdict="in-limits",
    decision="undecided",
    rule="simple acceptance",
    conformity="neither",
    probability=D("0.973211"),
    uncertainty_mm=D("0.00211"),
    coverage_factor=D("2"),
    reasons=("mastering is 9 h old", "air at 31 °C"),
    master="ring-1+ring-2",
    mastering=3,
    master_correction_mm=D("-0.002800000"),
    thermal_correction_mm=D("0E-9"),
    part_temperature_c=D("22.1"),
    gauge_temperature_c=D("-3"),
    master_temperature_c=D("21.40"),
    part_temperature_source="assumed",
    gauge_temperature_source="measured",
    master_temperature_source="declared",
    members=(2, 3, 70_000),
    replaces=4,
    set_up=1,
    derivation=1,
    raw=bytes(range(256)),
    text="Ø falsch abgelesen",
    code="R1",
    count=24,
    document='{"station":"Prüfplatz 3"}',
    boot="0e6f4c1e-6a39-4b9b-a55e-0c2d3f1c7a11",
    spread_mm=D("1E-7"),
    error_mm=D("-0.0004"),
    limit_mm=D("0.002"),
    thermometer="air",
    temperature_c=D("22.10"),
    body="air",
    master_indications_mm=(D("38.0042"), D("40.0"), D("123456789012345678901234.5678901234")),
    master_spans_mm=(D("38.001200000"), D("39.9987"), D("0")),
    ends_mastering=True,
    program="0.1.0",
    first=1,
    last=18_446_744_073_709_551_616,
)

BATCHES: tuple[tuple[Record, ...], ...] = (
    (
        Record(kind=Kind.START, measured_at=1_793_871_200_000, clock_ms=23, boot="b-1", program="0.1.0"),
        Record(kind=Kind.SET_UP, measured_at=1_793_871_200_004, clock_ms=24, document="x" * 300),
        Record(
            kind=Kind.MASTERING, measured_at=1_793_871_234_567, clock_ms=256, gauge="bore-1", code="accepted"
        ),
    ),
    (
        Record(
            kind=Kind.READING,
            measured_at=1_793_871_250_000,
            clock_ms=65_536,
            gauge="bore-1",
            characteristic="bore A 38 H7",
            lot="L471",
            piece="P0007",
            attempt=1,
            indication="38.0153",
            indication_unit="mm",
            value_mm=D("38.012500000"),
            value=D("38.0125"),
            unit="mm",
            lower=D("38.000"),
            upper=D("38.025"),
            verdict="in-limits",
            ends_mastering=False,
            raw=b"38.0153 mm\r\n",
        ),
        EVERY_FIELD,
        Record(kind=Kind.STOP, measured_at=-1, clock_ms=-257),
    ),
)
