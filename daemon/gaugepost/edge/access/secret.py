"""Slow salted hashes of what people choose, at a cost that is the same for every try and bounded.

N = 2^14, r = 8, p = 5 take 16 MiB and a fraction of a second, one of the equal choices of OWASP's Password Storage
Cheat Sheet for scrypt (RFC 7914). The cost stands with each hash, so that a later program may raise it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets

_LOG_N, _R, _P = 14, 8, 5
_MOST_LOG_N, _MOST_R, _MOST_P = 17, 8, 10
"""What a hash in the file may ask for at most: an edited file must not take the service's memory."""
_HASH = re.compile(
    r"\$scrypt\$ln=(?P<n>[0-9]{1,2}),r=(?P<r>[0-9]{1,2}),p=(?P<p>[0-9]{1,2})\$"
    r"(?P<salt>[A-Za-z0-9+/]{22})\$(?P<key>[A-Za-z0-9+/]{43})",
    re.ASCII,
)


def new_salt() -> str:
    """Return a random salt of 128 bits, base64 without padding."""
    return _text(secrets.token_bytes(16))


def hashed(secret: str, salt: str | None = None) -> str:
    """Return the hash of `secret`, with a salt of its own unless one is given.

    Takes its time: not in the event loop.
    """
    salt = salt or new_salt()
    key = _key(secret, salt, _LOG_N, _R, _P)
    return f"$scrypt$ln={_LOG_N},r={_R},p={_P}${salt}${key}"


def fits(known: str, secret: str) -> bool:
    """Return whether `known` is the hash of `secret`. Takes its time: not in the event loop."""
    parts = _HASH.fullmatch(known)
    if parts is None:
        return False
    key = _key(secret, parts["salt"], int(parts["n"]), int(parts["r"]), int(parts["p"]))
    return hmac.compare_digest(key, parts["key"])


def checked(known: str | None) -> str | None:
    """Return a hash as it stands in a file. Raises `ValueError` where it is none, or asks for too much."""
    if known is None:
        return None
    parts = _HASH.fullmatch(known)
    if (
        parts is None
        or not 1 <= int(parts["n"]) <= _MOST_LOG_N
        or not 1 <= int(parts["r"]) <= _MOST_R
        or not 1 <= int(parts["p"]) <= _MOST_P
    ):
        raise ValueError("no hash of ours")
    return known


def _key(secret: str, salt: str, log_n: int, r: int, p: int) -> str:
    n = 1 << log_n
    key = hashlib.scrypt(
        secret.encode(), salt=_bytes(salt), n=n, r=r, p=p, maxmem=128 * r * (n + p + 4), dklen=32
    )
    return _text(key)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4))
