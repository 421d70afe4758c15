"""A station's key pair for Ed25519 (RFC 8032): made, read and changed; the library is loaded where one is used.

The private key is a file of its owner alone, PKCS #8 in PEM without a password: the service starts with nobody there. A
public key is SubjectPublicKeyInfo in PEM. Other programs read and write both (RFC 8410).
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from gaugepost.core.errors import CommandRefused, SettingsError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed
from gaugepost.edge.files import make as make_folder, settle, sync

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FILE_NAME = "checkpoint-key.pem"
"""The private key in the data folder, where the station file names no other file."""
MOST_BYTES = 4096
_MAKE = "`gaugepost key make` makes a key"


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key that was read."""

    public: bytes
    """Its public key, 32 bytes."""
    _private: Ed25519PrivateKey

    def sign(self, said: bytes) -> bytes:
        """Return the signature of `said`, 64 bytes."""
        return self._private.sign(said)

    def signed(self, checkpoint: Checkpoint) -> Signed:
        """Return `checkpoint` signed."""
        return Signed(checkpoint, self.public, self.sign(checkpoint.text()))


def next_of(path: Path) -> Path:
    """Return the file of the key that comes after the one at `path`, while it is not in use yet."""
    return path.with_name(f"{path.name}.next")


def made(path: Path) -> bytes:
    """Make a key pair, the private key in a new file at `path`; return the public key.

    Raises:
        CommandRefused: there is a file already.
        SettingsError: the disk refuses.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    key = Ed25519PrivateKey.generate()
    text = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    try:
        make_folder(path.parent)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(text)
        if os.geteuid() == 0:  # else the service, which runs as the folder's owner, could not read it
            owner = path.parent.stat()
            os.chown(path, owner.st_uid, owner.st_gid)
        sync(path)
        sync(path.parent)
    except FileExistsError as cause:
        raise CommandRefused(
            f"{path} is there already",
            hint="`gaugepost key show` shows its public key, `gaugepost key rotate` makes the next one",
        ) from cause
    except OSError as cause:
        raise SettingsError(
            f"{path} can't be written: {cause.strerror or cause}",
            hint="run this as the user that the service runs as, or as root",
        ) from cause
    return key.public_key().public_bytes_raw()


def read(path: Path) -> SigningKey:
    """Return the private key at `path`.

    Raises:
        SettingsError: there is none, others on this computer may read it, or it is no such key.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        if stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise SettingsError(f"{path} may be used by others on this computer", hint=f"chmod 600 {path}")
        with path.open("rb") as file:
            key = load_pem_private_key(file.read(MOST_BYTES), password=None)
    except FileNotFoundError as cause:
        raise SettingsError(f"there is no key at {path}", hint=_MAKE) from cause
    except OSError as cause:
        raise SettingsError(
            f"{path} can't be read: {cause.strerror or cause}", hint="give it to the service's user"
        ) from cause
    except (ValueError, TypeError, UnsupportedAlgorithm) as cause:
        raise SettingsError(f"{path} holds no private key that can be used", hint=_MAKE) from cause
    if not isinstance(key, Ed25519PrivateKey):
        raise SettingsError(f"{path} is a key of another kind than Ed25519", hint=_MAKE)
    return SigningKey(key.public_key().public_bytes_raw(), key)


def can_sign(path: Path) -> bool:
    """Return whether the private key at `path` can be used."""
    try:
        read(path)
    except SettingsError:
        return False
    return True


def signing(named: Path | None, folder: Path) -> Callable[[Checkpoint], Signed] | None:
    """Return what signs with the key `named`, else with the one in the data folder; None where there is none.

    Raises as `read` does.
    """
    if named is None and not (folder / FILE_NAME).exists():
        return None
    return read(named or folder / FILE_NAME).signed


def put_in_use(path: Path) -> None:
    """Have the next key take the place of the one at `path`. Raises `SettingsError` where the disk refuses."""
    try:
        settle(next_of(path), path)
    except OSError as cause:
        raise SettingsError(
            f"{path} can't be replaced: {cause.strerror or cause}", hint="look at its folder's rights"
        ) from cause


def read_public(path: Path) -> bytes:
    """Return the public key in the file at `path`, 32 bytes.

    Raises:
        SettingsError: there is none, or it is no such key.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    hint = "`gaugepost key show > station.pub.pem` at the station writes it"
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES)
        if b"PRIVATE KEY" in text:
            raise SettingsError(f"{path} is a private key, which nobody needs who verifies", hint=hint)
        key = load_pem_public_key(text)
    except OSError as cause:
        raise SettingsError(f"{path} can't be read: {cause.strerror or cause}", hint=hint) from cause
    except (ValueError, TypeError, UnsupportedAlgorithm) as cause:
        raise SettingsError(f"{path} holds no public key", hint=hint) from cause
    if not isinstance(key, Ed25519PublicKey):
        raise SettingsError(f"{path} is a key of another kind than Ed25519", hint=hint)
    return key.public_bytes_raw()


def public_text(key: bytes) -> str:
    """Return a public key of 32 bytes as SubjectPublicKeyInfo in PEM."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    public = Ed25519PublicKey.from_public_bytes(key)
    return public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")


def holds(key: bytes, signature: bytes, said: bytes) -> bool:
    """Return whether `signature` is that of `said` by the private key to the public one `key`."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, said)
    except (InvalidSignature, ValueError):
        return False
    return True
