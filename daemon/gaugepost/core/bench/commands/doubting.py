"""What a trace makes suspect: all that depended on it; once that is corrected, what checks that then fail belie."""

from __future__ import annotations

from collections.abc import Iterator

from gaugepost.core.bench.commands.lifting import suspects
from gaugepost.core.bench.events import Doubtful
from gaugepost.core.bench.tracing.dependants import What
from gaugepost.core.bench.tracing.records import Records
from gaugepost.core.bench.tracing.tracing import Trace
from gaugepost.core.record import Kind


def doubtful(records: Records, made: Trace) -> tuple[Doubtful, ...]:
    """Return what is to be marked as suspect, nothing a second time.

    Where nothing is corrected: every reading that depended on it, a range for each mastering, and results and forms
    that readings under another one completed. Else what was measured around each check that fails as corrected: from
    the last good one before it to the next one. A range has what its last reading completed in it.
    """
    found = list(_of_checks(records, made) if made.revision else _of_all(records, made))
    known = {
        (each.record.gauge, each.record.first, each.record.last)
        for each, by in suspects(records, made.through)
        if by is None
    }
    return tuple(each for each in found if (each.gauge, each.first, each.last) not in known)


def _with_made(records: Records, reading: int) -> int:
    """Return the last record of what a reading completed, which comes right after it; the reading's where nothing."""
    last = reading
    for each in records.at((reading + 1, reading + 2)):
        if each.record.kind in (Kind.RESULT, Kind.FORM) and each.sequence == last + 1:
            last = each.sequence
    return last


def _of_all(records: Records, made: Trace) -> Iterator[Doubtful]:
    ranges: dict[tuple[str, int | None], list[int]] = {}
    masters: dict[tuple[str, int | None], str | None] = {}
    for row in made.rows:
        record = row.stands.record
        if row.kind is Kind.READING and record.gauge is not None:
            key = record.gauge, record.mastering
            ranges.setdefault(key, []).append(row.base)
            masters[key] = record.master
    found = [
        Doubtful(key[0], min(bases), _with_made(records, max(bases)), len(bases), masters[key])
        for key, bases in ranges.items()
    ]
    yield from found
    for row in made.rows:
        gauge = row.stands.record.gauge
        if row.kind is Kind.READING or gauge is None:
            continue
        if not any(each.gauge == gauge and each.first <= row.base <= each.last for each in found):
            yield Doubtful(gauge, row.base, row.base, 1, _master_of(made))


def _master_of(made: Trace) -> str | None:
    return made.asked.name if made.asked.what is What.MASTER else None


def _of_checks(records: Records, made: Trace) -> Iterator[Doubtful]:
    failing = {each.sequence: each for each in made.checks if not each.passes}
    gauges = {each.record.gauge for each in failing.values() if each.record.gauge is not None}
    for gauge in sorted(gauges):
        checks = list(records.of_kinds((Kind.CHECK,), (gauge,), 0, made.through))
        good = [
            each.sequence for each in checks if each.record.code == "passed" and each.sequence not in failing
        ]
        ends = dict[tuple[int, int], str | None]()
        for sequence, check in failing.items():
            if check.record.gauge == gauge:
                before = max((at for at in good if at < sequence), default=0)
                after = min((at for at in good if at > sequence), default=made.through)
                ends[before, after] = check.record.master
        for (before, after), master in ends.items():
            measured = [each.sequence for each in records.readings(gauge, before + 1, after)]
            if measured:
                yield Doubtful(gauge, measured[0], _with_made(records, measured[-1]), len(measured), master)
