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
Choose = Callable[[Any], Any]

WELL, LOW, OUT = {"value_holds": True}, {"meaning": "low", "value_holds": True}, {"meaning": "m"}
CHECKS = [
    {"kind": "sum"},
    {"kind": "negative-sum", "width": 16, "order": "low-first"},
    {"kind": "xor", "begins": 2},
    {"kind": "crc", "width": 16, "polynomial": 0x8005, "reflect_in": True, "reflect_out": True},
    {"kind": "crc", "width": 32, "polynomial": 0x04C11DB7, "initial": 0xFFFFFFFF},
]
PATTERNS = [
    "{value}",
    "{sign}{value}",
    "{channel:2}{sign}{value:7}",
    "{skip?}={value}",
    "A{{{value:2-5}",
    "{value}{sign}",
]


def delimited_text(choose: Choose) -> Told:
    """Return settings for text between terminators."""
    told: Told = {
        "terminator": choose(["\r", "\n", "\r\n", "\u0003", ";;"]),
        "start": choose(["", "\u0002", "K"]),
        "pad": choose([True, False]),
        "errors": choose([{}, {"E2": OUT, "E{skip}": OUT, "{channel:2}X": OUT}]),
        "implied_decimals": choose([None, 0, 3, 9]),
        **choose([{}, {"signs": {"0": "+", "1": "-"}}, {"decimal_sign": ","}]),
    }
    end = choose(["", " {unit}", "{unit?}", " {status}"])
    if "unit" in end:
        told["units"] = {"mm": "mm", "m": "um", "i": "in"}
    if "status" in end:
        told["statuses"] = {"N": WELL, "B": LOW, "O": OUT}
    row = {"separator": choose([",", " ", ";"]), "count": 3, "channel": 1, "value": 2}
    laid: Told = choose(
        [{"pattern": choose(PATTERNS) + end}, {"pattern": choose(PATTERNS) + end}, {"fields": row}]
    )
    return told | laid


def laid_out(choose: Choose, first: int, widths: dict[str, int]) -> Told:
    """Return fields side by side from the place `first`, in an order of choice; those of no width are left out."""
    fields: Told = {}
    names = [name for name, width in widths.items() if width]
    while names:
        name = names.pop(choose(range(len(names))))
        last = first + widths[name] - 1
        fields[name] = choose([f"{first}-{last}", f"{first}-{last}", f"{last}-{first}"])
        first = last + 1
    if choose([True, False]):
        fields["ignored"] = first
    return fields


def fixed_fields(choose: Choose) -> Told:
    """Return settings for fields at fixed places."""
    cells = choose(["characters", "nibbles-high-first", "nibbles-low-first"])
    nibbles = cells != "characters"
    told: Told = {
        "cells": cells,
        "framing": choose(["length", "packet", "silence", *([] if nibbles else ["terminator"])]),
    }
    told["start"] = choose(["FFFF", "A5C3", ""] if nibbles else ["", "K", "\u0002"])
    told["terminator"] = choose([None, "55" if nibbles else "\r"])
    widths = {name: choose([0, 1]) for name in ("sign", "point", "unit", "status", "channel")}
    widths["digits"] = choose(range(1, 13))
    told["fields"] = laid_out(choose, len(told["start"]) + 1, widths)
    if widths["sign"]:
        told["signs"] = {"0": "+", "8": "-"} if nibbles else {" ": "+", "-": "-"}
    if widths["unit"]:
        told["units"] = {"0": "mm", "1": "in"}
    if widths["status"]:
        told["statuses"] = {"0": WELL, "1": LOW, "2": OUT}
    if not widths["point"]:
        told["implied_decimals"] = choose([0, 3, 9, *([] if nibbles else [None])])
    told["pad"] = not nibbles and choose([True, False])
    return told


def binary_number(choose: Choose) -> Told:
    """Return settings for binary numbers."""
    number = choose(["signed", "unsigned", "float", "bcd"])
    size = choose([4, 8]) if number == "float" else choose(range(1, 9))
    told: Told = {
        "number": number,
        "order": choose(["high-first", "low-first"]),
        "check": choose([*CHECKS, None]),
    }
    told |= {"framing": choose(["length", "packet", "silence"]), "start": choose(["A55A", "02", ""])}
    told |= {
        "terminator": choose(["", "03"]),
        "multiplier": choose(["1", "0.001", "25.4", "0.00000000000000000001"]),
    }
    if number == "float":
        told["resolution"] = choose(["0.0001", "1", "100", "0.00000000000000000001"])
        told["not_a_number"] = choose([None, OUT])
    if number == "bcd":
        told["sign_nibble"] = choose([None, "first", "last"])
    if number == "unsigned":
        told["sign_bit"] = choose([None, {"place": 3, "bit": 7}])
    unit, status, length = choose([0, 1]), choose([0, 1, 2]), choose([0, 1])
    widths = {"value": size, "unit": unit, "status": status, "length": length, "channel": choose([0, 1])}
    told["fields"] = laid_out(choose, len(told["start"]) // 2 + 1, widths)
    if unit:
        told["units"] = {"00": "mm", "01": "in"}
    if status == 1:
        told["statuses"] = {"00": WELL, "01": LOW, "02": OUT}
    if status == 2:
        told["status_bits"] = {
            "0": {**OUT, "then": "value-holds"},
            "7": {**OUT, "when": 0, "then": "bad-frame"},
        }
        told["ignored_bits"] = choose([[], [1, 2, 3, 15]])
    if length:
        told |= {"length_adds": choose([0, 3, -3]), "longest": choose([None, 60, 256])}
    return told


COMPOSERS: dict[str, Callable[[Choose], Told]] = {
    "delimited_text": delimited_text,
    "fixed_fields": fixed_fields,
    "binary_number": binary_number,
}


def composed(name: str, choose: Choose) -> Told:
    """Return settings of the fuzzer's choice; some contradict themselves."""
    told = COMPOSERS[name](choose)
    if choose([True, False, False]) and not told.get("units"):
        told |= {"quantity": "temperature", "scale": choose(["C", "F"])}
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

        def choose(values: Any) -> Any:
            return values[provider.ConsumeIntInRange(0, len(values) - 1)]

        capture = choose([*captures, *([None] if name in COMPOSERS else [])])
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
                    raise NotHeld("a number's raw, read again, gives that number", f"{event} and {again}")
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
