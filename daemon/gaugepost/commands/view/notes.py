"""What happened, in one line, for every kind of record that is no measurement of a piece."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

from gaugepost.core.quantity import Unit, from_mm, round_to
from gaugepost.core.record import Kind

Record = Mapping[str, object]

_SHOWN_BYTES = 24


def note(record: Record) -> str:
    """Return the note for a published record; not yet made safe for a terminal."""
    kind = str(record["kind"])
    making = _NOTES.get(kind)
    return making(record) if making else said(kind, record)


def said(what: str, record: Record) -> str:
    """Return `what`, and after it what the record says in words."""
    text = str(record.get("text") or "")
    return f"{what}: {text}" if text else what


def micrometres(value_mm: object) -> str:
    """Return a length given as text in mm as signed µm, to 0.1: "-0.0023" gives "-2.3 µm"."""
    return f"{round_to(Decimal(str(value_mm)).scaleb(3), Decimal('0.1')):+f} µm"


def fine(value_mm: object, unit: object) -> str:
    """Return a small length given as text in mm, unsigned where it is positive, as µm, or µin on an inch drawing."""
    value = Decimal(str(value_mm))
    if unit in (Unit.INCH, Unit.MICROINCH):
        return f"{round_to(from_mm(value, Unit.MICROINCH), Decimal(1)):f} µin"
    return f"{round_to(value.scaleb(3), Decimal('0.1')):f} µm"


def reasons(record: Record) -> str:
    """Return the record's reasons in one text."""
    given = record.get("reasons")
    return "; ".join(map(str, given)) if isinstance(given, list) else ""


def numbered(record: Record) -> str:
    """Return " (record 1284)": what a person types to void, amend or sign it; nothing where it has no number."""
    return f" (record {record['sequence']})" if "sequence" in record else ""


def _start(record: Record) -> str:
    return said(f"service started, version {record.get('program')}", record)


def _link(record: Record) -> str:
    return said(f"{record.get('link')} {record.get('code')}", record)


def _tags(record: Record) -> str:
    named = ("operator", "lot", "piece", "position", "characteristic")
    return "now " + (
        " · ".join(f"{name} {record[name]}" for name in named if record.get(name)) or "nothing in hand"
    )


def _temperature(record: Record) -> str:
    name, body = record.get("thermometer"), record.get("body")
    return f"{body if name == body else f'{name}: {body}'} {record.get('temperature_c')} °C"


def _condition(record: Record) -> str:
    who = record.get("gauge") or record.get("thermometer") or record.get("link")
    code = str(record.get("code"))
    text = said(f"{who} says {code}" if who else code, record)
    if code.startswith("check-due"):  # said of the gauge, not by it
        text = said(str(who), record)
    return f"{text} (check it before it counts again)" if record.get("ends_mastering") else text


def _bad_frame(record: Record) -> str:
    who = record.get("gauge") or record.get("thermometer") or record.get("link")
    count = record.get("count")
    what = f"{count} bad frames" if isinstance(count, int) and count > 1 else "bad frame"
    raw = bytes.fromhex(str(record.get("raw") or ""))
    sent = f" [{raw[:_SHOWN_BYTES].hex(' ')}{' ...' if len(raw) > _SHOWN_BYTES else ''}]" if raw else ""
    return said(f"{what} from {who}", record) + sent


def _suppressed(record: Record) -> str:
    return said(f"{record.get('gauge')} not counted", record)


def _begun(record: Record) -> str:
    what = "master" if record["kind"] == Kind.MASTERING_BEGUN else "check"
    times = "once" if record.get("count") == 1 else f"{record.get('count')} times"
    moved = f", then once moved {record['code']}" if record.get("code") else ""
    scan = f"scan {' and '.join(to_scan)}, " if isinstance(to_scan := record.get("to_scan"), list) else ""
    return f"{what} {record.get('gauge')}: {scan}read {record.get('master')} {times}{moved}"


def _master_reading(record: Record) -> str:
    shows = f"{record.get('indication')} {record.get('indication_unit')}"
    return f"{record.get('gauge')} on {record.get('master')}, reading {record.get('count')}: {shows}"


def _mastering(record: Record) -> str:
    told = f"{record.get('gauge')} mastered on {record.get('master')}"
    what = f"{told}{numbered(record)}: {str(record.get('code')).upper()}"
    why = reasons(record)
    spread = f", spread {micrometres(record['spread_mm']).lstrip('+')}" if "spread_mm" in record else ""
    return (
        f"{what}: {why}"
        if why
        else what + spread + ("" if record.get("code") != "accepted" else ", check it now")
    )


def _check(record: Record) -> str:
    told = f"{record.get('gauge')} checked on {record.get('master')}"
    what = f"{told}{numbered(record)}: {str(record.get('code')).upper()}"
    if "error_mm" not in record or "limit_mm" not in record:
        return what
    return f"{what}, off by {micrometres(record['error_mm'])} (limit {micrometres(record['limit_mm']).lstrip('+')})"


_SHOWN_FORM = {
    "ovality_mm": "ovality",
    "taper_mm": "taper",
    "barrel_mm": "barrel",
    "bell_mouth_mm": "bell-mouth",
}


def _form(record: Record) -> str:
    named = (f"piece {record['piece']}" if record.get("piece") else "", str(record.get("characteristic")))
    shown = [
        _figure(record, name, word) for name, word in _SHOWN_FORM.items() if record.get(name) is not None
    ]
    told = ", ".join(shown) or "nothing to be said"
    why = reasons(record)
    return f"{' · '.join(filter(None, named))} · form: {told}" + (f"; {why}" if why else "")


def _figure(record: Record, name: str, word: str) -> str:
    known = record.get(f"{name.removesuffix('_mm')}_uncertainty_mm")
    shown = f"{word} {fine(record[name], record.get('unit'))}"
    return f"{shown} ± {fine(known, record.get('unit'))}" if known is not None else shown


def _from_device(record: Record) -> str:
    loud = "" if record.get("code") in ("taken", "ask") else f" {record.get('code')}"
    return said(f"{record.get('device')}{loud}", record)


def _of_gauge(word: str) -> Callable[[Record], str]:
    return lambda record: said(f"{record.get('gauge')} {word}", record)


def _about(word: str) -> Callable[[Record], str]:
    def made(record: Record) -> str:
        what = f"{word} {record.get('replaces') or ''}".strip()
        return said(f"{what} by {record['operator']}" if record.get("operator") else what, record)

    return made


def _lifted(record: Record) -> str:
    what = f"{record.get('gauge')} no longer suspect, {record.get('replaces')}"
    return said(f"{what} lifted by {record['operator']}" if record.get("operator") else what, record)


def _rejudged(record: Record) -> str:
    now = " ".join(str(record[key]) for key in ("value", "unit", "verdict", "decision") if record.get(key))
    about = f"JUDGED AGAIN {record.get('replaces') or ''}: {now}"
    return said(f"{about}, by {record['operator']}" if record.get("operator") else about, record)


def _signature(record: Record) -> str:
    about = {
        "piece": f"piece {record.get('piece')} of lot {record.get('lot')}",
        "lot": f"lot {record.get('lot')}",
        "span": f"records {record.get('first')} to {record.get('last')}",
    }.get(str(record.get("code")), f"record {record.get('first')}")
    return said(
        f"SIGNED {about}: {record.get('meaning')}, {record.get('printed_name')} ({record.get('operator')})",
        record,
    )


_NOTES: dict[str, Callable[[Record], str]] = {
    Kind.START: _start,
    Kind.STOP: lambda record: said("service stopped", record),
    Kind.SET_UP: lambda record: said("station file in force", record),
    Kind.LINK: _link,
    Kind.TAGS: _tags,
    Kind.TEMPERATURE: _temperature,
    Kind.CONDITION: _condition,
    Kind.BAD_FRAME: _bad_frame,
    Kind.SUPPRESSED: _suppressed,
    Kind.MASTERING_BEGUN: _begun,
    Kind.CHECK_BEGUN: _begun,
    Kind.MASTER_READING: _master_reading,
    Kind.MASTERING: _mastering,
    Kind.CHECK: _check,
    Kind.FORM: _form,
    Kind.ABANDONED: _of_gauge("abandoned"),
    Kind.REPORT: _of_gauge("reported"),
    Kind.SUSPECT: _of_gauge("SUSPECT"),
    Kind.LIFTED: _lifted,
    Kind.VOID: _about("void"),
    Kind.AMENDMENT: _about("amendment"),
    Kind.REJUDGED: _rejudged,
    Kind.GAP: lambda record: said("GAP", record),
    Kind.ATTEMPT: _about("another attempt"),
    Kind.SCAN: _from_device,
    Kind.TRIGGER: _from_device,
    Kind.STREAM: lambda record: said(str(record.get("gauge") or record.get("link")), record),
    Kind.SALVAGE: lambda record: said("SALVAGED", record),
    Kind.ARCHIVE: lambda record: said("archived", record),
    Kind.SIGNATURE: _signature,
    Kind.ACCESS: lambda record: said(
        f"{record.get('person')}: {record.get('code')}, by {record.get('operator')}", record
    ),
    Kind.CHECKPOINT: lambda record: said(f"checkpoint: records up to {record.get('last')} signed", record),
}
