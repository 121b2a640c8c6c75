"""Write the package of a new importer: one that works, for a format that stands for the author's own."""

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
    """Write a package that reads files of a small documented format, with its sample and its tests.

    Parameters
    ----------
    name : str
        Name of the importer, as campaigns will give it: lower-case letters, digits and _, beginning with a letter.
    folder : Path or None
        The folder to make; `anechain-<name>` here if absent.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the name cannot be used or is taken, or the folder is there or cannot be made; nothing is written then.
    """
    problems = list(_name_problems(name))
    target = folder if folder is not None else Path(f"anechain-{name}")
    # With a name that is wrong, only a folder that was asked for is worth a word.
    if folder is not None or not problems:
        problems += _folder_problems(target)
    if problems:
        raise InputError(problems)
    try:
        # Beside it, since a folder is renamed within one file system only; it is put in place when all of it is there.
        half = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        try:
            half.chmod(0o755)
            written = []
            for path, text in _files(name).items():
                (half / path).parent.mkdir(parents=True, exist_ok=True)
                (half / path).write_text(text, encoding="utf-8", newline="\n")
                written.append(target / path)
            half.rename(target)
        finally:
            shutil.rmtree(half, ignore_errors=True)
    except OSError as error:
        raise InputError.single(
            target, f"cannot be written: {error.strerror}", "a place with room that you may write to", "choose another"
        ) from None
    return written


def _name_problems(name: str) -> list[Problem]:
    from anechain.importing.importers import find_importers

    if not _NAME.fullmatch(name):
        near = re.sub("[^a-z0-9]+", "_", name.lower()).strip("_0123456789")[:30]
        return [
            Problem(
                "name",
                f"{name!r} cannot be used",
                "lower-case letters, digits and _, beginning with a letter, at most 30",
                f"call it {near}" if _NAME.fullmatch(near) else "call it after the instrument or the format",
            )
        ]
    fix = "choose another name"
    if keyword.iskeyword(name) or keyword.issoftkeyword(name):
        return [Problem("name", f"{name} is a word of the Python language", "any other", fix)]
    usable, broken = find_importers()
    origins = {one.name: one.origin for one in usable.values()} | {one.name: one.origin for one in broken}
    if origin := origins.get(name):
        return [Problem("name", f"{name} is taken by an importer of {origin}", "a name that is free", fix)]
    if importlib.util.find_spec(f"anechain_{name}") is not None:
        return [Problem("name", f"anechain_{name} is a package that is there already", "a name that is free", fix)]
    return []


def _folder_problems(target: Path) -> list[Problem]:
    if target.exists() or target.is_symlink():
        return [
            Problem(str(target), "is there already, and is not overwritten", "a folder that is new", "name another")
        ]
    if not target.parent.is_dir():
        return [Problem(str(target.parent), "is no folder", "one to put the package into", "make it first")]
    return []


def _files(name: str) -> dict[str, str]:
    """Texts of the package by their paths."""
    import jinja2

    # Marks that neither Python nor TOML uses.
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
    made = {
        "pyproject.toml": "pyproject.toml.j2",
        "README.md": "README.md.j2",
        f"{module}/__init__.py": "module.py.j2",
        f"tests/test_{module}.py": "test_module.py.j2",
    }
    texts = {path: environment.get_template(template).render(words) for path, template in made.items()}
    return texts | {f"{module}/py.typed": "", f"tests/data/hall.{name}": _sample(name)}


def _sample(name: str) -> str:
    """Both orbits of a first-order source in closed form, 84 dB on the axis, with a remark and a gap."""
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
