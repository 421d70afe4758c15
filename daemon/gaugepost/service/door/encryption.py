"""TLS for the service: its certificate, and the renewed one as soon as it is there."""

from __future__ import annotations

import asyncio
import ssl
from dataclasses import dataclass
from pathlib import Path

import structlog

from gaugepost.core.errors import SettingsError
from gaugepost.edge.stationfile import Station

LOOK_S = 30.0
"""How often the files are looked at: whoever renews a certificate need not stop the service."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Encryption:
    """The files of a certificate (PEM, with the chain above it) and its private key (PEM, no passphrase)."""

    certificate: Path
    key: Path

    def context(self) -> ssl.SSLContext:
        """Return a context for a server: TLS 1.2 or newer.

        Raises:
            SettingsError: the files can't be used, with what to do.
        """
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._load(context)
        return context

    async def keep(self, context: ssl.SSLContext) -> None:
        """Take renewed files into use, for connections that are made from then on."""
        seen = self._age()
        while True:
            await asyncio.sleep(LOOK_S)
            now = self._age()
            if now == seen:
                continue
            try:
                # Into a context of its own first: one that took half a pair would refuse everybody.
                await asyncio.to_thread(self.context)
                self._load(context)
            except SettingsError as error:
                log.warning("certificate not taken into use", problem=error.finding, hint=error.hint)
            else:
                log.info("certificate taken into use", file=str(self.certificate))
            seen = now

    def _load(self, context: ssl.SSLContext) -> None:
        for path in (self.certificate, self.key):
            try:
                path.open("rb").close()
            except OSError as error:
                raise SettingsError(
                    f"{path} can't be read: {error.strerror or error}",
                    hint="put the certificate and its key where [service] says, readable for the service's user",
                ) from error

        def passphrase() -> str:
            raise SettingsError(
                f"{self.key} is protected by a passphrase",
                hint="give the service a key without one, in a file that only its user may read",
            )

        try:
            context.load_cert_chain(self.certificate, self.key, passphrase)
        except ssl.SSLError as error:
            wrong = (
                "do not belong together"
                if "MISMATCH" in (error.reason or "")
                else "are no certificate and key in PEM"
            )
            raise SettingsError(
                f"{self.certificate} and {self.key} {wrong}",
                hint="name a certificate with the chain above it, and the key that it was made with",
            ) from error

    def _age(self) -> tuple[object, ...]:
        try:
            return tuple(
                (each.stat().st_mtime_ns, each.stat().st_ino) for each in (self.certificate, self.key)
            )
        except OSError:
            return ()


def encryption_of(station: Station) -> Encryption | None:
    """Return the TLS that the station file asks for, or None."""
    if station.certificate is None or station.key is None:
        return None
    return Encryption(station.certificate, station.key)
