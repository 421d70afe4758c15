"""What the fuzzer runs: one decoder, with settings and bytes of the fuzzer's choice, held to what no bytes may break.

    python decoder_target.py DECODER CORPUS... [options of libFuzzer]

It ends with an error as soon as something but the contract's events comes, a byte vanishes, or an input takes too long.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris
from pydantic import ValidationError

sys.path.insert(0, str(Path(__file__).parents[2]))

with atheris.instrument_imports(include=["gaugepost_adapters"]):
    from gaugepost.contract import Chunk, Decoder, Indication, Temperature
    from gaugepost.contract.kit import NotHeld, decoders
    from tests.bench_tools.captures import DECODERS, every

Told = dict[str, Any]
Choose = Callable[[list[Any]], Any]

SHARED: dict[str, list[Any]] = {
    "quantity": ["length", "temperature"],
    "unit": [None, "mm", "in", "µm"],
    "scale": [None, "C", "F"],
    "silence": [0.5, 2.0],
}
PLACES = ["1", "2", "3", "1-2", "2-5", "3-6", "3-10", "6-3", "7", "8", "9-12", "1-256", "0", "x"]
SINGLE_STATUS = {"value_holds": True}
ERROR = {"meaning": "m"}
KEYS: dict[str, dict[str, list[Any]]] = {
    "delimited_text": {
        "pattern": [
            "{value}",
            "{sign}{value}",
            "{channel:2}{sign}{value:7}{unit?}",
            "{skip?}={value} {status}",
            "A{{{value:2-5}",
        ],
        "fields": [
            {"count": 2, "value": 1},
            {"separator": " ", "count": 3, "channel": 1, "value": 2, "unit": 3},
        ],
        "terminator": ["\r", "\n", "\r\n", "\u0003", ";;"],
        "start": ["", "\u0002", "K"],
        "decimal_sign": [".", ","],
        "implied_decimals": [None, 0, 3, 9],
        "pad": [True, False],
        "units": [{}, {"mm": "mm", "m": "um", "i": "in"}, {"C": "C", "F": "F"}],
        "signs": [{" ": "+", "-": "-"}, {"0": "+", "1": "-"}],
        "statuses": [{}, {"N": SINGLE_STATUS, "B": {"meaning": "low", "value_holds": True}, "O": ERROR}],
        "errors": [{}, {"E2": ERROR, "E{skip}": ERROR, "{channel:2}X": ERROR}],
        "blank_lines": [False],
    },
    "fixed_fields": {
        "cells": ["characters", "nibbles-high-first", "nibbles-low-first"],
        "framing": ["terminator", "length", "packet", "silence"],
        "start": ["", "K", "FF", "FFFF", "\u0002"],
        "terminator": [None, "", "\r", "55", "\u0003"],
        "decimal_sign": [".", ","],
        "implied_decimals": [None, 0, 3, 9],
        "points": [{"0": 0, "1": 1, "3": 3}, {"A": 9}],
        "pad": [True, False],
        "signs": [{"0": "+", "8": "-"}, {" ": "+", "-": "-"}],
        "units": [{}, {"0": "mm", "1": "in"}, {"C": "C", "F": "F"}],
        "statuses": [{}, {"0": SINGLE_STATUS, "1": {"meaning": "low", "value_holds": True}, "2": ERROR}],
        "errors": [{}, {"EEEE": ERROR, "E1": ERROR}],
    },
    "binary_number": {
        "framing": ["length", "packet", "silence"],
        "start": ["", "02", "A55A", "FFFF"],
        "terminator": ["", "03", "0D0A"],
        "number": ["signed", "unsigned", "float", "bcd"],
        "order": ["high-first", "low-first"],
        "multiplier": ["1", "0.001", "25.4", "100", "0.00000000000000000001"],
        "resolution": [None, "0.0001", "1", "100", "0.00000000000000000001"],
        "sign_nibble": [None, "first", "last"],
        "sign_bit": [None, {"place": 3, "bit": 7}],
        "units": [{}, {"00": "mm", "01": "in"}, {"00": "C", "01": "F"}],
        "statuses": [{}, {"00": SINGLE_STATUS, "01": ERROR}],
        "status_bits": [
            {},
            {"0": {**ERROR, "then": "value-holds"}, "7": {**ERROR, "when": 0, "then": "bad-frame"}},
        ],
        "ignored_bits": [[], [1, 2, 3]],
        "errors": [{}, {"7FFFFFFF": ERROR, "00": ERROR}],
        "not_a_number": [None, ERROR],
        "check": [
            None,
            {"kind": "sum"},
            {"kind": "negative-sum", "width": 16, "order": "low-first"},
            {"kind": "xor", "begins": 2},
            {"kind": "crc", "width": 16, "polynomial": 0x8005, "reflect_in": True, "reflect_out": True},
            {"kind": "crc", "width": 32, "polynomial": 0x04C11DB7, "initial": 0xFFFFFFFF},
        ],
        "length_adds": [0, 3, -3],
        "longest": [None, 40, 256],
    },
}
FIELDS = {
    "fixed_fields": ("digits", "sign", "point", "unit", "status", "channel", "ignored"),
    "binary_number": ("value", "unit", "status", "channel", "length", "ignored"),
}


def composed(name: str, choose: Choose) -> Told:
    """Return settings of the fuzzer's choice, most of which contradict themselves."""
    told: Told = {}
    for key, values in (SHARED | KEYS[name]).items():
        if choose([True, False, False]):
            told[key] = choose(values)
    if name in FIELDS:
        fields: Told = {field: choose(PLACES) for field in FIELDS[name] if choose([True, False])}
        if choose([True, False]):
            fields["fixed"] = {choose(PLACES): choose(["00", "FFFF", "x"])}
        told["fields"] = fields
    return told


class Forgetful:
    """A decoder that loses a byte: what the test of this target finds."""

    def __init__(self, inner: Decoder) -> None:
        self._inner = inner
        self.idle, self.request, self.reset = inner.idle, inner.request, inner.reset

    def feed(self, chunk: Chunk) -> Any:
        """Feed all but what follows a percent sign."""
        return self._inner.feed(
            Chunk(chunk.data.partition(b"%")[0], chunk.arrived, chunk.channel, chunk.complete)
        )


def one_input(name: str, broken: bool) -> Callable[[bytes], None]:
    """Return what is done with each input."""
    captures = [capture for capture in every() if capture.decoder == name]
    kind = DECODERS[name]

    def run(data: bytes) -> None:
        provider = atheris.FuzzedDataProvider(data)

        def choose(values: list[Any]) -> Any:
            return values[provider.ConsumeIntInRange(0, len(values) - 1)]

        capture = choose([*captures, None])
        try:
            told = capture.settings if capture else composed(name, choose)
            settings = kind.Settings.model_validate(told)
        except ValidationError:
            return

        def make() -> Any:
            decoder = kind(settings)
            return Forgetful(decoder) if broken else decoder

        decoder, sent, events = make(), b"", []
        while provider.remaining_bytes():
            piece = provider.ConsumeBytes(provider.ConsumeIntInRange(0, 4096))
            if choose([True, False, False]) and capture:
                piece += choose(list(capture.frames)).data
            sent += piece
            events += decoder.feed(Chunk(piece, decoders.MOMENT, complete=choose([False, False, True])))
            if choose([True, False, False, False]):
                events += decoder.idle(choose([0.0, 0.5, 60.0]))
        events += [*decoder.idle(60.0), *decoder.reset()]
        for event in events:
            decoders.check_event(event)
            if isinstance(event, Indication | Temperature):
                again = make().feed(Chunk(event.raw, decoders.MOMENT, complete=True))
                if event not in again:
                    raise NotHeld(
                        "a number's raw, read again, gives that number", f"{event} and {again}"
                    )
        if b"".join(event.raw for event in events) != sent:
            raise NotHeld("every byte is in exactly one event's raw", repr(sent[:200]))

    return run


def main() -> None:
    """Fuzz the decoder that the first word names; "broken" before it fuzzes one that loses bytes."""
    broken = sys.argv[1] == "broken"
    name = sys.argv.pop(1 + broken)
    if broken:
        sys.argv.pop(1)
    atheris.Setup(sys.argv, one_input(name, broken))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
