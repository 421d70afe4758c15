"""What settings of several destinations name: another computer, a file, an environment variable. Nothing is asked."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated

from pydantic import AfterValidator

_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def _variable(name: str) -> str:
    if not _VARIABLE.fullmatch(name):
        # What was written may be the secret itself: it is not repeated.
        raise ValueError(
            'that is not the name of an environment variable; write its name, as "GAUGEPOST_SECRET"'
        )
    return name


def _file(path: str) -> str:
    if "\0" in path or "\n" in path:
        raise ValueError("that is not the name of a file; write the path of the file")
    return path


VariableName = Annotated[str, AfterValidator(_variable)]
"""Name of an environment variable."""
FileName = Annotated[str, AfterValidator(_file)]
"""Path of a file."""


def can_be_looked_up(host: str) -> bool:
    """Return whether a host's name, or address, can be one."""
    if ":" in host:
        return _address(host) is not None
    try:
        return bool(host.encode("idna"))
    except UnicodeError:
        return False


def is_this_computer(host: str) -> bool:
    """Return whether nothing that is sent to `host` leaves this computer."""
    address = _address(host)
    return address.is_loopback if address else host == "localhost" or host.endswith(".localhost")


def _address(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None
