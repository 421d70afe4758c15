"""Whether the service may listen where [service] says: beyond this computer only with TLS, names and tokens."""

from __future__ import annotations

import ipaddress
import re

from gaugepost.edge.stationfile.findings import Report, toml
from gaugepost.edge.stationfile.model import ServiceTable

_NAME = re.compile(
    r"(?=.{1,253}\Z)[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*"
)
_PAIR = 'write certificate_file = "service.pem" and key_file = "service.key"'


def checked(report: Report, table: ServiceTable) -> ServiceTable:
    """Return `table` with `tokens` said; what keeps the service from listening so is reported."""
    for at, name in enumerate(table.names):
        if not _is_name(name):
            report.error(
                ("service", "names", at), f"{toml(name)} is no name of a computer", "a name or an address without port",
                'write it as "bench-1.shop.example" or "192.0.2.7"',
            )  # fmt: skip
    if bool(table.certificate_file) != bool(table.key_file):
        given, missing = (
            ("key_file", "certificate_file") if table.key_file else ("certificate_file", "key_file")
        )
        report.error(
            ("service", given), f"is of no use without {missing}", "both files", f"write {missing} too"
        )
    names = [f"[{name}]" if ":" in name and not name.startswith("[") else name for name in table.names]
    table = table.model_copy(update={"names": names})
    if _loopback(table.host):
        return table.model_copy(update={"tokens": bool(table.tokens)})
    where = f"{toml(table.host)} lets other computers in"
    if not _is_address(table.host):
        report.error(
            ("service", "host"), f"{toml(table.host)} is no address", "an address of this computer",
            'write host = "0.0.0.0" for all of them, or "127.0.0.1" for this computer alone',
        )  # fmt: skip
    elif not (table.certificate_file and table.key_file):
        report.error(
            ("service", "host"), f"{where}, and without TLS all on the way can read, change and command", _PAIR,
            f'{_PAIR}, or host = "127.0.0.1"',
        )  # fmt: skip
    elif not table.names:
        report.error(
            ("service", "host"), f"{where}, and none of its names is known: pages from elsewhere could pass for ours",
            "names", 'write names = ["bench-1.shop.example"], as the certificate has them',
        )  # fmt: skip
    if table.tokens is False:
        report.error(
            ("service", "tokens"), f"{where}, who could all master, void and measure", "true", "take it out"
        )
    return table.model_copy(update={"tokens": True})


def _loopback(host: str) -> bool:
    return host == "localhost" or (_is_address(host) and ipaddress.ip_address(host).is_loopback)


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _is_name(name: str) -> bool:
    return _is_address(name.removeprefix("[").removesuffix("]")) or bool(_NAME.fullmatch(name))
