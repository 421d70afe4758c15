"""Captures: what came over a link and when, with what a decoder made of it, a file for people and for the replay link.

    what = "bore-serial of brass-bench"          # what was captured, in words
    composed = "Captured 2026-11-25T09:30:00Z."  # how: captured, or composed by hand
    decoder = "delimited_text"                   # the decoder it was read with, and its settings
    packets = true                               # only where each frame came as one packet

    [settings]
    pattern = "{value} {unit}"

    [[frame]]
    at_ms = 1250                                 # when its first byte came, since the first frame
    bytes = "38.0141 mm\\r\\n"                     # each character one byte (ISO 8859-1); or hex = "33 38"
    shows = "38.0141 mm"                         # what somebody read off the display, only where that is known
    events = [{ indication = "38.0141", value = "38.0141", unit = "mm" }]

Where a frame gives several events, the last one keeps its bytes. A value's own `channel` stands in its event, the
link's in the frame. For replaying, `what`, `composed`, `decoder`, `settings` and `events` may be missing.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gaugepost.core.errors import ValueRefused
from gaugepost.core.indication import BadFrame, Code, Condition, Decoded, Indication, Temperature, Trigger

STEP_MS = 1000
"""How far apart frames are that do not say when they came."""


@dataclass(frozen=True, slots=True)
class Captured:
    """One frame of a capture. `at_ms` counts from the capture's first frame."""

    data: bytes
    at_ms: int
    channel: str = ""
    complete: bool = False


def read_capture(text: str) -> list[Captured]:
    """Return a capture's frames in the order in which they came.

    Raises:
        ValueRefused: it is not written as above; says which frame, and what to write.
    """
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueRefused(f"it is no TOML: {error}", hint="capture again, or mend that line") from error
    frames, complete = told.get("frame"), told.get("packets", False) is True
    if not isinstance(frames, list) or not frames or not all(isinstance(frame, dict) for frame in frames):
        raise ValueRefused("it has no frames", hint='write [[frame]] and bytes = "38.0141 mm\\r\\n"')
    captured: list[Captured] = []
    for number, frame in enumerate(frames, 1):
        at_ms = captured[-1].at_ms + STEP_MS if captured else 0
        captured.append(_frame(number, frame, at_ms, complete))
        if number > 1 and captured[-1].at_ms < captured[-2].at_ms:
            raise ValueRefused(f"frame {number} came before frame {number - 1}", hint="put its at_ms right")
    return captured


def _frame(number: int, frame: Mapping[str, Any], next_ms: int, complete: bool) -> Captured:
    try:
        data = bytes.fromhex(frame["hex"]) if "hex" in frame else frame["bytes"].encode("latin-1")
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ValueRefused(
            f"frame {number} has no bytes", hint='write bytes = "38.0141 mm\\r\\n", or hex = "33 38"'
        ) from error
    at_ms: object = frame.get("at_ms", next_ms)
    channel: object = frame.get("channel", "")
    if not isinstance(at_ms, int) or at_ms < 0 or not isinstance(channel, str) or not data:
        raise ValueRefused(
            f"frame {number} has an at_ms, channel or bytes that can't be",
            hint="write at_ms as whole milliseconds, channel as text, and at least one byte",
        )
    return Captured(data, at_ms, channel, complete)


_BARE = re.compile("[A-Za-z0-9_-]+")
"""Keys that TOML takes without quotes."""


def head_text(what: str, composed: str, decoder: str, settings: Mapping[str, Any], *, packets: bool) -> str:
    """Return the beginning of a capture file."""
    lines = [f"what = {_toml(what)}", f"composed = {_toml(composed)}", f"decoder = {_toml(decoder)}"]
    lines += ["packets = true"] if packets else []
    return "\n".join(lines) + "\n\n[settings]\n" + settings_text(settings)


def settings_text(settings: Mapping[str, Any]) -> str:
    """Return settings as a table of TOML, a line for each key."""
    return "".join(f"{_key(key)} = {_toml(value)}\n" for key, value in settings.items())


def frame_text(frame: Captured, events: Sequence[Decoded], shows: str = "") -> str:
    """Return one frame of a capture file with what the decoder made of it, and what the display showed, if known."""
    lines = ["", "[[frame]]", f"at_ms = {frame.at_ms}"]
    lines += [f"channel = {_toml(frame.channel)}"] if frame.channel else []
    lines += [f"shows = {_toml(shows)}"] if shows else []
    text = frame.data.decode("latin-1")
    readable = all((char.isprintable() and char.isascii()) or char in "\r\n\t" for char in text)
    lines.append(f"bytes = {_toml(text)}" if readable else f'hex = "{frame.data.hex(" ")}"')
    lines.append(f"events = {_toml([_said(event) for event in events])}")
    return "\n".join(lines) + "\n"


def _said(event: Decoded) -> dict[str, object]:
    said: dict[str, object]
    match event:
        case Indication():
            said = {"indication": event.text, "value": f"{event.value:f}"}
            said |= {"unit": event.unit.value} if event.unit else {}
        case Temperature():
            said = {"celsius": f"{event.celsius:f}"}
        case Condition():
            said = {"condition": event.code, "meaning": event.meaning}
            said |= {"ends_mastering": True} if event.ends_mastering else {}
        case Code():
            said = {"code": event.text}
        case Trigger():
            said = {"trigger": event.name}
        case BadFrame():
            said = {"bad_frame": event.reason}
    return said | ({"channel": event.channel} if event.channel else {})


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        inner: Iterable[str] = (f"{_key(key)} = {_toml(each)}" for key, each in value.items())
        return "{ " + ", ".join(inner) + " }" if value else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    # JSON's text, numbers and truth are TOML's too, but for DEL, which TOML wants escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(key: object) -> str:
    return str(key) if _BARE.fullmatch(str(key)) else _toml(str(key))
