"""Why there was no answer, in words that say what to do: times that ran out, connections, certificates."""

from __future__ import annotations

import httpx

from gaugepost_adapters.destinations.rest_push.settings import RestSettings

_AGAIN = "records are sent again"
_TLS = (
    ("Hostname mismatch", "write in url the name that its certificate was made for"),
    ("IP address mismatch", "write in url the name that its certificate was made for"),
    ("certificate has expired", "have the far side's certificate renewed, or set this computer's clock"),
    (
        "certificate is not yet valid",
        "set this computer's clock, or have the far side's certificate made anew",
    ),
    ("CERTIFICATE_VERIFY_FAILED", "write as ca_file the certificate (PEM) of whoever signed the far side's"),
    (
        "CERTIFICATE",
        "the far side wants a certificate it trusts: write client_certificate_file and client_key_file",
    ),
    ("SSL", "check that url names a port where TLS is spoken, version 1.2 or newer"),
)
"""What to do by what OpenSSL says; the first that is found counts."""


def no_answer(cause: Exception, settings: RestSettings) -> tuple[str, str]:
    """Return why a request had no answer, and what to do about it."""
    if isinstance(cause, httpx.ConnectTimeout):
        return (
            f"no connection within {settings.connect_timeout_s:g} s",
            f"check network and address; {_AGAIN}",
        )
    if isinstance(cause, httpx.WriteTimeout):
        return f"it took nothing for {settings.write_timeout_s:g} s", f"check the network; {_AGAIN}"
    if isinstance(cause, httpx.ReadTimeout):
        return f"no answer within {settings.read_timeout_s:g} s", f"look at the far side; {_AGAIN}"
    if isinstance(cause, TimeoutError):
        return f"not done within {settings.request_timeout_s:g} s", f"look at the far side; {_AGAIN}"
    words = str(cause) or type(cause).__name__
    for said, hint in _TLS:
        if said in words:
            return words, hint
    if isinstance(cause, httpx.ConnectError | httpx.ProxyError):
        return words, f"check network, address and proxy; {_AGAIN}"
    return f"the connection broke ({words})", f"{_AGAIN}; where large ones always break, lower most_bytes"
