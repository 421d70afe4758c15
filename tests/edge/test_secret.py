"""Hashes of PINs and codes: what they are, what they cost, and what a file may make the service do."""

from __future__ import annotations

import base64

import pytest

from gaugepost.edge.access import secret


def test_it_is_scrypt() -> None:
    """The key is that of RFC 7914, 12 (its third vector: "password", "NaCl", N = 1024, r = 8, p = 16)."""
    key = "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
    salt = base64.b64encode(b"NaCl").decode().rstrip("=")
    assert base64.b64decode(secret._key("password", salt, 10, 8, 16) + "=").hex() == key


def test_a_hash_fits_its_own_secret_only() -> None:
    """It fits what it was made of, at a cost that OWASP's Password Storage Cheat Sheet names, with its own salt."""
    known = secret.hashed("483920")
    assert known.startswith("$scrypt$ln=14,r=8,p=5$")
    assert secret.checked(known) == known
    assert secret.fits(known, "483920")
    assert not secret.fits(known, "483921")
    assert secret.hashed("483920") != known
    assert "483920" not in known


@pytest.mark.parametrize(
    "known",
    [
        "",
        "483920",
        "$scrypt$ln=18,r=8,p=5$",
        "$scrypt$ln=0,r=8,p=5$",
        "$scrypt$ln=14,r=9,p=5$",
        "$scrypt$ln=14,r=8,p=11$",
        "$scrypt$ln=14,r=8,p=0$",
        "$argon2$ln=14,r=8,p=5$",
    ],
)
def test_a_file_asks_for_no_more_than_that(known: str) -> None:
    """A hash of another kind, or one that would take much memory or hours, is refused when the file is read."""
    with pytest.raises(ValueError, match="no hash of ours"):
        secret.checked(f"{known}{'A' * 22}${'A' * 43}" if known.endswith("$") else known)
