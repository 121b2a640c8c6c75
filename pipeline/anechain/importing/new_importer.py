"""Write the package of a new importer: it works, for an example format that the author replaces."""

from __future__ import annotations

import importlib.util
import keyword
import re
import shutil
import tempfile
from pathlib import Path

import numpy as np

from anechain.errors import InputError, Problem

__all__ = ["new_importer"]

_NAME = re.compile("[a-z][a-z0-9_]{0,29}")
_ANGLES = range(-150, 181, 30)
_FREQUENCIES = (100, 300, 1000, 3000, 10000)


def new_importer(name: str, folder: Path | None = None) -> list[Path]:
    """Write a package that reads a small documented format, with a sample and tests.

    Parameters
    ----------
    name : str
        Name of the importer in campaigns: lower-case letters, digits and _, beginning with a letter.
    folder : Path or None
        The folder to create; by default `anechain-<name>` in the working folder.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the name cannot be used or is taken, or the folder exists or cannot be created. Nothing is written then.
    """
    problems = list(_name_problems(name))
    target = folder if folder is not None else Path(f"anechain-{name}")
    # The default folder follows from the name: with a wrong name there is nothing to report about it.
    if folder is not None or not problems:
        problems += _folder_problems(target)
    if problems:
        raise InputError(problems)
    try:
        # Written next to the target and renamed when complete; renaming works within one file system only.
        partial = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        try:
            partial.chmod(0o755)
            written = []
            for path, text in _files(name).items():
                (partial / path).parent.mkdir(parents=True, exist_ok=True)
                (partial / path).write_text(text, encoding="utf-8", newline="\n")
                written.append(target / path)
            partial.rename(target)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    except OSError as error:
        raise InputError.single(
            target,
            f"cannot be written: {error.strerror}",
            "a folder with free space that you may write to",
            "choose another folder",
        ) from None
    return written


def _name_problems(name: str) -> list[Problem]:
    from anechain.importing.importers import BrokenImporter, Importer, find_importers

    if not _NAME.fullmatch(name):
        suggestion = re.sub("[^a-z0-9]+", "_", name.lower()).strip("_0123456789")[:30]
        return [
            Problem(
                "name",
                f"{name!r} cannot be used",
                "lower-case letters, digits and _, beginning with a letter, at most 30",
                f"call it {suggestion}"
                if _NAME.fullmatch(suggestion)
                else "call it after the instrument or the format",
            )
        ]
    fix = "choose another name"
    if keyword.iskeyword(name) or keyword.issoftkeyword(name):
        return [Problem("name", f"{name} is a keyword of Python", "another name", fix)]
    usable, broken = find_importers()
    installed: list[Importer | BrokenImporter] = [*usable.values(), *broken]
    origins = {importer.name: importer.origin for importer in installed}
    if origin := origins.get(name):
        return [Problem("name", f"{name} is the name of an importer of {origin}", "a name that is not taken", fix)]
    if importlib.util.find_spec(f"anechain_{name}") is not None:
        return [Problem("name", f"anechain_{name} is an existing package", "a name that is not taken", fix)]
    return []


def _folder_problems(target: Path) -> list[Problem]:
    if target.exists() or target.is_symlink():
        return [Problem(str(target), "exists, and is not overwritten", "a folder that does not exist", "name another")]
    if not target.parent.is_dir():
        return [Problem(str(target.parent), "is not a folder", "a folder for the package", "create it first")]
    return []


def _files(name: str) -> dict[str, str]:
    """Return the texts of the package by path."""
    import jinja2

    # Delimiters that neither Python nor TOML uses.
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("anechain.importing", "new_importer_templates"),
        variable_start_string="«",
        variable_end_string="»",
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        autoescape=False,
    )
    module = f"anechain_{name}"
    words = {"name": name, "module": module, "title": "".join(part.capitalize() for part in name.split("_"))}
    templates = {
        "pyproject.toml": "pyproject.toml.j2",
        "README.md": "README.md.j2",
        f"{module}/__init__.py": "module.py.j2",
        f"tests/test_{module}.py": "test_module.py.j2",
    }
    texts = {path: environment.get_template(template).render(words) for path, template in templates.items()}
    return texts | {f"{module}/py.typed": "", f"tests/data/hall.{name}": _sample(name)}


def _sample(name: str) -> str:
    """Return a file with both orbits of a first-order source, 84 dB on the axis, with a remark and a missing level."""
    level = 84 + 20 * np.log10(0.7 + 0.3 * np.cos(np.deg2rad(np.array(_ANGLES))))
    lines = [f"{name} 1", "distance 2.0", "drive 2.83", "remark computed, not measured"]
    for plane in ("horizontal", "vertical"):
        lines += [f"plane {plane}", f"angles {' '.join(map(str, _ANGLES))}"]
        for frequency in _FREQUENCIES:
            cells = [f"{value:.2f}" for value in level]
            if plane == "vertical" and frequency == _FREQUENCIES[0]:
                cells[_ANGLES.index(90)] = "-"
            lines.append(f"{frequency} {' '.join(cells)}")
    return "\n".join([*lines, "end", ""])
