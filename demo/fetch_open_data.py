"""Fetch an open dataset of a real loudspeaker from the package registry.

The source distribution of sparrowpy 1.1.1 carries, among its tests, the directivity of a two-way loudspeaker on a
1 degree sphere in third-octaves, from the BRAS database of TU Berlin and RWTH Aachen (doi 10.14279/depositonce-6726.3;
the file states CC BY-NC 4.0). It is identified by its hash and is never part of this project.
"""

import hashlib
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

DISTRIBUTION = "sparrowpy==1.1.1"
WANTED = {"d66826918696086899bc2b7cb533a695f457c57e91c70760e75b1b05328e442a": "two-way-sphere.sofa"}


def fetch(folder: Path) -> None:
    """Download the distribution and keep the wanted files, by hash, in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    missing = {sha256: name for sha256, name in WANTED.items() if not (folder / name).is_file()}
    if not missing:
        return
    with tempfile.TemporaryDirectory() as temporary:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
        subprocess.run([*command, "--no-binary", ":all:", "--dest", temporary, DISTRIBUTION], check=True)
        (archive,) = Path(temporary).glob("*.tar.gz")
        with tarfile.open(archive) as members:
            for member in members:
                file = members.extractfile(member) if member.isfile() else None
                data = file.read() if file else b""
                name = missing.pop(hashlib.sha256(data).hexdigest(), None)
                if name:
                    (folder / name).write_bytes(data)
    if missing:
        sys.exit(f"{DISTRIBUTION} does not contain {', '.join(missing.values())}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: fetch_open_data.py FOLDER")
    fetch(Path(sys.argv[1]))
