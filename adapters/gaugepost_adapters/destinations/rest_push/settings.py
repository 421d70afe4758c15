"""What a station file says about an HTTP endpoint, checked without asking it.

Secrets never stand in the station file: it names the file or the environment variable that holds one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Literal, Self

import httpx
from pydantic import Field, field_validator, model_validator

from gaugepost.contract import AdapterSettings
from gaugepost_adapters.destinations.named import VariableName, is_this_computer

KEY_HEADER = "Idempotency-Key"

_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""A header's name (RFC 9110, 5.6.2)."""
_VALUE = re.compile(r"[\x21-\x7e](?:[\x20-\x7e]*[\x21-\x7e])?")
"""A header's value: visible ASCII and spaces, none at its ends (RFC 9110, 5.5)."""
# fmt: off
_OURS = frozenset({
    "connection", "content-encoding", "content-length", "expect", "host", "idempotency-key", "keep-alive", "te",
    "trailer", "transfer-encoding", "upgrade",
})
# fmt: on
_SECRET = re.compile(r"auth|cookie|key|passw|secret|token|credential|signature", re.IGNORECASE)


def usable_value(value: str) -> bool:
    """Tell whether `value` may stand in a header."""
    return _VALUE.fullmatch(value) is not None


class RestSettings(AdapterSettings):
    """Settings of a destination that takes JSON over HTTP.

    Each request carries `{"station": "...", "records": [...]}` and the header Idempotency-Key. Answers are for the
    whole request: 2xx takes every record in it (207 too), 400 and 422 refuse at least one, 413 wants fewer at once;
    whatever else is answered, the records are kept and sent again.
    """

    url: str = Field(examples=["https://mes.example/measurements"])
    """Address that records are sent to, with https:// or http://, without credentials."""
    method: Literal["POST", "PUT"] = "POST"
    """How they are sent."""
    body: Literal["object", "array"] = "object"
    """What a request holds: an object with "station" and "records", or the bare array of records."""
    gzip: bool = False
    """Whether requests are compressed (Content-Encoding: gzip), where the far side takes that."""
    quoted_key: bool = False
    """Whether the Idempotency-Key stands in quotes, as a far side that parses structured fields (RFC 8941) expects."""
    most_records: int = Field(default=500, ge=1, le=500)
    """Records in one request at most."""
    most_bytes: int = Field(default=1_000_000, ge=1_000, le=100_000_000)
    """Bytes of one request at most, before compression. A record that is larger by itself goes alone."""
    connect_timeout_s: float = Field(default=10, gt=0, le=600)
    """Seconds that connecting may take, TLS included."""
    write_timeout_s: float = Field(default=30, gt=0, le=600)
    """Seconds that the far side may take nothing of a request."""
    read_timeout_s: float = Field(default=30, gt=0, le=600)
    """Seconds that the far side may say nothing."""
    request_timeout_s: float = Field(default=120, gt=0, le=3600)
    """Seconds that one request may take from its start to the end of its answer."""
    headers: dict[str, str] = Field(default={}, examples=[{"X-Station": "bench-2"}])
    """Headers that go with every request. Nothing secret: a station file is read by many."""
    header_files: dict[str, str] = Field(default={}, examples=[{"X-Api-Key": "mes-key"}])
    """Headers whose value is a file's content, from the station's data directory on; read again when it changes."""
    header_env: dict[str, VariableName] = Field(default={}, examples=[{"X-Api-Key": "GAUGEPOST_MES_KEY"}])
    """Headers whose value is an environment variable's."""
    bearer_token_file: str | None = Field(default=None, min_length=1)
    """File that holds the token for "Authorization: Bearer", from the station's data directory on; read again when it
    changes."""
    bearer_token_env: VariableName | None = None
    """Environment variable that holds it, where no file does."""
    ca_file: str | None = Field(default=None, min_length=1)
    """Certificates (PEM) that the far side's is held against, instead of those that this computer trusts."""
    client_certificate_file: str | None = Field(default=None, min_length=1)
    """Certificate (PEM) that this station shows."""
    client_key_file: str | None = Field(default=None, min_length=1)
    """Its private key (PEM, without a passphrase), where that is not in the same file."""
    allow_plain_http: bool = False
    """Whether http:// may be used to another computer: anyone on the way can read and change what is sent."""
    proxy: str | None = None
    """Proxy to go through, as "http://proxy.example:3128". Environment variables are not asked."""

    @field_validator("url")
    @classmethod
    def _url_can_be_sent_to(cls, url: str) -> str:
        _address("url", url)
        return url

    @field_validator("proxy")
    @classmethod
    def _proxy_can_be_used(cls, proxy: str | None) -> str | None:
        if proxy is not None and _address("proxy", proxy).raw_path not in (b"", b"/"):
            raise ValueError(
                'a proxy has no path; write only its host and port, as "http://proxy.example:3128"'
            )
        return proxy

    @field_validator("headers")
    @classmethod
    def _headers_are_no_secrets(cls, headers: dict[str, str]) -> dict[str, str]:
        for name, value in headers.items():
            if _SECRET.search(name):
                raise ValueError(
                    f"the header {name!r} looks like a secret, which must not stand here; write "
                    f'header_files = {{ "{name}" = "FILE" }}, or header_env'
                )
            if not usable_value(value):
                raise ValueError(f"the value of {name!r} can't be sent; write visible ASCII characters")
        return headers

    @field_validator("header_files")
    @classmethod
    def _files_have_names(cls, given: dict[str, str]) -> dict[str, str]:
        if any(not path or "\0" in path for path in given.values()):
            raise ValueError(
                "that is not the name of a file; write the path of the file that holds the value"
            )
        return given

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self._check_header_names()
        if self.bearer_token_file and self.bearer_token_env:
            raise ValueError("the token is named twice; write bearer_token_file or bearer_token_env")
        if self.client_key_file and not self.client_certificate_file:
            raise ValueError("client_key_file is for a certificate; write client_certificate_file too")
        url = httpx.URL(self.url)
        if url.scheme == "http" and not is_this_computer(url.host) and not self.allow_plain_http:
            raise ValueError(
                f"http:// to {url.host} can be read and changed on the way; write https://, or "
                f"allow_plain_http = true where the network is trusted"
            )
        if url.scheme == "http" and (self.ca_file or self.client_certificate_file):
            raise ValueError("certificates are of no use with http://; write https:// in url")
        return self

    def _check_header_names(self) -> None:
        token = ["Authorization"] if self.bearer_token_file or self.bearer_token_env else []
        seen: set[str] = set()
        for name in [*self.headers, *self.header_files, *self.header_env, *token]:
            if not _TOKEN.fullmatch(name):
                raise ValueError(f"{name!r} is not a header's name; write letters, digits and hyphens")
            if name.lower() in _OURS:
                raise ValueError(f"the header {name!r} is set by the program; leave it out")
            if name.lower() in seen:
                raise ValueError(f"the header {name!r} is there twice; write it once")
            seen.add(name.lower())

    @property
    def where(self) -> str:
        """The address as messages show it: without a query, which may hold what is nobody's business."""
        return shown(self.url)


def shown(url: str) -> str:
    """Return an address without credentials, query and fragment, for messages."""
    return str(httpx.URL(url).copy_with(userinfo=b"", query=None, fragment=None))


def secret_headers(settings: RestSettings) -> Mapping[str, tuple[str, str | None, str | None]]:
    """Return for each header that holds a secret what stands before it, and the file or the variable that has it."""
    found: dict[str, tuple[str, str | None, str | None]] = {}
    found |= {name: ("", path, None) for name, path in settings.header_files.items()}
    found |= {name: ("", None, variable) for name, variable in settings.header_env.items()}
    if settings.bearer_token_file or settings.bearer_token_env:
        found["Authorization"] = ("Bearer ", settings.bearer_token_file, settings.bearer_token_env)
    return found


def _address(key: str, text: str) -> httpx.URL:
    """Return `text` as an address. Raises `ValueError` that does not repeat it: it may hold credentials."""
    example = f'"{"https://mes.example/measurements" if key == "url" else "http://proxy.example:3128"}"'
    elsewhere = ", and write header_files or bearer_token_file" if key == "url" else ""
    try:
        url = httpx.URL(text)
        host = url.host
    except (httpx.InvalidURL, ValueError) as cause:
        raise ValueError(f"that is not an address; write one as {example}") from cause
    if url.userinfo:
        raise ValueError(
            f"there are credentials in {key}, where they show in logs; write the address without them{elsewhere}"
        )
    if url.scheme not in ("http", "https") or not host or any(sign.isspace() for sign in text):
        raise ValueError(f"that is not an address of a web server; write one as {example}")
    if not _names_a_host(url.raw_host.decode("ascii")):
        raise ValueError(f"{host[:300]!r} can't be a computer's name; write one as {example}")
    if url.port is not None and not 0 < url.port < 65536:
        raise ValueError(f"there is no port {url.port}; write one from 1 to 65535")
    if url.fragment:
        raise ValueError(f"what comes after # in {key} is never sent; leave it out")
    if any(_SECRET.search(name) for name in url.params):
        raise ValueError(
            f"what comes after ? in {key} looks like a secret, which must not stand here; leave it out{elsewhere}"
        )
    return url


def _names_a_host(host: str) -> bool:
    """Tell whether a name server could be asked for `host`: labels of 1 to 63 bytes, 253 in all (RFC 1035, 2.3.4)."""
    return len(host) <= 253 and all(0 < len(label) < 64 for label in host.removesuffix(".").split("."))
