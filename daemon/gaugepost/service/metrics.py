"""Counts and states of a running station in the OpenMetrics text format, for whoever watches many benches.

A name here is kept like a record's field: dashboards and alerts hang on it. Lengths of time are in seconds.
"""

from __future__ import annotations

import resource
import shutil
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from gaugepost import __version__
from gaugepost.core.bench.commands.lifting import suspects
from gaugepost.core.bench.schedule import checked_until_ms, scheduled
from gaugepost.core.bench.standing import standing
from gaugepost.core.bench.state import elapsed_ms
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.service.destinations import at_work
from gaugepost.service.facade import Running
from gaugepost.shell.backups.scheduled import Standing
from gaugepost.shell.growth import KEPT, Growth

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

Labels = Mapping[str, str]
Sample = tuple[str, Labels, float | int]
"""What is put behind a family's name, the labels, and the value."""

DELIVERY_STATES = ("idle", "delivering", "unreachable", "broken", "disabled")


class Tally:
    """Counts the records that a running station makes, from its start on."""

    def __init__(self, growth: Growth) -> None:
        """Count whatever `growth` brings."""
        self.records: Counter[str] = Counter()
        self.readings: Counter[tuple[str, str]] = Counter()
        """Readings by gauge and verdict."""
        self._growth, self._through = growth, growth.head
        growth.watch(self._count)

    def _count(self) -> None:
        for late in self._growth.late(self._through, KEPT) or ():
            record = late.entry.record
            self.records[record.kind.value] += 1
            if record.kind is Kind.READING:
                self.readings[record.gauge or "", str(record.verdict or "not-judged")] += 1
        self._through = self._growth.head


def exposition(running: Running, tally: Tally) -> str:
    """Return all families as text (OpenMetrics 1.0). Asks the disk how full it is: for a thread of its own."""
    return "".join(_lines(running, tally)) + "# EOF\n"


def _lines(running: Running, tally: Tally) -> Iterator[str]:
    recorder, state, now = running.recorder, running.recorder.state, running.now()
    links = [intake.status() for intake in running.intakes]
    deliveries = at_work(running)
    yield from _family("gaugepost_build", "info", "The program and its station.", [
        ("_info", {"version": __version__, "station": running.station.name}, 1)])  # fmt: skip
    yield from _family("gaugepost_records", "counter", "Records made since the start, by kind.", [
        ("_total", {"kind": kind}, count) for kind, count in sorted(tally.records.items())])  # fmt: skip
    yield from _family("gaugepost_readings", "counter", "Readings since the start, by gauge and verdict.", [
        ("_total", {"gauge": gauge, "verdict": verdict}, count)
        for (gauge, verdict), count in sorted(tally.readings.items())])  # fmt: skip
    yield from _family("gaugepost_journal_sequence", "gauge", "Sequence of the journal's last record.", [
        ("", {}, running.growth.head)])  # fmt: skip
    yield from _family("gaugepost_recording", "gauge", "1 while the journal takes records.", [
        ("", {}, int(recorder.recording))])  # fmt: skip
    yield from _family("gaugepost_held_events", "gauge", "Events in memory that wait for the journal.", [
        ("", {}, recorder.held)])  # fmt: skip
    yield from _family("gaugepost_lost_events", "gauge", "Events that could not be held and are not yet on record.", [
        ("", {}, recorder.dropped)])  # fmt: skip
    yield from _family("gaugepost_commit_seconds", "histogram", "Time that commits took, their sync included.",
        _histogram(recorder.commits.counts, recorder.commits.BOUNDS_S, recorder.commits.sum_s), unit="seconds",
    )  # fmt: skip
    yield from _family("gaugepost_frames", "counter", "Frames that were understood, by link.", [
        ("_total", {"link": link.name}, link.frames) for link in links])  # fmt: skip
    yield from _family("gaugepost_bad_frames", "counter", "Bytes that no frame could be made of, by link.", [
        ("_total", {"link": link.name}, link.bad_frames) for link in links])  # fmt: skip
    yield from _family("gaugepost_link_connected", "gauge", "1 while the link is connected.", [
        ("", {"link": link.name}, int(link.state == "connected")) for link in links])  # fmt: skip
    yield from _family("gaugepost_link_connects", "counter", "How often the link was connected.", [
        ("_total", {"link": link.name}, link.connects) for link in links])  # fmt: skip
    yield from _family("gaugepost_gauge_judged", "gauge", "1 where the gauge's readings get a verdict.", [
        ("", {"gauge": name}, int(not standing(state, name, now))) for name in state.gauges])  # fmt: skip
    ages = {
        name: elapsed_ms(now, known.checked)
        for name, known in state.gauges.items()
        if known.checked is not None
    }
    yield from _family("gaugepost_check_age_seconds", "gauge", "Time since the gauge's last good check.", [
        ("", {"gauge": name}, age / 1000) for name, age in ages.items() if age is not None], unit="seconds",
    )  # fmt: skip
    yield from _trust(running, now)
    yield from _family("gaugepost_delivery_lag", "gauge", "Records of the journal that the destination has not got.", [
        ("", {"destination": str(one["destination"])}, _number(one["lag"])) for one in deliveries])  # fmt: skip
    yield from _family("gaugepost_delivery_refused", "gauge", "Records that the destination refused, set aside.", [
        ("", {"destination": str(one["destination"])}, _number(one["refused"])) for one in deliveries])  # fmt: skip
    yield from _family("gaugepost_delivery", "stateset", "How the delivery stands.", [
        ("", {"destination": str(one["destination"]), "gaugepost_delivery": each}, int(one["state"] == each))
        for one in deliveries for each in DELIVERY_STATES])  # fmt: skip
    yield from _family("gaugepost_disk_free_bytes", "gauge", "Room on the disk of the data folder.", [
        ("", {}, shutil.disk_usage(running.station.data).free)], unit="bytes",
    )  # fmt: skip
    yield from _backup([running.backups.standing] if running.backups else [], now.utc_ms)
    signing = [running.checkpoints.standing] if running.checkpoints else []
    yield from _family("gaugepost_checkpoint_failing", "gauge", "1 while the journal's head can't be signed.", [
        ("", {}, int(bool(each.problem))) for each in signing])  # fmt: skip
    yield from _family("gaugepost_checkpoint_open_records", "gauge", "Records that no checkpoint covers yet.", [
        ("", {}, max(0, running.growth.head - each.last)) for each in signing])  # fmt: skip
    used = resource.getrusage(resource.RUSAGE_SELF)
    yield from _family("gaugepost_processor_seconds", "counter", "Processor time of the service.", [
        ("_total", {}, used.ru_utime + used.ru_stime)], unit="seconds",
    )  # fmt: skip
    most = used.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    yield from _family("gaugepost_memory_peak_bytes", "gauge", "Most memory that the service held.", [
        ("", {}, most)], unit="bytes",
    )  # fmt: skip


def _trust(running: Running, now: Moment) -> Iterator[str]:
    """Yield what masterings rest on, what is due when, and how many marks of doubt are open."""
    state, lookup, zone = running.recorder.state, Lookup(running.reader), running.station.zone
    mastered = {known.mastered.sequence: name for name, known in state.gauges.items() if known.mastered}
    yield from _family("gaugepost_mastering_age_seconds", "gauge", "Time since the gauge's mastering in force.", [
        ("", {"gauge": mastered[entry.sequence]}, max(0, now.utc_ms - entry.record.measured_at) / 1000)
        for entry in lookup.at(mastered)], unit="seconds",
    )  # fmt: skip
    until = {
        name: checked_until_ms(state, name, now, zone)
        or (now.utc_ms if scheduled(state, name, now) else None)
        for name in state.gauges
    }
    due_s = {name: (end - now.utc_ms) / 1000 for name, end in until.items() if end is not None}
    yield from _family("gaugepost_check_due_seconds", "gauge", "Time until the gauge's next check is due by time.", [
        ("", {"gauge": name}, seconds) for name, seconds in due_s.items()], unit="seconds",
    )  # fmt: skip
    set_up = state.set_up
    calibrated = [("gauge", each.name, each.due_utc_ms) for each in set_up.gauges.values()]
    calibrated += [("master", each.name, each.due_utc_ms) for each in set_up.masters.values()]
    yield from _family(
        "gaugepost_calibration_due_seconds", "gauge", "Time until its calibration is due; negative once it is over.", [
        ("", {what: name}, (due - now.utc_ms) / 1000) for what, name, due in calibrated if due is not None],
        unit="seconds",
    )  # fmt: skip
    open_marks = sum(by is None for _, by in suspects(lookup, running.growth.head))
    yield from _family(
        "gaugepost_suspects", "gauge", "Marks of doubt that nobody has lifted.", [("", {}, open_marks)]
    )


def _backup(standing: list[Standing], now_ms: int) -> Iterator[str]:
    """Yield what is told of scheduled backups; nothing but what it would be where there are none."""
    yield from _family("gaugepost_backup_age_seconds", "gauge", "Time since the last backup that was proven.", [
        ("", {}, max(0, now_ms - each.last.begun_ms) / 1000) for each in standing if each.last], unit="seconds",
    )  # fmt: skip
    yield from _family("gaugepost_backup_every_seconds", "gauge", "How often a backup is to be made.", [
        ("", {}, each.every_ms / 1000) for each in standing], unit="seconds",
    )  # fmt: skip
    yield from _family("gaugepost_backup_failing", "gauge", "1 while backups can't be made.", [
        ("", {}, int(bool(each.problem))) for each in standing])  # fmt: skip


def _family(name: str, kind: str, about: str, samples: Iterable[Sample], *, unit: str = "") -> Iterator[str]:
    yield f"# TYPE {name} {kind}\n"
    if unit:
        yield f"# UNIT {name} {unit}\n"
    yield f"# HELP {name} {about}\n"
    for suffix, labels, value in samples:
        said = ",".join(f'{label}="{_escaped(text)}"' for label, text in labels.items())
        yield f"{name}{suffix}{f'{{{said}}}' if said else ''} {value}\n"


def _histogram(counts: Iterable[int], bounds_s: Iterable[float], sum_s: float) -> Iterator[Sample]:
    """Yield a histogram's buckets, each with all that is below its bound, then count and sum."""
    total = 0
    for count, bound in zip(counts, [*map(repr, bounds_s), "+Inf"], strict=True):
        total += count
        yield "_bucket", {"le": bound}, total
    yield "_count", {}, total
    yield "_sum", {}, sum_s


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(said: object) -> int:
    return said if isinstance(said, int) else 0
