"""Station files with anything in them: every one is read or refused with findings, never a traceback."""

from __future__ import annotations

import copy
import datetime
import json
import random
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugepost.edge.stationfile import StationFileError, read_station

pytestmark = pytest.mark.attack

STATIONS = Path(__file__).parents[2] / "deploy" / "stations"
CHANGES, TEXTS = 300, 200
ODD: tuple[Any, ...] = (
    "", " ", "\0", "é", "\u00b5", "x" * 10_000, "38 H7", "0 mm", "-1 mm", "1e999 mm", "NaN", "inf", "1 furlong", "{",
    "}", "{value}", "{{}}", "../../etc/passwd", "\u202e", "0.8120 in +0.0007/-0", True, False, 0, -1, 1, 2**63, 2**200,
    1.5, float("nan"), float("inf"), 1e308, [], [[]], [""], [0], ["a"] * 300, {}, {"": ""}, {"a": {"b": {"c": 1}}},
)  # fmt: skip
"""Values that somebody may write where something else belongs."""


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Yield every place of a document: what it stands in, and its key or index."""
    keys = node.keys() if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    for key in list(keys):
        yield node, key
        yield from _places(node[key])


def _key(key: str) -> str:
    return json.dumps(key)


def _toml(value: Any) -> str:
    """Return a value as TOML, on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        return repr(value) if value - value == 0 else str(value)
    return value.isoformat() if isinstance(value, datetime.date | datetime.time) else json.dumps(value)


def _changed(text: str, chance: random.Random) -> str:
    """Return the file with one to four of its values, keys or tables replaced, doubled, moved or taken out."""
    document = tomllib.loads(text)
    for _ in range(chance.randint(1, 4)):
        holder, key = chance.choice(list(_places(document)))
        what = chance.random()
        if what < 0.6:
            holder[key] = copy.deepcopy(chance.choice(ODD))
        elif what < 0.75:
            del holder[key]
        elif what < 0.9 and isinstance(holder, dict):
            holder[chance.choice(("x", "kind", "NAME", "a b", "", "lower", "é"))] = holder.pop(key)
        else:
            other, at = chance.choice(list(_places(document)))
            holder[key] = (
                other[at] if not isinstance(other[at], dict | list) else copy.deepcopy(chance.choice(ODD))
            )
    return "".join(f"{_key(key)} = {_toml(value)}\n" for key, value in document.items())


def _spoilt(data: bytes, chance: random.Random) -> bytes:
    """Return the file with some of its bytes replaced, taken out, doubled, or cut off."""
    spoilt = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(spoilt) or 1)
        what = chance.random()
        if what < 0.4:
            spoilt[at : at + 1] = bytes((chance.randrange(256),))
        elif what < 0.6:
            del spoilt[at : at + chance.randint(1, 40)]
        elif what < 0.8:
            spoilt[at:at] = chance.choice((b'"', b"\n", b"[", b"]", b"=", b"{", b"'''", b"\\", b"\xff", b"#"))
        else:
            spoilt[at:at] = spoilt[at : at + chance.randint(1, 200)]
    return bytes(spoilt)


def _read(file: Path, data: bytes, what: str) -> bool:
    """Return whether the station can run; what is neither that nor findings fails the test with the file."""
    file.write_bytes(data)
    try:
        station = read_station(file)
    except StationFileError:
        return False
    except Exception as bug:
        raise AssertionError(f"{what}: {bug!r}\n{data.decode('utf-8', 'replace')}") from bug
    assert station.set_up.gauges is not None
    return True


@pytest.mark.parametrize("name", ["complete", "minimal", "inch-two-point"])
def test_other_values(name: str, tmp_path: Path) -> None:
    """Whatever stands where something else belongs, the findings say so."""
    text, chance = (STATIONS / f"{name}.toml").read_text("utf-8"), random.Random(20261126)
    (tmp_path / "descriptions").symlink_to(STATIONS / "descriptions")
    outcomes = [
        _read(tmp_path / "s.toml", _changed(text, chance).encode(), f"change {at}") for at in range(CHANGES)
    ]
    assert not all(outcomes)


@pytest.mark.parametrize("name", ["complete", "minimal"])
def test_spoilt_files(name: str, tmp_path: Path) -> None:
    """A file that was cut, mixed up or is no text at all gives findings."""
    data, chance = (STATIONS / f"{name}.toml").read_bytes(), random.Random(20261127)
    (tmp_path / "descriptions").symlink_to(STATIONS / "descriptions")
    outcomes = [_read(tmp_path / "s.toml", _spoilt(data, chance), f"text {at}") for at in range(TEXTS)]
    assert not all(outcomes)
