"""The key that signs: Ed25519 (RFC 8032), in a file that only its owner can read, made at first need."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)

from wearvision.errors import SetupError
from wearvision_api.store.blobs import sync_folder

OTHERS = 0o077
"""Rights of group and others."""


@dataclass(frozen=True, slots=True)
class RecordKey:
    """A private key.

    Attributes:
        private: Never leaves this object but for its file.
    """

    private: Ed25519PrivateKey = field(repr=False)

    @property
    def public(self) -> str:
        """The public key, 32 bytes as hex."""
        return self.private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()

    def sign(self, data: bytes) -> str:
        """The signature, 64 bytes as hex."""
        return self.private.sign(data).hex()


def is_signed(public: str, signature: str, data: bytes) -> bool:
    """Whether a signature is this key's over these bytes.

    Args:
        public: Hex; anything that is no key signs nothing.
        signature: Hex.
        data: What was signed.
    """
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), data)
    except (InvalidSignature, ValueError):
        return False
    return True


def open_key(path: Path) -> RecordKey:
    """The key in a file, which is made if it is not there; processes that start together get the same.

    Raises:
        wearvision.errors.SetupError: others may read the file, or it holds no such key.
    """
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = _written(path, RecordKey(Ed25519PrivateKey.generate()))
        try:
            os.link(draft, path)  # unlike a rename it never replaces the key of a process that came first
        except FileExistsError:
            pass
        finally:
            draft.unlink()
        sync_folder(path.parent)
    if path.stat().st_mode & OTHERS:
        raise SetupError(f"{path} signs the record, and others may read it: chmod 600 it.")
    try:
        private = load_pem_private_key(path.read_bytes(), None)
    except (ValueError, TypeError) as error:
        raise SetupError(f"{path} holds no private key in PEM form.") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise SetupError(f"{path} holds a key of another kind; the record is signed by Ed25519.")
    return RecordKey(private)


@contextmanager
def renew(path: Path) -> Iterator[RecordKey]:
    """A new key, which takes the old one's place in its file once the block ends well."""
    new = RecordKey(Ed25519PrivateKey.generate())
    draft = _written(path, new)
    try:
        yield new
        draft.replace(path)
        sync_folder(path.parent)
    finally:
        draft.unlink(missing_ok=True)


def _written(path: Path, key: RecordKey) -> Path:
    """Writes a key beside where it is to stand, readable by its owner only; gives the draft's path."""
    data = key.private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")  # mode 0600
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return Path(draft)
