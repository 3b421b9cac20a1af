"""A detached signature in OpenSSH's format (SSHSIG), so that a client can tell that a record is unchanged.

    ssh-keygen -Y verify -f allowed_signers -I NAME -n lastlook-record -s FILE.sig < FILE

The key stays where it is; it is read by the cryptography library and nothing of it is written anywhere.
Format: PROTOCOL.sshsig of OpenSSH (https://github.com/openssh/openssh-portable/blob/master/PROTOCOL.sshsig).
"""

from __future__ import annotations

import base64
import hashlib
import struct
from pathlib import Path
from typing import TYPE_CHECKING

from lastlook.errors import UsageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

NAMESPACE = b"lastlook-record"
_MAGIC, _HASH = b"SSHSIG", b"sha512"


def sign(path: Path, key_file: Path, passphrase: str = "") -> bytes:
    """The armoured signature of a file by an Ed25519 key in OpenSSH's format; the same file and key, the same bytes.
    Raises UsageError where the key cannot be used."""
    key = _loaded(key_file, passphrase)
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    raw = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    public = _string(b"ssh-ed25519") + _string(raw)
    digest = hashlib.sha512()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    signed = _MAGIC + _string(NAMESPACE) + _string(b"") + _string(_HASH) + _string(digest.digest())
    signature = _string(b"ssh-ed25519") + _string(key.sign(signed))
    blob = _MAGIC + struct.pack(">I", 1) + _string(public) + _string(NAMESPACE) + _string(b"") + _string(_HASH)
    text = base64.b64encode(blob + _string(signature)).decode()
    lines = [text[at : at + 70] for at in range(0, len(text), 70)]
    return ("\n".join(["-----BEGIN SSH SIGNATURE-----", *lines, "-----END SSH SIGNATURE-----"]) + "\n").encode()


def check_key(key_file: Path, passphrase: str = "") -> None:
    """Raises UsageError where `sign` could not use this key."""
    _loaded(key_file, passphrase)


def _loaded(key_file: Path, passphrase: str) -> Ed25519PrivateKey:
    # The library is an extra: without it nobody signs, and all else works.
    try:
        from cryptography.exceptions import UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_ssh_private_key
    except ImportError:
        raise UsageError(
            "signing needs the cryptography library", "Install it: pip install 'lastlook[signing]'."
        ) from None
    hint = "Make one with 'ssh-keygen -t ed25519 -f record-key', and name it with --sign."
    try:
        key = load_ssh_private_key(key_file.read_bytes(), passphrase.encode() if passphrase else None)
    except OSError as error:
        raise UsageError(f"the key {key_file} cannot be read: {(error.strerror or 'error').lower()}", hint) from None
    except TypeError:
        raise UsageError(
            f"the key {key_file} has a passphrase", "Give it in LASTLOOK_KEY_PASSPHRASE, or use a key without."
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise UsageError(f"{key_file} is no private key in OpenSSH's format", hint) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise UsageError(f"{key_file} is no Ed25519 key", hint)
    return key


def _string(value: bytes) -> bytes:
    return struct.pack(">I", len(value)) + value
