"""Samples from a file: what a display showed, and the bytes that came with it. A capture may say that too."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gaugepost.contract import Chunk, Moment
from gaugepost.contract.capture import Captured, read_capture
from gaugepost.core.errors import SettingsError, ValueRefused
from gaugepost.teach import CAN_NEVER, Ask, Evidence, Lesson, read_request, read_typed

_APART_MS = 10_000
"""Time between two samples: longer than any gauge pauses within a frame."""
_HEAD = {"packets", "sample", "tells", "request", "never"}
_CAPTURE = {"packets", "what", "composed", "decoder", "settings", "frame", "tells"}


def read_samples(file: Path) -> Evidence:
    """Return the evidence that a file of samples, or a capture whose frames say what was shown, holds.

    Raises:
        SettingsError: it can't be read, or a sample is not one.
    """
    try:
        text = file.read_text(encoding="utf-8")
        told = tomllib.loads(text)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise SettingsError(f"{file} can't be read: {reason}", hint="write it as TOML: see --help") from error
    packets, tells = told.get("packets", False), told.get("tells", {})
    unknown = sorted(told.keys() - (_CAPTURE if "frame" in told else _HEAD))
    plain = isinstance(packets, bool) and isinstance(tells, dict) and all(map(_is_text, tells.values()))
    listed = told.get("frame", told.get("sample", []))
    if unknown or not plain or not isinstance(listed, list) or not listed:
        raise SettingsError(
            f"{file} has {f'a key {unknown[0]!r}' if unknown else 'no samples'}",
            hint="write packets = true where frames are packets, and [[sample]] for each measurement",
        )
    lesson = Lesson(tells, _request(file, told.get("request", "")))
    for ask in _never(file, told.get("never", [])):
        lesson.never(ask)
    if "frame" in told:
        _hear_capture(file, text, listed, lesson)
    else:
        for at, one in enumerate(listed, 1):
            _hear_sample(f"{file}: sample {at}", at, one, lesson, packets=packets)
    return lesson.evidence()


def _request(file: Path, told: object) -> str:
    try:
        if isinstance(told, str):
            read_request(told)
            return told
    except ValueRefused as refused:
        raise SettingsError(f"{file}: {refused.finding}", hint=refused.hint) from refused
    raise SettingsError(f"{file} has a request that is no text", hint='write request = "D\\r"')


def _never(file: Path, told: object) -> list[Ask]:
    if isinstance(told, list) and all(_is_text(word) and word in CAN_NEVER for word in told):
        return [CAN_NEVER[word] for word in told]
    words = ", ".join(CAN_NEVER)
    raise SettingsError(f"{file} says never {told!r}", hint=f'write never = ["unit"]; there are {words}')


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _hear_capture(file: Path, text: str, listed: list[dict[str, Any]], lesson: Lesson) -> None:
    try:
        frames = read_capture(text)
    except ValueRefused as refused:
        raise SettingsError(f"{file}: {refused.finding}", hint=refused.hint) from refused
    for number, (frame, told) in enumerate(zip(frames, listed, strict=True), 1):
        lesson.hear(_chunk(frame))
        if "shows" in told:
            _show(f"{file}: frame {number}", told, lesson)
    if not lesson.samples:
        raise SettingsError(
            f"{file} says of no frame what the display showed",
            hint='write shows = "12.345 mm" into [[frame]]',
        )


def _hear_sample(place: str, number: int, told: object, lesson: Lesson, *, packets: bool) -> None:
    if not isinstance(told, dict) or not _is_text(told.get("shows")):
        raise SettingsError(f"{place} says not what the display shows", hint='write shows = "12.345 mm"')
    parts: list[object] = [{key: told[key] for key in told if key not in ("shows", "chunks")}]
    if "chunks" in told and isinstance(told["chunks"], list) and told.keys() == {"shows", "chunks"}:
        parts = told["chunks"]
    for at, part in enumerate(parts):
        if not isinstance(part, dict) or not _is_chunk(part):
            raise SettingsError(
                f"{place} has other keys than shows and bytes, or shows and hex",
                hint='write bytes = "12.345\\r\\n", or hex = "31 32"; with channel = "a" where there are several: '
                'chunks = [{ channel = "a", hex = "31" }, { channel = "b", hex = "32" }]',
            )
        try:
            data = bytes.fromhex(part["hex"]) if "hex" in part else part["bytes"].encode("latin-1")
        except (TypeError, AttributeError, ValueError) as error:
            raise SettingsError(
                f"{place} has no bytes: {error}", hint='write bytes = "12.345\\r\\n", or hex = "31 32"'
            ) from error
        lesson.hear(_chunk(Captured(data, number * _APART_MS + at, part.get("channel", ""), packets)))
    _show(place, told, lesson)


def _is_chunk(part: Mapping[str, object]) -> bool:
    one = ("bytes" in part) != ("hex" in part) and not part.keys() - {"bytes", "hex", "channel"}
    return one and _is_text(part.get("channel", ""))


def _chunk(frame: Captured) -> Chunk:
    return Chunk(frame.data, Moment(frame.at_ms, frame.at_ms, ""), frame.channel, frame.complete)


def _show(place: str, told: Mapping[str, object], lesson: Lesson) -> None:
    try:
        came = lesson.show(read_typed(str(told["shows"])))
    except ValueRefused as refused:
        raise SettingsError(f"{place}: {refused.finding}", hint=refused.hint) from refused
    if not came:
        raise SettingsError(f"{place} has no bytes", hint='write bytes = "12.345\\r\\n", or hex = "31 32"')
