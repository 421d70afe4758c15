"""JSON batches over HTTP, for a manufacturing system or whatever else takes requests.

A request is answered as a whole; what the answers mean is in `answers`, how a batch is cut so that a refused record is
found is in `parts`. What was answered for a part is kept in mind until the whole batch is settled, so that an outage in
its midst repeats only what is open. After a restart the batch goes out again from its beginning, under the same keys; a
far side without a memory for keys tells a repeat by each record's `id`.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import ssl
import time
from collections.abc import Sequence
from http.cookiejar import DefaultCookiePolicy
from typing import ClassVar

import httpx

from gaugepost.contract import AdapterSettings, Outcome, Publication, StationFacts, Unreachable, sequence_of
from gaugepost_adapters.destinations.rest_push.answers import Judgement, Later, excerpt, judge
from gaugepost_adapters.destinations.rest_push.credentials import Secrets, echoes
from gaugepost_adapters.destinations.rest_push.failures import no_answer
from gaugepost_adapters.destinations.rest_push.parts import Part, Sending
from gaugepost_adapters.destinations.rest_push.settings import KEY_HEADER, RestSettings, secret_headers

KEPT_S = 4.0
"""How long an idle connection is kept: many servers drop it after 5 s, and a request must not meet that moment."""

_HEADERS = {
    "Content-Type": "application/json",
    "Accept": "application/json, */*;q=0.5",
    "Accept-Encoding": "identity",
    "User-Agent": "gaugepost",
}
"""What goes with a request unless the station file says otherwise."""

MOST_ANSWER_BYTES = 65_536
"""What is read of an answer's body; one that is longer is cut off, and the connection with it."""


class RestPush:
    """Destination that sends JSON over one kept HTTP/1.1 connection."""

    Settings: ClassVar[type[AdapterSettings]] = RestSettings

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None:
        if not isinstance(settings, RestSettings):
            raise TypeError(f"settings of rest_push are RestSettings, not {type(settings).__name__}")
        self._settings = settings
        self._folder = station.data
        self._before, self._after = _frame(settings.body, station.name)
        self._secrets = Secrets(secret_headers(settings), station.data)
        self._sending: Sending | None = None
        self._client: httpx.AsyncClient | None = None

    async def open(self) -> None:
        """Get secrets and certificates. Raises `Unreachable` where one can't be had; the far side is not asked yet."""
        await self.close()
        self._secrets.headers()
        self._client = _client(self._settings, await asyncio.to_thread(self._tls))

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Send `batch`, in parts where need be; return when each record is held or refused by itself.

        Raises:
            Unreachable: something is open: a next call with the same batch and key goes on from there.
        """
        texts = [json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode() for record in batch]
        ids = [str(record["id"]) for record in batch]
        if self._sending is None or not self._sending.is_of(key, ids):
            self._sending = Sending(
                key,
                [
                    (name, sequence_of(record), len(text))
                    for name, record, text in zip(ids, batch, texts, strict=True)
                ],
                most_records=self._settings.most_records,
                most_bytes=self._settings.most_bytes,
                frame_bytes=len(self._before) + len(self._after),
            )
        sending = self._sending
        while (part := sending.part()) is not None:
            judgement = await self._send(part, texts)
            if isinstance(judgement, Later):
                raise Unreachable(
                    f"{self._settings.where}: {judgement.finding}",
                    hint=judgement.hint,
                    retry_after_s=judgement.retry_after_s,
                )
            sending.settle(judgement)
        self._sending = None
        return sending.outcome()

    async def close(self) -> None:
        """Let the connection go; what is open of a batch is kept in mind."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    async def _send(self, part: Part, texts: Sequence[bytes]) -> Judgement:
        if self._client is None:
            raise RuntimeError("rest_push is not open")
        content = b"".join((self._before, b",".join(texts[part.start : part.stop]), self._after))
        secret = self._secrets.headers()
        secrets = echoes(secret.values())
        headers = {**secret, KEY_HEADER: f'"{part.key}"' if self._settings.quoted_key else part.key}
        if self._settings.gzip:
            # Not in the loop's own time, which other deliveries share; without a time, so that a repeat is the same.
            content = await asyncio.to_thread(gzip.compress, content, 6, mtime=0)
            headers["Content-Encoding"] = "gzip"
        try:
            async with (
                asyncio.timeout(self._settings.request_timeout_s),
                self._client.stream(
                    self._settings.method, self._settings.url, content=content, headers=headers
                ) as response,
            ):
                body = await _beginning(response)
        except (httpx.TransportError, OSError) as cause:
            # A far side that wants a certificate of ours says so as late as in its answer's place (TLS 1.3): a bare
            # `ssl.SSLError`, which the client does not turn into one of its own.
            finding, hint = no_answer(cause, self._settings)
            return Later(excerpt(finding.encode(), secrets), hint)
        return judge(response.status_code, response.headers, body, now_s=time.time(), secrets=secrets)

    def _tls(self) -> ssl.SSLContext:
        """Return what certificates are held against and shown. Raises `Unreachable` where a file is no good."""
        settings = self._settings
        files = [settings.ca_file, settings.client_certificate_file, settings.client_key_file]
        ca, certificate, key = (None if name is None else self._folder / name for name in files)
        path = ca
        try:
            context = ssl.create_default_context(cafile=ca)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if certificate is not None:
                path = certificate
                context.load_cert_chain(certificate, key, password=_no_passphrase)
        except (OSError, ValueError) as cause:
            raise Unreachable(
                f"{path}: {cause.strerror or cause}" if isinstance(cause, OSError) else f"{path}: {cause}",
                hint="put certificates and key there as PEM, readable for the service's user",
            ) from cause
        return context


def _no_passphrase() -> str:
    # Without this OpenSSL would ask on the terminal and the daemon would hang.
    raise ValueError("the key has a passphrase; store it without one")


def _client(settings: RestSettings, tls: ssl.SSLContext) -> httpx.AsyncClient:
    headers = httpx.Headers(_HEADERS)
    headers.update(settings.headers)  # whatever case their names are in: none is there twice
    client = httpx.AsyncClient(
        headers=headers,
        verify=tls,
        trust_env=False,
        follow_redirects=False,
        proxy=settings.proxy,
        limits=httpx.Limits(max_connections=1, max_keepalive_connections=1, keepalive_expiry=KEPT_S),
        timeout=httpx.Timeout(
            connect=settings.connect_timeout_s,
            write=settings.write_timeout_s,
            read=settings.read_timeout_s,
            pool=None,
        ),
    )
    # No request depends on an earlier one.
    client.cookies.jar.set_policy(DefaultCookiePolicy(allowed_domains=()))
    return client


async def _beginning(response: httpx.Response) -> bytes:
    """Return the body as far as it is read at all."""
    body = b""
    async for chunk in response.aiter_raw():
        body += chunk
        if len(body) > MOST_ANSWER_BYTES:
            break
    return body


def _frame(body: str, station: str) -> tuple[bytes, bytes]:
    """Return what stands around the records of a request."""
    if body == "array":
        return b"[", b"]"
    return f'{{"station":{json.dumps(station, ensure_ascii=False)},"records":['.encode(), b"]}"
