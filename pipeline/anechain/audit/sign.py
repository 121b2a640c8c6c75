"""Sign a file, such as a bundle, and tell who signed one: hashes tell that a file is whole, not whose it is.

A signature is a small text file beside the signed one, in the format of the OpenSSH project (PROTOCOL.sshsig), made
with an Ed25519 key (RFC 8032). It was chosen since anybody can check it without this software, with a tool that nearly
every machine has, and since laboratories often have such keys already::

    ssh-keygen -Y verify -f SIGNERS -I NAME -n file -s BUNDLE.zip.sig < BUNDLE.zip

Whose a key is, the reader's own file of signers says: a line per key, first the name, then the key's kind and the key
(ALLOWED SIGNERS in ssh-keygen's manual). Keys are never made here; make one with ``ssh-keygen -t ed25519 -f KEY``.
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

from anechain.data.store import replacing
from anechain.errors import InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["Signer", "is_encrypted", "sign", "signed_by"]

NAMESPACE = "file"
"""What the signature is for; OpenSSH's word for files of any kind."""
_MAGIC = b"SSHSIG"
_KIND = b"ssh-ed25519"
_HEAD, _FOOT = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
_MAKE_ONE = "make one with: ssh-keygen -t ed25519 -f KEY; keep KEY to yourself and give others KEY.pub"


@dataclass(frozen=True)
class Signer:
    """Who signed: the name that the reader's file of signers gives the key, and the key's fingerprint."""

    name: str
    fingerprint: str


def _read(path: Path, what: str, fix: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError.single(path, f"cannot be read: {error.strerror or error}", what, fix) from None


def is_encrypted(key: Path) -> bool:
    """Say whether a private key needs a passphrase.

    Raises
    ------
    InputError
        If the file cannot be read or is no private key.
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

    data = _read(path, "a private key", _MAKE_ONE)
    if data.startswith(_KIND):
        raise InputError.single(path, "is a public key", "the private key that belongs to it", "leave out the .pub")
    try:
        key = load_ssh_private_key(data, passphrase)
    except TypeError:  # the library's word for a passphrase that is missing or too many
        if passphrase is None:
            raise _PassphraseNeededError from None
        raise InputError.single(path, "has no passphrase, but one was given", fix="leave it out") from None
    except (ValueError, UnsupportedAlgorithm):
        if passphrase is None:
            raise InputError.single(
                path, "is no private key in the format of OpenSSH", "an Ed25519 key", _MAKE_ONE
            ) from None
        raise InputError.single(path, "does not open with this passphrase", fix="type it again") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError.single(path, "is a key of another kind", "an Ed25519 key", _MAKE_ONE)
    return key


def sign(file: Path, key: Path, signature: Path | None = None, passphrase: str | None = None) -> tuple[Path, str]:
    """Sign a file.

    Parameters
    ----------
    file : Path
        What is signed.
    key : Path
        File of the private key (Ed25519, OpenSSH format). It is read and nothing else.
    signature : Path, optional
        Where the signature goes; beside the file, with ".sig" after its name, if absent.
    passphrase : str, optional
        What opens the key.

    Returns
    -------
    Path, str
        The signature's file, and the fingerprint of the key.

    Raises
    ------
    InputError
        If file or key cannot be used, or another signature is there already.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    try:
        private = _private_key(key, None if passphrase is None else passphrase.encode())
    except _PassphraseNeededError:
        raise InputError.single(key, "is locked with a passphrase", fix="give the passphrase") from None
    public = _string(_KIND) + _string(private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))
    made = _string(_KIND) + _string(private.sign(_signed(_digest(file, "sha512"), NAMESPACE.encode(), b"sha512")))
    parts = (public, NAMESPACE.encode(), b"", b"sha512", made)
    blob = base64.b64encode(_MAGIC + struct.pack(">I", 1) + b"".join(map(_string, parts))).decode()
    lines = [_HEAD, *(blob[at : at + 70] for at in range(0, len(blob), 70)), _FOOT, ""]
    target = signature or file.with_name(file.name + ".sig")
    content = "\n".join(lines).encode()
    if target.exists() and target.read_bytes() != content:
        raise InputError.single(
            target,
            "is there already, and is not this signature",
            "a place for a new file",
            "move it away, or name another place with --signature",
        )
    with replacing(target) as temporary:
        temporary.write_bytes(content)
    return target, _fingerprint(public)


def signed_by(file: Path, signers: Path, signature: Path | None = None) -> Signer:
    """Tell who signed a file.

    Parameters
    ----------
    file : Path
        What was signed.
    signers : Path
        The reader's own file of signers: which key is whose.
    signature : Path, optional
        The signature's file; beside the file, with ".sig" after its name, if absent.

    Returns
    -------
    Signer
        The first of the file of signers with this key.

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
        public, algorithm, made = _taken_apart(text)
    except (ValueError, struct.error) as error:
        raise InputError.single(
            path,
            f"is no signature that can be checked here: {error}",
            "an Ed25519 signature for files (OpenSSH)",
            "check it with: ssh-keygen -Y verify",
        ) from None
    fingerprint = _fingerprint(public)
    try:
        message = _signed(_digest(file, algorithm), NAMESPACE.encode(), algorithm.encode())
        Ed25519PublicKey.from_public_bytes(_fields(public)[1]).verify(made, message)
    except (InvalidSignature, ValueError):
        raise InputError.single(
            file,
            f"is not what was signed: the signature {path.name} (key {fingerprint}) does not fit it",
            "the very file that was signed",
            "fetch both again from their maker",
        ) from None
    for name, key in _allowed(signers):
        if key == public:
            return Signer(name, fingerprint)
    raise InputError.single(
        file,
        f"is signed, but with a key that is not among the signers in {signers}: {fingerprint}",
        "a key whose owner you know",
        "ask the signer for the key on a way you trust; only then add it",
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
    fields, at = [], 0
    while at < len(blob):
        (length,) = struct.unpack_from(">I", blob, at)
        at += 4 + length
        if at > len(blob):
            raise ValueError("it is cut short")
        fields.append(blob[at - length : at])
    return fields


def _signed(digest: bytes, namespace: bytes, algorithm: bytes) -> bytes:
    """What the key really signs: the file's hash, and what the signature is for."""
    return _MAGIC + b"".join(map(_string, (namespace, b"", algorithm, digest)))


def _fingerprint(public: bytes) -> str:
    return "SHA256:" + base64.b64encode(hashlib.sha256(public).digest()).decode().rstrip("=")


def _taken_apart(text: bytes) -> tuple[bytes, str, bytes]:
    """Public key, hash algorithm and bare signature."""
    found = re.fullmatch(f"{_HEAD}\n(.*)\n{_FOOT}\\s*", text.decode("ascii").replace("\r\n", "\n"), re.DOTALL)
    if found is None:
        raise ValueError("it does not start and end as one")
    try:
        blob = base64.b64decode("".join(found[1].split()), validate=True)
    except binascii.Error:
        raise ValueError("it holds signs that do not belong there") from None
    if blob[:10] != _MAGIC + struct.pack(">I", 1):
        raise ValueError("it is of another version")
    public, namespace, _, algorithm, made = _exactly(5, blob[10:])
    if namespace != NAMESPACE.encode():
        raise ValueError(f"it is not for files but for {namespace.decode(errors='replace')!r}")
    if algorithm not in (b"sha256", b"sha512"):
        raise ValueError("its hash is of an unknown kind")
    if not public.startswith(_string(_KIND)):
        raise ValueError("its key is of another kind than Ed25519")
    _exactly(2, public)
    kind, bare = _exactly(2, made)
    if kind != _KIND:
        raise ValueError("it was made in another way than its key says")
    return public, algorithm.decode(), bare


def _exactly(count: int, blob: bytes) -> list[bytes]:
    fields = _fields(blob)
    if len(fields) != count:
        raise ValueError("it has not the parts that it should have")
    return fields


_LINE = re.compile(
    rf"""(?P<name>"[^"]*"|[^\s"]+)\s+(?:(?P<options>(?:[^\s"]|"[^"]*")+)\s+)?{_KIND.decode()}\s+(?P<key>[A-Za-z0-9+/=]+)(?:\s.*)?"""
)


def _allowed(path: Path) -> Iterator[tuple[str, bytes]]:
    """Names and keys; a line with a condition that is not understood here vouches for nobody."""
    data = _read(path, "a file of signers: NAME ssh-ed25519 KEY, a line each", "make one from the keys you were given")
    for line in data.decode("utf-8", errors="replace").splitlines():
        found = _LINE.fullmatch(line.strip())
        if line.lstrip().startswith("#") or found is None:
            continue
        options = found["options"] or f'namespaces="{NAMESPACE}"'
        spaces = re.fullmatch(r'namespaces="([^"]*)"', options, re.IGNORECASE)
        if spaces is None or NAMESPACE not in spaces[1].split(","):
            continue
        try:
            yield found["name"].strip('"'), base64.b64decode(found["key"], validate=True)
        except binascii.Error:
            continue
