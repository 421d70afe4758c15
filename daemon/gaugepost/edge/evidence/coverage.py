"""What a journal or an archive comes to with nothing but public keys: which records checkpoints cover, and which not.

A checkpoint covers every record before it that the chain leads back to: all of the file, but what lies before records
that are missing, unless the record that accounts for those is covered too. Who has the journal and not the private key
can change what no checkpoint covers, and cut off its end; nothing else.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from gaugepost.core.evidence.checkpoint import Checkpoint, Signed, signed_by
from gaugepost.core.record import Kind
from gaugepost.edge.evidence.keys import holds
from gaugepost.edge.journal import Archive, Reader, Report


@dataclass(frozen=True, slots=True)
class Found:
    """A checkpoint in a file."""

    where: int | None
    """Sequence of its record; None for the end of an archive or a backup."""
    signed: Signed

    @property
    def named(self) -> str:
        """What it is called."""
        return "the file's end" if self.where is None else f"record {self.where}"


@dataclass(slots=True)
class Coverage:
    """What checkpoints say of a file."""

    held: list[Found] = field(default_factory=list)
    """Those that the keys confirm, oldest first."""
    keys: list[bytes] = field(default_factory=list)
    """Keys that are believed: those given, and those that a believed one announced."""
    before: dict[bytes, int] = field(default_factory=dict)
    """How many stand before the first that is held, by keys that nobody vouched for."""
    covered: list[tuple[int, int]] = field(default_factory=list)
    """First and last sequence of records of this file that are covered, ascending."""
    after: int = 0
    """How many records come after the last that is covered, checkpoints that hold not counted."""
    findings: list[str] = field(default_factory=list)
    """What is wrong."""

    @property
    def sound(self) -> bool:
        """Whether there is a checkpoint that holds, and none that does not."""
        return bool(self.held) and not self.findings


def cover(opened: Reader | Archive, report: Report, keys: Iterable[bytes]) -> Coverage:
    """Hold the checkpoints of a file that is sound by its chain, as `report` says, against public keys.

    Raises:
        JournalError: it can't be read.
    """
    made = Coverage(keys=list(dict.fromkeys(keys)))
    found = [each for each in _found(opened, made) if each.where is None or each.where <= report.sequence]
    hashes = _hashes(opened, {each.signed.checkpoint.last for each in found})
    end = opened.base[0]
    strangers = dict[bytes, int]()
    for each in found:
        checkpoint, key = each.signed.checkpoint, each.signed.key
        if _is_missing(checkpoint, end, report):
            made.findings.append(
                f"a checkpoint is missing before {each.named}: it begins at record {checkpoint.first}, the one "
                f"before ends at {end}"
            )
        end = max(end, checkpoint.last)
        if key not in made.keys:
            strangers[key] = strangers.get(key, 0) + 1
            if made.held:
                made.findings.append(
                    f"{each.named} is signed by another key, {key.hex()}, that none announced"
                )
            continue
        if not holds(key, each.signed.signature, checkpoint.text()):
            made.findings.append(f"the signature in {each.named} does not hold: the checkpoint was changed")
            continue
        if checkpoint.next_key is not None and checkpoint.next_key not in made.keys:
            made.keys.append(checkpoint.next_key)
        if checkpoint.last < opened.base[0]:
            continue  # what it signs was moved to an archive since
        if hashes.get(checkpoint.last) != checkpoint.hash:
            made.findings.append(
                f"record {checkpoint.last} is not the one that the checkpoint in {each.named} signs: it or one before "
                "it was changed, and the chain made anew"
            )
            continue
        made.held.append(each)
    if made.held:
        made.before = {key: count for key, count in strangers.items() if key not in made.keys}
    elif not made.findings:
        made.findings.append(_nothing(strangers, opened, report))
    made.covered = _merged(_ranges(report, (each.signed.checkpoint.last for each in made.held)))
    until = max((last for _, last in made.covered), default=opened.base[0])
    own = sum(each.where is not None and each.where > until for each in made.held)
    made.after = max(0, report.sequence - until - own)
    return made


def _found(opened: Reader | Archive, made: Coverage) -> Iterator[Found]:
    for entry in opened.replay(kinds=(Kind.CHECKPOINT,)):
        last = entry.record.last
        signed = None if last is None else signed_by(entry.record, opened.station, opened.epoch.of(last))
        if signed is None:
            made.findings.append(f"record {entry.sequence} is no checkpoint that can be read")
        elif not 0 <= signed.checkpoint.last < entry.sequence:
            made.findings.append(
                f"record {entry.sequence} signs the record {last}, which does not come before it: records are "
                "missing, or were moved"
            )
        else:
            yield Found(entry.sequence, signed)
    if (end := opened.signed_end()) is not None:
        yield Found(None, end)


def _is_missing(checkpoint: Checkpoint, end: int, report: Report) -> bool:
    """Return whether what a checkpoint begins with leaves out records that no other one covered.

    Before the first one of a file, and where records are known to be missing, nobody can tell.
    """
    began = (report.first or 1) - 1
    lost = any(first <= checkpoint.first and last >= end for first, last, _ in report.sealed)
    return checkpoint.first > end + 1 and end > began and not lost


def _hashes(opened: Reader | Archive, sequences: Collection[int]) -> dict[int, bytes]:
    """Return the hashes of records by their sequence, and that of what the first one follows."""
    found = dict((opened.base,))
    if isinstance(opened, Archive):
        for row in opened.rows():
            if not isinstance(row, dict) and row.sequence in sequences:
                found[row.sequence] = row.hash
        return found
    for sequence in sequences:
        if sequence > opened.base[0] and (entry := opened.entry(sequence)) is not None:
            found[sequence] = entry.hash
    return found


def _nothing(strangers: dict[bytes, int], opened: Reader | Archive, report: Report) -> str:
    if not strangers:
        return f"there is no checkpoint in it: nothing signs the records {report.first} to {report.sequence}"
    keys = " and ".join(key.hex() for key in strangers)
    return f"no checkpoint in it is signed by the key that was given; those in it are by {keys}"


def _ranges(report: Report, ends: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Yield what each checkpoint covers, of those that sign the records `ends`."""
    for last in ends:
        first = report.first or 1
        for _, gone, sealed_by in report.sealed:
            if gone < last < sealed_by:
                # Of the first record after what is missing the hash can't be made again: what stood before is gone.
                first = max(first, gone + 2)
        if first <= last:
            yield first, last


def _merged(ranges: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = merged[-1][0], max(merged[-1][1], last)
        else:
            merged.append((first, last))
    return merged
