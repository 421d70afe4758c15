"""Samples from a file: what a display showed, and the bytes that came with it."""

from __future__ import annotations

import tomllib
from pathlib import Path

from gaugepost.contract import Chunk, Moment
from gaugepost.core.errors import SettingsError, ValueRefused
from gaugepost.teach import Evidence, Sample, read_typed

_APART_MS = 10_000
"""Time between two samples: longer than any gauge pauses within a frame."""


def read_samples(file: Path) -> Evidence:
    """Return the evidence that a file of samples holds.

    Raises:
        SettingsError: it can't be read, or a sample is not one.
    """
    try:
        told = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SettingsError(f"{file} can't be read: {reason}", hint="write it as TOML: see --help") from error
    packets, listed = told.get("packets", False), told.get("sample", [])
    unknown = sorted(told.keys() - {"packets", "sample"})
    if unknown or not isinstance(packets, bool) or not isinstance(listed, list) or not listed:
        raise SettingsError(
            f"{file} has {f'a key {unknown[0]!r}' if unknown else 'no samples'}",
            hint="write packets = true where frames are packets, and [[sample]] for each measurement",
        )
    return Evidence(tuple(_sample(file, at, one, packets=packets) for at, one in enumerate(listed, 1)))


def _sample(file: Path, number: int, told: object, *, packets: bool) -> Sample:
    place = f"{file}: sample {number}"
    if not isinstance(told, dict) or not isinstance(told.get("shows"), str):
        raise SettingsError(f"{place} says not what the display shows", hint='write shows = "12.345 mm"')
    if ("bytes" in told) == ("hex" in told) or told.keys() - {"shows", "bytes", "hex"}:
        raise SettingsError(
            f"{place} has other keys than shows and bytes, or shows and hex",
            hint='write bytes = "12.345\\r\\n", or hex = "31 32"',
        )
    try:
        data = bytes.fromhex(told["hex"]) if "hex" in told else told["bytes"].encode("latin-1")
        typed = read_typed(told["shows"])
    except ValueRefused as refused:
        raise SettingsError(f"{place}: {refused.finding}", hint=refused.hint) from refused
    except (TypeError, AttributeError, ValueError) as error:
        raise SettingsError(
            f"{place} has no bytes: {error}", hint='write bytes = "12.345\\r\\n", or hex = "31 32"'
        ) from error
    at = Moment(number * _APART_MS, number * _APART_MS, "")
    return Sample(typed, (Chunk(data, at, complete=packets),) if data else ())
