"""Make the results of a bundle anew on this machine and compare them with the bundled ones.

    python3 remake.py

It needs Python and the package registry, and nothing else: this file uses the standard library alone. The packages
named in software/environment.txt are installed into an environment of their own, the software itself is taken from the
folder "software" beside this file, and the results are computed again from the raw files, beside the bundled ones,
which are not touched.
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


def listed(name: str) -> dict[str, str]:
    """Hashes by path, from a list as sha256sum writes it; empty if there is no such list."""
    try:
        lines = (BUNDLE / name).read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return {}
    return {path: sha256 for sha256, _, path in (line.partition("  ") for line in lines)}


def wrong(files: dict[str, str]) -> list[str]:
    """Say which files are not there, or are not what the list says."""
    said = []
    for name, expected in files.items():
        try:
            with (BUNDLE / name).open("rb") as file:
                same = hashlib.file_digest(file, "sha256").hexdigest() == expected
        except OSError:
            said.append(f"{name}: is not there; its SHA-256 is {expected}")
        else:
            if not same:
                said.append(f"{name}: is not the file that was bundled; that one's SHA-256 is {expected}")
    return said


def python_of(folder: Path) -> Path:
    """Python of an environment that has what the bundle needs, which is made if it is not there yet."""
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    done = folder / "installed"
    if not done.is_file():
        tell(f"Making an environment in {folder} and installing what software/environment.txt names ...")
        venv.create(folder, with_pip=True)
        subprocess.run(
            [
                *(str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"),
                *("--requirement", str(SOFTWARE / "environment.txt")),
            ],
            check=True,
        )
        done.touch()
    return python


def tell(line: str) -> None:
    """Show a line at once."""
    print(line, flush=True)  # noqa: T201


def main(arguments: Sequence[str]) -> int:
    """Check the bundle, prepare the environment, compute and compare; give the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--environment", type=Path, default=BUNDLE / ".environment", help="folder of the environment to make or use"
    )
    parser.add_argument(
        "--this-python", action="store_true", help="use the Python that runs this, with the packages it has"
    )
    parser.add_argument(
        "--trust-importers", action="store_true", help="run the private importers that the campaign brings"
    )
    options = parser.parse_args(arguments)
    if sys.version_info < (3, 11):  # noqa: UP036 - whoever unpacks a bundle may have any
        tell(f"This needs Python 3.11 or newer; this is {platform.python_version()}.")
        return 1
    place = options.environment.absolute()
    if place.exists() and not (place / "pyvenv.cfg").is_file() and (not place.is_dir() or any(place.iterdir())):
        tell(f"{place} is there already and is no Python environment: name another folder with --environment.")
        return 1
    problems = wrong(listed("files.sha256"))
    if missing := wrong(listed("raw-files.sha256")):
        problems += ["These raw files are not part of the bundle; ask its makers for them and put them here:", *missing]
    if problems:
        tell("\n".join(problems))
        return 1
    facts = json.loads((BUNDLE / "bundle.json").read_text(encoding="utf-8"))
    if facts["python"].split(".")[:2] != platform.python_version().split(".")[:2]:
        tell(f"Bundled with Python {facts['python']}; this is {platform.python_version()}: results may differ by it.")
    try:
        python = Path(sys.executable) if options.this_python else python_of(place)
    except subprocess.CalledProcessError as error:
        tell(f"The environment could not be made (status {error.returncode}); what was said stands above.")
        return 1
    except OSError as error:
        tell(f"The environment could not be made: {error.filename or place}: {error.strerror or error}")
        return 1
    more = ["--trust-importers"] if options.trust_importers else []
    return subprocess.call(
        [str(python), "-m", "anechain", "verify", str(BUNDLE), "--recompute", *more],
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
