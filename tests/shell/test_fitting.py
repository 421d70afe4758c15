"""Which descriptions are offered for what came: those that read all of it, and only those."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Chunk, Decoded, Moment
from gaugepost.edge.stationfile import read_station
from gaugepost.shell.devices.fitting import MOST_BYTES, Description, at_hand, fits
from gaugepost_adapters.decoders.delimited_text import DelimitedText

EMPTY = '[station]\nname = "new bench"\ntime_zone = "UTC"\n'
DESCRIPTIONS = Path(__file__).parents[2] / "deploy" / "stations" / "descriptions"


def came(*frames: bytes, channel: str = "", complete: bool = False) -> list[Chunk]:
    """Return chunks that came half a second apart."""
    return [Chunk(frame, Moment(0, 500 * at, ""), channel, complete) for at, frame in enumerate(frames)]


def by(kind: str = "delimited_text", **settings: Any) -> Description:
    """Return a description of a link of the station."""
    return Description("link", "x", kind, settings, {"kind": kind, **settings})


def usual(tmp_path: Path, *frames: bytes, tells: Mapping[str, str] | None = None) -> list[str]:
    """Return what is read of the last frame by all that fits, at a station that has nothing."""
    (tmp_path / "station.toml").write_text(EMPTY)
    found = fits(at_hand(read_station(tmp_path / "station.toml"), tells or {}), came(*frames))
    return [one.reads[-1].says for one in found]


@pytest.mark.parametrize(
    ("frame", "reads"),
    [
        (b"38.014 mm\r\n", ["38.014 mm"]),
        (b"-1.4961 IN\r", ["-1.4961 in"]),
        (b"  +38,014mm\n", ["38.014 mm"]),
        (b"  38.014\r\n", ["38.014 mm", "38.014 in"]),
        (b"38.014 furlong\r\n", []),
        (b"\x02\x26\x00\x0e\r\n", []),
        (b"7E3\r", []),
    ],
)
def test_what_many_gauges_send_needs_no_description(tmp_path: Path, frame: bytes, reads: list[str]) -> None:
    """A number is read with or without its unit, whatever ends it; with none, both units are offered."""
    assert usual(tmp_path, frame) == reads


def test_a_bad_frame_rules_out_but_for_the_first() -> None:
    """Who begins to listen may hear the end of a frame; after that each one has to be read."""
    mm = by(pattern="{value}", unit="mm")
    assert fits([mm], came(b"014 m\r\n", b"38.014\r\n"))
    assert not fits([mm], came(b"38.014\r\n", b"014 m\r\n"))
    assert not fits([mm], came(b"014 m\r\n"))
    assert not fits([mm], [])


def test_of_those_that_read_alike_the_first_is_offered() -> None:
    """Two descriptions that say the same of all that came are one choice; that which says otherwise is another."""
    same = [by(pattern="{value}", unit="mm"), by(pattern="{value}", unit="mm", silence=3.0)]
    other = by(pattern="{value}", unit="in")
    (first, second) = fits([*same, other], came(b"0.5\r\n"))
    assert (first.description, second.description) == (same[0], other)
    assert (first.resolution, first.check_limit) == ("0.1 mm", "0.2 mm")


def test_channel_and_quantity_are_told() -> None:
    """The one channel that values came over is told; over two there is none; a thermometer is no gauge."""
    mm = by(pattern="{value}", unit="mm")
    (one,) = fits([mm], came(b"1.5", channel="c0", complete=True))
    assert (one.channel, one.quantity) == ("c0", "length")
    both = [*came(b"1.5", channel="c0", complete=True), *came(b"1.5", channel="c1", complete=True)]
    assert fits([mm], both)[0].channel == ""
    warm = by(pattern="{value}", quantity="temperature", scale="C")
    assert fits([warm], came(b"21.5\r\n"))[0].quantity == "temperature"


def test_no_more_is_read_than_decides(monkeypatch: pytest.MonkeyPatch) -> None:
    """A description that does not fit is left at its second frame, and of much that came the last is enough."""
    fed: list[bytes] = []
    feed = DelimitedText.feed

    def noted(self: DelimitedText, chunk: Chunk) -> list[Decoded]:
        fed.append(chunk.data)
        return feed(self, chunk)

    monkeypatch.setattr(DelimitedText, "feed", noted)
    assert not fits([by(pattern="{value}", unit="mm")], came(*[b"no number\r\n"] * 500))
    assert len(fed) == 2
    fed.clear()
    assert fits([by(pattern="{value}", unit="mm")], came(*[b"38.014\r\n"] * 500))
    assert sum(map(len, fed)) <= MOST_BYTES


def test_descriptions_that_are_shipped_are_found(tmp_path: Path) -> None:
    """Those of the repository, put beside a station file, are tried; what is none, or can't be read, is passed over."""
    folder = tmp_path / "descriptions"
    folder.mkdir()
    for path in DESCRIPTIONS.glob("*.toml"):
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "broken.toml").write_text("kind = ")
    (folder / "other.toml").write_text('kind = "no_such_decoder"\n')
    (tmp_path / "station.toml").write_text(EMPTY)
    hand = list(at_hand(read_station(tmp_path / "station.toml"), {}))
    (fit,) = fits(hand, came(bytes.fromhex("FFFF0021433500")))  # nibbles FFFF 0 012345 3 0 0
    assert fit.description.name == "descriptions/thickness-gauge.toml"
    assert fit.reads[0].says == "12.345 mm"
