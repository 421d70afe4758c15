"""What checkpoints cover, told, and the last one written out for another program."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from gaugepost.core.errors import SettingsError
from gaugepost.core.publication import rfc3339
from gaugepost.edge.evidence.coverage import Coverage, Found
from gaugepost.edge.evidence.keys import public_text
from gaugepost.edge.journal import Report

MOST_TOLD = 20


def told(coverage: Coverage, report: Report) -> Iterator[str]:
    """Yield what checkpoints say, in lines for a person."""
    if coverage.held:
        last = coverage.held[-1]
        made = last.signed.checkpoint
        some = f"{len(coverage.held)} checkpoint{'s' if len(coverage.held) != 1 else ''}"
        yield f"signed   {some} by {' and '.join(_used(coverage))}"
        yield f"         the last in {last.named}, of {rfc3339(made.utc_ms)}, over the records up to {made.last}"
    for key, count in coverage.before.items():
        yield f"         {count} before, by a key that was not given: {key.hex()}"
    for first, until in coverage.covered:
        yield f"covered  records {first} to {until}"
    for first, until in _between(coverage, report):
        yield f"open     records {first} to {until}: no checkpoint leads back to them"
    if coverage.after:
        some = "1 record" if coverage.after == 1 else f"{coverage.after} records"
        yield f"after    {some} more, up to {report.sequence}, which no checkpoint covers: the chain alone"
    for finding in coverage.findings[:MOST_TOLD]:
        yield f"fault    {finding}"
    if len(coverage.findings) > MOST_TOLD:
        yield f"         and {len(coverage.findings) - MOST_TOLD} more"
    if not coverage.sound:
        yield "not proven by checkpoints: compare with another copy, and ask the station"


def write_out(found: Found, folder: Path) -> str:
    """Write a checkpoint's text, signature and public key into `folder`; return what was done.

    Raises:
        SettingsError: the disk refuses.
    """
    signed = found.signed
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "checkpoint.txt").write_bytes(signed.checkpoint.text())
        (folder / "checkpoint.sig").write_bytes(signed.signature)
        (folder / "key.pem").write_text(public_text(signed.key), encoding="ascii")
    except OSError as cause:
        raise SettingsError(
            f"{folder} can't be written: {cause.strerror or cause}", hint="name another folder"
        ) from cause
    return f"written  {folder}/checkpoint.txt, checkpoint.sig and key.pem"


def _used(coverage: Coverage) -> list[str]:
    return list(dict.fromkeys(each.signed.key.hex() for each in coverage.held))


def _between(coverage: Coverage, report: Report) -> Iterator[tuple[int, int]]:
    """Yield what is not covered before the last that is."""
    begin = report.first or 1
    for first, last in coverage.covered:
        if first > begin:
            yield begin, first - 1
        begin = last + 1
