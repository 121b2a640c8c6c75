"""Signatures, in both directions against ssh-keygen, which defines their format (PROTOCOL.sshsig of OpenSSH)."""

import base64
import subprocess

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)

from anechain.audit.sign import is_encrypted, sign, signed_by
from anechain.errors import InputError
from campaigns import anechain
from outside_programs import needs_program

needs_tool = needs_program("ssh-keygen")


def write_key(path, private=None, passphrase=None):
    private = private or Ed25519PrivateKey.generate()
    locked = BestAvailableEncryption(passphrase.encode()) if passphrase else NoEncryption()
    path.write_bytes(private.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, locked))
    path.chmod(0o600)
    public = private.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()
    path.with_suffix(".pub").write_text(f"{public} somebody@workshop\n")
    return public


@pytest.fixture
def place(tmp_path):
    """A file, a key, and a file of signers that knows the key."""
    (tmp_path / "halls.zip").write_bytes(b"84 dB\n" * 1000)
    public = write_key(tmp_path / "key")
    (tmp_path / "signers").write_text(f"# who we know\n\nworkshop {public}\n")
    return tmp_path


def input_error(call, *arguments, **options):
    with pytest.raises(InputError) as caught:
        call(*arguments, **options)
    (problem,) = caught.value.problems
    assert problem.fix
    return problem


def ssh_keygen(*arguments, stdin):
    with stdin.open("rb") as opened:
        return subprocess.run(["ssh-keygen", *map(str, arguments)], stdin=opened, capture_output=True, text=True)


def tool_verifies(file, signers, signature, name="workshop"):
    return ssh_keygen("-Y", "verify", "-f", signers, "-I", name, "-n", "file", "-s", signature, stdin=file)


# With the common tool


@needs_tool
def test_the_common_tool_accepts_ours(place):
    signature, fingerprint = sign(place / "halls.zip", place / "key")
    assert signature == place / "halls.zip.sig"
    done = tool_verifies(place / "halls.zip", place / "signers", signature)
    assert done.returncode == 0, done.stderr
    assert fingerprint in done.stdout
    (place / "halls.zip").write_bytes(b"85 dB")
    assert tool_verifies(place / "halls.zip", place / "signers", signature).returncode != 0


@needs_tool
@pytest.mark.parametrize("hash_", ["sha256", "sha512"])
def test_we_accept_the_common_tools(place, hash_):
    file = place / "halls.zip"
    done = ssh_keygen("-Y", "sign", "-f", place / "key", "-n", "file", "-O", f"hashalg={hash_}", file, stdin=file)
    assert done.returncode == 0, done.stderr
    signer = signed_by(file, place / "signers")
    listed = subprocess.run(["ssh-keygen", "-l", "-f", place / "key.pub"], capture_output=True, text=True).stdout
    assert signer.name == "workshop" and listed.split()[1] == signer.fingerprint
    if hash_ == "sha512":  # its default; Ed25519 is deterministic (RFC 8032), so both write the same bytes
        before = file.with_name("halls.zip.sig").read_bytes()
        sign(file, place / "key")
        assert file.with_name("halls.zip.sig").read_bytes() == before


@needs_tool
def test_keys_of_the_common_tool_with_and_without_passphrase(place):
    for number, phrase in enumerate(["", "calm sea"]):
        key = place / f"tool-{number}"
        subprocess.run(
            ["ssh-keygen", "-q", "-t", "ed25519", "-N", phrase, "-f", key], check=True, stdin=subprocess.DEVNULL
        )
        assert is_encrypted(key) == bool(phrase)
        signature, _ = sign(place / "halls.zip", key, place / f"{number}.sig", phrase or None)
        (place / "those").write_text("lab " + key.with_suffix(".pub").read_text())
        assert signed_by(place / "halls.zip", place / "those", signature).name == "lab"


# What does not fit


def test_an_altered_file(place):
    file = place / "halls.zip"
    sign(file, place / "key")
    data = bytearray(file.read_bytes())
    data[-1] ^= 1
    file.write_bytes(data)
    assert "is not the file that was signed" in input_error(signed_by, file, place / "signers").what


def test_another_key_is_named_and_not_taken_for_known(place):
    public = write_key(place / "other")
    _, fingerprint = sign(place / "halls.zip", place / "other")
    problem = input_error(signed_by, place / "halls.zip", place / "signers")
    assert "a key that is not in" in problem.what and fingerprint in problem.what
    (place / "signers").write_text(f"stranger {public}\n")
    assert signed_by(place / "halls.zip", place / "signers").name == "stranger"


def test_a_known_key_put_over_a_strangers_signature(place):
    """Key and signature are checked together: the one cannot be exchanged."""
    write_key(place / "other")
    sign(place / "halls.zip", place / "key", place / "good.sig")
    sign(place / "halls.zip", place / "other", place / "bad.sig")

    def blob(name):
        return base64.b64decode("".join((place / name).read_text().splitlines()[1:-1]))

    good, bad = blob("good.sig"), blob("bad.sig")
    mixed = base64.b64encode(good[:-64] + bad[-64:]).decode()
    (place / "halls.zip.sig").write_text(f"-----BEGIN SSH SIGNATURE-----\n{mixed}\n-----END SSH SIGNATURE-----\n")
    assert "is not the file that was signed" in input_error(signed_by, place / "halls.zip", place / "signers").what


def test_every_flipped_bit_of_a_signature_is_refused(place):
    signature, _ = sign(place / "halls.zip", place / "key")
    lines = signature.read_text().splitlines()
    blob = base64.b64decode("".join(lines[1:-1]))
    for at in range(0, 8 * len(blob), 5):
        flipped = bytearray(blob)
        flipped[at // 8] ^= 1 << at % 8
        signature.write_text("\n".join([lines[0], base64.b64encode(flipped).decode(), lines[-1]]))
        with pytest.raises(InputError):
            signed_by(place / "halls.zip", place / "signers")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"signed, the workshop",
        b"\xff\xfe",
        b"-----BEGIN SSH SIGNATURE-----\n!!!!\n-----END SSH SIGNATURE-----\n",
        b"-----BEGIN SSH SIGNATURE-----\n\n-----END SSH SIGNATURE-----\n",
        b"-----BEGIN SSH SIGNATURE-----\nU1NIU0lHAAAAAf////8=\n-----END SSH SIGNATURE-----\n",
    ],
)
def test_what_is_no_signature(place, content):
    (place / "halls.zip.sig").write_bytes(content)
    assert (
        "is not a signature that can be checked here"
        in input_error(signed_by, place / "halls.zip", place / "signers").what
    )


@needs_tool
def test_a_signature_for_another_purpose_or_of_another_kind(place):
    file = place / "halls.zip"
    ssh_keygen("-Y", "sign", "-f", place / "key", "-n", "git", file, stdin=file)
    assert "not for files but for 'git'" in input_error(signed_by, file, place / "signers").what
    (place / "halls.zip.sig").unlink()
    write_key(place / "curve", generate_private_key(SECP256R1()))
    ssh_keygen("-Y", "sign", "-f", place / "curve", "-n", "file", file, stdin=file)
    assert "not an Ed25519 key" in input_error(signed_by, file, place / "signers").what


# The file of signers, after ALLOWED SIGNERS in ssh-keygen's manual


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("workshop {key}", "workshop"),
        ("workshop,hall@example.org {key} a comment", "workshop,hall@example.org"),
        ('"The workshop" {key}', "The workshop"),
        ('workshop namespaces="file" {key}', "workshop"),
        ('workshop namespaces="git,file" {key}', "workshop"),
        ('workshop namespaces="git" {key}', None),
        ('workshop valid-before="20200101" {key}', None),
        ("workshop cert-authority {key}", None),
        ("# workshop {key}", None),
        ("{key}", None),
        ("", None),
    ],
)
def test_lines_of_the_file_of_signers(place, line, name):
    sign(place / "halls.zip", place / "key")
    key = " ".join((place / "key.pub").read_text().split()[:2])
    (place / "signers").write_text(f"other ssh-ed25519 AAAA\n{line.format(key=key)}\n")
    if name is None:
        assert "a key that is not in" in input_error(signed_by, place / "halls.zip", place / "signers").what
    else:
        assert signed_by(place / "halls.zip", place / "signers").name == name


@needs_tool
@pytest.mark.parametrize("options", ["", 'namespaces="file" ', 'namespaces="git,file" '])
def test_the_tool_accepts_the_same_lines(place, options):
    sign(place / "halls.zip", place / "key")
    key = " ".join((place / "key.pub").read_text().split()[:2])
    (place / "signers").write_text(f"other ssh-ed25519 AAAA\nworkshop {options}{key}\n")
    assert tool_verifies(place / "halls.zip", place / "signers", place / "halls.zip.sig").returncode == 0


# Keys and places


def test_a_locked_key_needs_its_passphrase(place):
    write_key(place / "locked", passphrase="calm sea")
    assert is_encrypted(place / "locked") and not is_encrypted(place / "key")
    assert "protected by a passphrase" in input_error(sign, place / "halls.zip", place / "locked").what
    assert "cannot be opened" in input_error(sign, place / "halls.zip", place / "locked", passphrase="rough sea").what
    assert "needs no passphrase" in input_error(sign, place / "halls.zip", place / "key", passphrase="calm sea").what
    assert not (place / "halls.zip.sig").exists()
    sign(place / "halls.zip", place / "locked", passphrase="calm sea")


def test_no_key_is_ever_made(place):
    before = set(place.iterdir())
    problem = input_error(sign, place / "halls.zip", place / "id")
    assert "cannot be read" in problem.what and "ssh-keygen -t ed25519" in problem.fix
    assert set(place.iterdir()) == before


def test_files_that_are_no_private_key(place):
    assert input_error(sign, place / "halls.zip", place / "key.pub").what == "is a public key"
    assert "not a private key" in input_error(sign, place / "halls.zip", place / "halls.zip").what
    write_key(place / "curve", generate_private_key(SECP256R1()))
    assert "another type" in input_error(sign, place / "halls.zip", place / "curve").what


def test_another_signature_is_not_overwritten(place):
    sign(place / "halls.zip", place / "key")
    before = (place / "halls.zip.sig").read_bytes()
    sign(place / "halls.zip", place / "key")
    write_key(place / "other")
    assert "exists already" in input_error(sign, place / "halls.zip", place / "other").what
    assert (place / "halls.zip.sig").read_bytes() == before


@pytest.mark.parametrize("gone", ["halls.zip", "halls.zip.sig", "signers"])
def test_what_is_not_there_is_named(place, gone):
    sign(place / "halls.zip", place / "key")
    (place / gone).unlink()
    assert input_error(signed_by, place / "halls.zip", place / "signers").where.endswith(gone)


def test_the_commands(place):
    said = anechain("sign", "halls.zip", "--key", "key", cwd=place).stdout
    assert said.startswith("halls.zip.sig: signed with key SHA256:")
    said = anechain("signed-by", "halls.zip", "--signers", "signers", cwd=place).stdout
    assert said.startswith("halls.zip: unaltered, signed by workshop (key SHA256:")
    (place / "halls.zip").write_bytes(b"other")
    wrong = anechain("signed-by", "halls.zip", "--signers", "signers", cwd=place, check=False)
    assert wrong.returncode == 1 and "is not the file that was signed" in wrong.stderr
