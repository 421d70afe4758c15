"""A period of a journal, in days and times of the station's time zone."""

from __future__ import annotations

import argparse
import contextlib
import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import Kind
from gaugepost.core.setup import SetUp, from_document
from gaugepost.edge.journal import Archive, Reader
from gaugepost.edge.kept.state import archived_state

_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
    r"(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:[Zz]|[+-][0-9]{2}:[0-9]{2})?)?"
)


def add_period(parser: argparse.ArgumentParser) -> None:
    """Add the two ends of a period."""
    parser.add_argument("--since", metavar="TIME", help="a day or a time, inside the period")
    parser.add_argument("--until", metavar="TIME", help="a day, to its end, or a time, outside the period")


def period_of(args: argparse.Namespace, reader: Reader | Archive) -> tuple[int | None, int | None]:
    """Return the ends of the period that is asked for, in ms since 1970-01-01 UTC; None where nothing is said.

    Raises:
        ValueRefused: one of them is neither a day nor a time.
    """
    if args.since is None and args.until is None:
        return None, None
    zone = zone_of(reader)
    return (
        None if args.since is None else parse_bound(args.since, zone, is_end=False),
        None if args.until is None else parse_bound(args.until, zone, is_end=True),
    )


def parse_bound(text: str, zone: ZoneInfo, *, is_end: bool) -> int:
    """Return the bound of a period in ms since 1970-01-01 UTC; a day's end is the start of the next one.

    Raises:
        ValueRefused: neither a day nor a time.
    """
    moment = None
    with contextlib.suppress(ValueError, OverflowError):  # no such day, no such hour
        if _MOMENT.fullmatch(text) and len(text) == 10:
            moment = datetime.combine(date.fromisoformat(text) + timedelta(days=is_end), time(), zone)
        elif _MOMENT.fullmatch(text):
            moment = datetime.fromisoformat(text.upper())
    if moment is None:
        raise ValueRefused(
            f"{text!r} is neither a day nor a time",
            hint="write 2026-11-01, 2026-11-01T06:00 or 2026-11-01T05:00:00Z",
        )
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def zone_of(reader: Reader | Archive) -> ZoneInfo:
    """Return the station's time zone by its last set-up; UTC before the first."""
    return ZoneInfo(set_up_of(reader).zone)


def set_up_of(reader: Reader | Archive) -> SetUp:
    """Return the last set-up; the one that archived records left where there is none since."""
    for entry in reader.latest(1, kinds=[Kind.SET_UP]):
        if entry.record.document is not None:
            return from_document(entry.record.document)
    return archived_state(reader).set_up
