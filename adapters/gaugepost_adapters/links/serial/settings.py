"""What a station file says about a serial port, checked without touching one."""

from __future__ import annotations

import re
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from gaugepost.contract import AdapterSettings

_USB = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(?::.+)?")
_USB_PORT = re.compile(r"[0-9]+-[0-9]+(?:\.[0-9]+)*(?::[0-9]+\.[0-9]+)?")
_URL = re.compile(r"loop://.*|(?:socket|rfc2217)://.+")
Parity = Literal["none", "even", "odd", "mark", "space"]
Line = Literal["cts", "dsr", "ri", "cd"]
Flow = Literal["none", "rts-cts", "xon-xoff", "dsr-dtr"]


class Settings(AdapterSettings):
    """Where a serial port is and how it is set. One of `device`, `usb` and `url` says where."""

    device: str | None = None
    """Path of the port: "/dev/ttyUSB0", or its lasting name below /dev/serial/by-id."""
    usb: str | None = None
    """USB adapter by "vendor:product" or "vendor:product:serial", the first two as four hexadecimal digits each."""
    usb_port: str | None = None
    """USB socket that `usb` is plugged into, as "1-1.4": tells adapters apart that have no serial number."""
    url: str | None = None
    """Port elsewhere: "socket://host:port" (bytes only), "rfc2217://host:port" (a port server), "loop://" (echo)."""
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    """Bits per second, as set at the gauge."""
    bits: Literal[7, 8] = 8
    """Data bits in a character."""
    parity: Parity = "none"
    """Parity bit of a character."""
    stop_bits: float = 1
    """Stop bits after a character: 1, 1.5 or 2."""
    flow: Flow = "none"
    """Who holds back whom when one side is not ready."""
    dtr: bool | None = None
    """Level of the line "data terminal ready" while open, where a gauge takes power or orders from it."""
    rts: bool | None = None
    """Level of the line "request to send" while open, where a gauge takes power or orders from it."""
    settle_s: float = Field(default=0, ge=0, le=60)
    """How long after opening nothing is sent, for a gauge that takes its power from `dtr` or `rts`."""

    trigger_line: Line | None = None
    """Input line that a foot switch is wired to: clear to send, data set ready, ring indicator or carrier detect.

    A trigger names this link, and the line as its channel."""

    @field_validator("device")
    @classmethod
    def _device_is_a_path(cls, device: str | None) -> str | None:
        if device is not None and not device.startswith("/"):
            raise ValueError(
                f'{device!r} is not the path of a port; write it from the root, as "/dev/ttyUSB0"'
            )
        return device

    @field_validator("usb")
    @classmethod
    def _usb_is_numbers(cls, usb: str | None) -> str | None:
        if usb is not None and not _USB.fullmatch(usb):
            raise ValueError(
                f'{usb!r} is not a USB adapter; write "vendor:product:serial", as "1a2b:0c0d:B0042"'
            )
        return usb

    @field_validator("usb_port")
    @classmethod
    def _usb_port_is_a_place(cls, usb_port: str | None) -> str | None:
        if usb_port is not None and not _USB_PORT.fullmatch(usb_port):
            raise ValueError(
                f'{usb_port!r} is not a USB socket; write it as the system names it, as "1-1.4" or "1-1.4:1.0"'
            )
        return usb_port

    @field_validator("url")
    @classmethod
    def _url_is_of_a_port(cls, url: str | None) -> str | None:
        if url is not None and not _URL.fullmatch(url):
            raise ValueError(
                f'{url!r} is not the address of a port; write "socket://host:port" or "rfc2217://host:port"'
            )
        return url

    @field_validator("stop_bits")
    @classmethod
    def _stop_bits_exist(cls, stop_bits: float) -> float:
        if stop_bits not in (1, 1.5, 2):
            raise ValueError(f"{stop_bits} stop bits can't be; write 1, 1.5 or 2")
        return stop_bits

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if sum(place is not None for place in (self.device, self.usb, self.url)) != 1:
            raise ValueError(
                'exactly one of device, usb and url says where the port is; write device = "/dev/ttyUSB0"'
            )
        if self.usb_port is not None and self.usb is None:
            raise ValueError('usb_port says where usb is plugged in; write usb = "vendor:product" with it')
        if self.flow == "rts-cts" and self.rts is not None:
            raise ValueError('flow = "rts-cts" drives the line that rts would hold; take one of the two out')
        if self.trigger_line is not None and self.url is not None and not self.url.startswith("rfc2217:"):
            raise ValueError("trigger_line is a line of a port, and url names none; take one of the two out")
        if self.trigger_line is not None and self.trigger_line in self.flow:
            raise ValueError(
                f'flow = "{self.flow}" uses the line {self.trigger_line}; name another trigger_line'
            )
        if self.flow == "dsr-dtr" and self.dtr is not None:
            raise ValueError('flow = "dsr-dtr" drives the line that dtr would hold; take one of the two out')
        return self
