"""The software in a bundle: packages, the importers' entry points, and the versions of everything else it needs."""

from __future__ import annotations

import importlib.util
import platform
from collections.abc import Iterable
from importlib.metadata import Distribution, EntryPoint, PackageNotFoundError, distribution, entry_points
from pathlib import Path

from anechain.errors import InputError
from anechain.importing.importers import ENTRY_POINT_GROUP

__all__ = ["environment", "software_files"]

_OWN = "anechain"
_OWN_PACKAGES = ("anechain", "anechain_schemas", "anechain_workflows")


def software_files(importers: Iterable[str]) -> dict[str, bytes]:
    """Return the files of the software by path, and `environment.txt` with the versions of everything else.

    Parameters
    ----------
    importers : iterable of str
        Names of the importers that the campaign uses; those of other distributions are included.

    Raises
    ------
    InputError
        If the code of a package cannot be found.
    """
    own = distribution(_OWN)
    plugins = [entry for entry in entry_points(group=ENTRY_POINT_GROUP) if entry.dist is not None]
    own_plugins = [entry for entry in plugins if _belongs_to(entry, own)]
    other_plugins = [entry for entry in plugins if not _belongs_to(entry, own) and entry.name in importers]
    packages = {*_OWN_PACKAGES, *(entry.module.split(".")[0] for entry in (*own_plugins, *other_plugins))}
    distributions = {own.name: own} | {entry.dist.name: entry.dist for entry in other_plugins if entry.dist is not None}
    files: dict[str, bytes] = {}
    for package in sorted(packages):
        files |= _package_files(package)
    for dist in distributions.values():
        folder = f"{dist.name.replace('-', '_')}-{dist.version}.dist-info"
        for name in ("METADATA", "entry_points.txt"):
            if text := dist.read_text(name):
                files[f"{folder}/{name}"] = text.encode()
    lines = [f"{name}=={version}" for name, version in environment(distributions).items()]
    head = f"# Packages that the software was run with, on Python {platform.python_version()}."
    files["environment.txt"] = "\n".join([head, *lines, ""]).encode()
    return files


def _belongs_to(entry: EntryPoint, dist: Distribution) -> bool:
    return entry.dist is not None and entry.dist.name == dist.name


def _package_files(name: str) -> dict[str, bytes]:
    spec = importlib.util.find_spec(name)
    if spec is None or spec.origin is None:
        raise InputError.single(name, "its code cannot be found", fix="install it again")
    origin = Path(spec.origin)
    if not spec.submodule_search_locations:
        return {origin.name: origin.read_bytes()}
    return {
        f"{name}/{path.relative_to(origin.parent).as_posix()}": path.read_bytes()
        for path in sorted(origin.parent.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts and not path.name.startswith(".")
    }


def environment(names: Iterable[str]) -> dict[str, str]:
    """Return the exact versions of everything that some installed distributions need, without themselves.

    Parameters
    ----------
    names : iterable of str
        Names of installed distributions.

    Returns
    -------
    dict of str to str
        Version by name, sorted. Requirements of an extra count only if that extra is asked for.
    """
    from packaging.requirements import Requirement
    from packaging.utils import canonicalize_name

    versions: dict[str, tuple[str, str]] = {}
    seen: set[tuple[str, str]] = set()
    roots = {canonicalize_name(name) for name in names}
    pending: list[tuple[str, str]] = [(name, "") for name in sorted(roots)]
    while pending:
        name, extra = pending.pop()
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        try:
            dist = distribution(name)
        except PackageNotFoundError:  # an optional requirement that is not installed
            continue
        versions[name] = (dist.name, dist.version)
        for text in dist.requires or ():
            requirement = Requirement(text)
            if requirement.marker is None or requirement.marker.evaluate({"extra": extra}):
                pending += [(canonicalize_name(requirement.name), part) for part in ("", *requirement.extras)]
    return dict(sorted((versions[name] for name in versions.keys() - roots), key=lambda item: item[0].lower()))
