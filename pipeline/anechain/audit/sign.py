"""Sign a file, such as a bundle, and check who signed it: hashes show that a file is unaltered, not who made it.

A signature is a small text file next to the signed file, in the format of OpenSSH (PROTOCOL.sshsig), made with an
Ed25519 key (RFC 8032). Anybody can check it without this software, with a tool that nearly every machine has, and
laboratories often have such keys already. Written here since the library `cryptography` has the keys and the signature
algorithm, but not this file format::

    ssh-keygen -Y verify -f SIGNERS -I NAME -n file -s BUNDLE.zip.sig < BUNDLE.zip

The owners of keys are in the reader's own file of signers: one line per key, with the name, the key's type and the key
(ALLOWED SIGNERS in the manual of ssh-keygen). Create a key with ``ssh-keygen -t ed25519 -f KEY``.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from anechain.data.store import replace_atomically
from anechain.errors import InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["Signer", "is_encrypted", "sign", "signed_by"]

NAMESPACE = "file"
"""Purpose of the signature; OpenSSH uses this word for files of any kind."""
_MAGIC = b"SSHSIG"
_KEY_TYPE = b"ssh-ed25519"
_FIRST_LINE, _LAST_LINE = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
_CREATE_KEY = "create one with: ssh-keygen -t ed25519 -f KEY; keep KEY secret and give KEY.pub to others"


@dataclass(frozen=True)
class Signer:
    """Name of the key in the reader's file of signers, and the key's fingerprint."""

    name: str
    fingerprint: str


def _read(path: Path, expected: str, fix: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError.single(path, f"cannot be read: {error.strerror or error}", expected, fix) from None


def is_encrypted(key: Path) -> bool:
    """Return whether a private key needs a passphrase.

    Raises
    ------
    InputError
        If the file cannot be read or is not a private key.
    """
    try:
        _private_key(key, None)
    except _PassphraseNeededError:
        return True
    return False


class _PassphraseNeededError(Exception):
    pass


def _private_key(path: Path, passphrase: bytes | None) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_ssh_private_key

    data = _read(path, "a private key", _CREATE_KEY)
    if data.startswith(_KEY_TYPE):
        raise InputError.single(path, "is a public key", "the private key that belongs to it", "leave out the .pub")
    try:
        key = load_ssh_private_key(data, passphrase)
    except TypeError:  # the library raises it if a passphrase is missing or not needed
        if passphrase is None:
            raise _PassphraseNeededError from None
        raise InputError.single(
            path, "needs no passphrase, but a passphrase was provided", fix="leave it out"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        if passphrase is None:
            raise InputError.single(
                path, "is not a private key in the format of OpenSSH", "an Ed25519 key", _CREATE_KEY
            ) from None
        raise InputError.single(path, "cannot be opened with this passphrase", fix="type it again") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError.single(path, "is a key of another type", "an Ed25519 key", _CREATE_KEY)
    return key


def sign(file: Path, key: Path, signature: Path | None = None, passphrase: str | None = None) -> tuple[Path, str]:
    """Sign a file.

    Parameters
    ----------
    file : Path
        The file to sign.
    key : Path
        File of the private key (Ed25519, OpenSSH format). It is only read.
    signature : Path, optional
        File to write the signature to; by default the file's name followed by ".sig".
    passphrase : str, optional
        Passphrase of the key.

    Returns
    -------
    Path, str
        The signature's file, and the fingerprint of the key.

    Raises
    ------
    InputError
        If the file or the key cannot be used, or another signature exists already.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    try:
        private = _private_key(key, None if passphrase is None else passphrase.encode())
    except _PassphraseNeededError:
        raise InputError.single(key, "is protected by a passphrase", fix="give the passphrase") from None
    public = _string(_KEY_TYPE) + _string(private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))
    signed = _string(_KEY_TYPE) + _string(
        private.sign(_signed_message(_digest(file, "sha512"), NAMESPACE.encode(), b"sha512"))
    )
    parts = (public, NAMESPACE.encode(), b"", b"sha512", signed)
    blob = base64.b64encode(_MAGIC + struct.pack(">I", 1) + b"".join(map(_string, parts))).decode()
    lines = [_FIRST_LINE, *(blob[start : start + 70] for start in range(0, len(blob), 70)), _LAST_LINE, ""]
    target = signature or file.with_name(file.name + ".sig")
    content = "\n".join(lines).encode()
    if target.exists() and target.read_bytes() != content:
        raise InputError.single(
            target,
            "exists already, and is not this signature",
            "the path of a new file",
            "move it away, or name another file with --signature",
        )
    with replace_atomically(target) as temporary:
        temporary.write_bytes(content)
    return target, _fingerprint(public)


def signed_by(file: Path, signers: Path, signature: Path | None = None) -> Signer:
    """Check a signature and return who signed the file.

    Parameters
    ----------
    file : Path
        The signed file.
    signers : Path
        The reader's own file of signers, with names and keys.
    signature : Path, optional
        The signature's file; by default the file's name followed by ".sig".

    Returns
    -------
    Signer
        The first entry with this key in the file of signers.

    Raises
    ------
    InputError
        If the signature does not belong to the file, or its key is not among the signers.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    path = signature or file.with_name(file.name + ".sig")
    text = _read(path, "a signature", "name the signature's file with --signature")
    try:
        public, algorithm, signed = _parse_signature(text)
    except (ValueError, struct.error) as error:
        raise InputError.single(
            path,
            f"is not a signature that can be checked here: {error}",
            "an Ed25519 signature for files (OpenSSH)",
            "check it with: ssh-keygen -Y verify",
        ) from None
    fingerprint = _fingerprint(public)
    try:
        message = _signed_message(_digest(file, algorithm), NAMESPACE.encode(), algorithm.encode())
        Ed25519PublicKey.from_public_bytes(_fields(public)[1]).verify(signed, message)
    except (InvalidSignature, ValueError):
        raise InputError.single(
            file,
            f"is not the file that was signed: the signature {path.name} (key {fingerprint}) does not match",
            "the file that was signed, unaltered",
            "get both again from the signer",
        ) from None
    for name, key in _read_signers(signers):
        if key == public:
            return Signer(name, fingerprint)
    raise InputError.single(
        file,
        f"is signed with a key that is not in {signers}: {fingerprint}",
        "a key whose owner you know",
        "get the key from the signer in a way that you trust; only then add it",
    )


def _digest(file: Path, algorithm: str) -> bytes:
    try:
        with file.open("rb") as opened:
            return hashlib.file_digest(opened, algorithm).digest()
    except OSError as error:
        raise InputError.single(file, f"cannot be read: {error.strerror or error}", fix="check the path") from None


def _string(content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + content


def _fields(blob: bytes) -> list[bytes]:
    fields, end = [], 0
    while end < len(blob):
        (length,) = struct.unpack_from(">I", blob, end)
        end += 4 + length
        if end > len(blob):
            raise ValueError("it is cut short")
        fields.append(blob[end - length : end])
    return fields


def _signed_message(digest: bytes, namespace: bytes, algorithm: bytes) -> bytes:
    """Return the message that the key signs: the file's hash and the purpose of the signature."""
    return _MAGIC + b"".join(map(_string, (namespace, b"", algorithm, digest)))


def _fingerprint(public: bytes) -> str:
    return "SHA256:" + base64.b64encode(hashlib.sha256(public).digest()).decode().rstrip("=")


def _parse_signature(text: bytes) -> tuple[bytes, str, bytes]:
    """Return public key, hash algorithm and raw signature; ValueError if they cannot be read."""
    match = re.fullmatch(
        f"{_FIRST_LINE}\n(.*)\n{_LAST_LINE}\\s*", text.decode("ascii").replace("\r\n", "\n"), re.DOTALL
    )
    if match is None:
        raise ValueError("its first or last line is wrong")
    try:
        blob = base64.b64decode("".join(match[1].split()), validate=True)
    except binascii.Error:
        raise ValueError("it has characters that are not allowed") from None
    if blob[:10] != _MAGIC + struct.pack(">I", 1):
        raise ValueError("it has another version")
    public, namespace, _, algorithm, signed = _exact_fields(5, blob[10:])
    if namespace != NAMESPACE.encode():
        raise ValueError(f"it is not for files but for {namespace.decode(errors='replace')!r}")
    if algorithm not in (b"sha256", b"sha512"):
        raise ValueError("its hash algorithm is unknown")
    if not public.startswith(_string(_KEY_TYPE)):
        raise ValueError("its key is not an Ed25519 key")
    _exact_fields(2, public)
    key_type, raw = _exact_fields(2, signed)
    if key_type != _KEY_TYPE:
        raise ValueError("its type is not that of its key")
    return public, algorithm.decode(), raw


def _exact_fields(count: int, blob: bytes) -> list[bytes]:
    fields = _fields(blob)
    if len(fields) != count:
        raise ValueError("it has the wrong number of fields")
    return fields


_LINE = re.compile(
    rf"""(?P<name>"[^"]*"|[^\s"]+)\s+(?:(?P<options>(?:[^\s"]|"[^"]*")+)\s+)?{_KEY_TYPE.decode()}\s+(?P<key>[A-Za-z0-9+/=]+)(?:\s.*)?"""
)


def _read_signers(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield names and keys; lines with options other than namespaces are ignored."""
    data = _read(path, "a file of signers: NAME ssh-ed25519 KEY, a line each", "write one with the keys that you know")
    for line in data.decode("utf-8", errors="replace").splitlines():
        match = _LINE.fullmatch(line.strip())
        if line.lstrip().startswith("#") or match is None:
            continue
        options = match["options"] or f'namespaces="{NAMESPACE}"'
        spaces = re.fullmatch(r'namespaces="([^"]*)"', options, re.IGNORECASE)
        if spaces is None or NAMESPACE not in spaces[1].split(","):
            continue
        try:
            yield match["name"].strip('"'), base64.b64decode(match["key"], validate=True)
        except binascii.Error:
            continue
