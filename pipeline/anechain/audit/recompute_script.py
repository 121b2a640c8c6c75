"""Recompute the results of a bundle on this machine and compare them with the bundled ones.

    python3 recompute.py

It needs only Python and the package registry: this file uses nothing but the standard library. The packages in
software/environment.txt are installed into an environment of their own, the software itself is in the folder
"software" next to this file, and the results are recomputed from the raw files in a temporary folder. The bundled
results are not changed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import subprocess
import sys
import venv
from collections.abc import Sequence
from pathlib import Path

BUNDLE = Path(__file__).resolve().parent
SOFTWARE = BUNDLE / "software"


def read_hash_list(name: str) -> dict[str, str]:
    """Return hashes by path from a list in the format of sha256sum; empty if there is no such list."""
    try:
        lines = (BUNDLE / name).read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return {}
    return {path: sha256 for sha256, _, path in (line.partition("  ") for line in lines)}


def file_problems(files: dict[str, str]) -> list[str]:
    """Return a line for each file that is missing or altered."""
    problems = []
    for name, expected in files.items():
        try:
            with (BUNDLE / name).open("rb") as file:
                same = hashlib.file_digest(file, "sha256").hexdigest() == expected
        except OSError:
            problems.append(f"{name}: is missing; its SHA-256 is {expected}")
        else:
            if not same:
                problems.append(f"{name}: is not the file that was bundled; the SHA-256 of that file is {expected}")
    return problems


def environment_python(folder: Path) -> Path:
    """Return the Python of an environment with the packages of the bundle; create it if it does not exist."""
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    installed = folder / "installed"
    if not installed.is_file():
        show(f"Creating an environment in {folder} and installing the packages in software/environment.txt ...")
        venv.create(folder, with_pip=True)
        subprocess.run(
            [
                *(str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"),
                *("--requirement", str(SOFTWARE / "environment.txt")),
            ],
            check=True,
        )
        installed.touch()
    return python


def show(line: str) -> None:
    """Print a line at once."""
    print(line, flush=True)  # noqa: T201


def main(arguments: Sequence[str]) -> int:
    """Check the bundle, prepare the environment, recompute and compare; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--environment", type=Path, default=BUNDLE / ".environment", help="folder of the environment to create or use"
    )
    parser.add_argument(
        "--this-python", action="store_true", help="use the Python that runs this script, with its packages"
    )
    parser.add_argument("--trust-importers", action="store_true", help="run the private importers of the campaign")
    options = parser.parse_args(arguments)
    if sys.version_info < (3, 11):  # noqa: UP036 - a bundle may be unpacked on any machine
        show(f"This needs Python 3.11 or newer; this is {platform.python_version()}.")
        return 1
    folder = options.environment.absolute()
    if folder.exists() and not (folder / "pyvenv.cfg").is_file() and (not folder.is_dir() or any(folder.iterdir())):
        show(f"{folder} exists and is not a Python environment: name another folder with --environment.")
        return 1
    problems = file_problems(read_hash_list("files.sha256"))
    if missing := file_problems(read_hash_list("raw-files.sha256")):
        problems += ["These raw files are not in the bundle; ask its authors for them and put them here:", *missing]
    if problems:
        show("\n".join(problems))
        return 1
    facts = json.loads((BUNDLE / "bundle.json").read_text(encoding="utf-8"))
    if facts["python"].split(".")[:2] != platform.python_version().split(".")[:2]:
        show(f"Bundled with Python {facts['python']}; this is {platform.python_version()}, so results may differ.")
    try:
        python = Path(sys.executable) if options.this_python else environment_python(folder)
    except subprocess.CalledProcessError as error:
        show(f"The environment could not be created (status {error.returncode}); see the messages above.")
        return 1
    except OSError as error:
        show(f"The environment could not be created: {error.filename or folder}: {error.strerror or error}")
        return 1
    extra = ["--trust-importers"] if options.trust_importers else []
    return subprocess.call(
        [str(python), "-m", "anechain", "verify", str(BUNDLE), "--recompute", *extra],
        env={
            **{name: value for name, value in os.environ.items() if not name.startswith("PYTHON")},
            "PYTHONPATH": str(SOFTWARE),
            "PYTHONDONTWRITEBYTECODE": "1",
            "PYTHONNOUSERSITE": "1",
            "PYTHONSAFEPATH": "1",
        },
    )


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
