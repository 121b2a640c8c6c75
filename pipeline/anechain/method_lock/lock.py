"""methods.lock: what every method's code and result were when its version was last raised.

Code that changes under an unchanged version is a silent change of published values. The lock notices: it holds, for
each version of each method, of each stage and of each bundled importer, the fingerprints of all code it reaches, and
for methods the digest of the result on a frozen input.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anechain.data.store import write_plain
from anechain.errors import InputError, Problem
from anechain.method_lock.fingerprints import code_fingerprints

__all__ = ["LockChange", "current_lock", "lock_changes", "lock_path", "read_lock", "renew_lock"]

_BUNDLED_IMPORTERS = (
    "anechain_arrays",
    "anechain_capture",
    "anechain_columns",
    "anechain_delimited",
    "anechain_sofa",
    "anechain_spherical",
    "anechain_tables",
    "anechain_uff",
)
_LOCKED_STAGES = {
    "derive": "derived",
    "distortion": "distorted",
    "compression": "compressed",
    "numbers": "numbered",
    "compare": "compared",
    "compare_distortion": "compared_distortion",
}


@dataclass(frozen=True)
class LockChange:
    """Something locked that is not as it was.

    Attributes
    ----------
    what : str
        "method listening-window version 1".
    parts : tuple of str
        Functions, classes and constants that changed, came or went; empty where only the result differs.
    result : bool
        Whether the result on the frozen input differs.
    """

    what: str
    parts: tuple[str, ...]
    result: bool

    def __str__(self) -> str:
        where = f" in {', '.join(self.parts)}" if self.parts else ""
        effect = "its result changed" if self.result else "its result on the frozen input did not change"
        return f"{self.what}: code changed{where}; {effect}" if self.parts else f"{self.what}: its result changed"


def lock_path() -> Path:
    """Path of the lock, inside the package."""
    return Path(__file__).parents[1] / "methods.lock"


def _locked_functions() -> dict[str, Callable[..., Any]]:
    """Everything that is locked beside the methods, with its version in its name."""
    import importlib

    found: dict[str, Callable[..., Any]] = {}
    for stage, name in _LOCKED_STAGES.items():
        module = importlib.import_module(f"anechain.stages.{stage}")
        found[f"stage {stage} version {module.VERSION}"] = getattr(module, name)
    for package in _BUNDLED_IMPORTERS:
        plugin = importlib.import_module(package)
        version = plugin.anechain_describe().version
        found[f"importer {package.removeprefix('anechain_')} version {version}"] = plugin.anechain_read
    return found


def current_lock(calls: Mapping[str, Callable[[], Any]]) -> dict[str, Any]:
    """Lock of the code as it is now.

    Parameters
    ----------
    calls : mapping of str to callable
        For each method id a call without arguments that gives its result on a frozen input.

    Returns
    -------
    dict
        By name and version: `parts` (fingerprint by qualified name) and, for methods, `digest`.

    Raises
    ------
    KeyError
        Naming a method without a reference call.
    """
    from anechain.method_lock.digest import result_digest
    from anechain.methods import methods, use_method_versions

    lock: dict[str, Any] = {}
    for id_, known in methods().items():
        for version, one in known.items():
            with use_method_versions({id_: version}):
                digest = result_digest(calls[id_]())
            lock[f"method {id_} version {version}"] = {"digest": digest, "parts": code_fingerprints(one.function)}
    for what, function in _locked_functions().items():
        lock[what] = {"parts": code_fingerprints(function)}
    return lock


def read_lock(path: Path | None = None) -> dict[str, Any]:
    """Lock as it was written last."""
    lock: dict[str, Any] = json.loads((path or lock_path()).read_text(encoding="utf-8"))
    return lock


def renew_lock(calls: Mapping[str, Callable[[], Any]], path: Path | None = None) -> list[str]:
    """Write the lock of the code as it is now.

    Parameters
    ----------
    calls : mapping of str to callable
        See :func:`current_lock`.
    path : Path, optional
        The lock; that of the package if absent.

    Returns
    -------
    list of str
        What is new or changed, a line each.

    Raises
    ------
    InputError
        If a result changed, or a method's version is gone, under an unchanged version: raise the version instead, and
        keep the old one as long as a published campaign may need it.
    """
    target = path or lock_path()
    before = read_lock(target) if target.is_file() else {}
    lock = current_lock(calls)
    changes = lock_changes(before, lock)
    silent = [change for change in changes if change.result]
    if silent:
        raise InputError(
            Problem(str(change), "an unchanged version", fix="raise the version; keep the old one beside the new")
            for change in silent
        )
    write_plain(target, (json.dumps(lock, indent=1, sort_keys=True) + "\n").encode())
    new = [f"{what}: new" for what in sorted(lock.keys() - before.keys())]
    return [*map(str, changes), *new] or ["nothing has changed"]


def lock_changes(locked: dict[str, Any], current: dict[str, Any]) -> list[LockChange]:
    """Changes under unchanged versions; a new name or a raised version is none, a version that went is one."""
    changes = []
    for what, before in sorted(locked.items()):
        now = current.get(what)
        if now is None:
            # A raised version of a stage or importer replaces the old one; of a method both are kept.
            if what.startswith("method "):
                changes.append(LockChange(f"{what} (no longer kept)", (), True))
            continue
        old, new = before["parts"], now["parts"]
        parts = tuple(sorted(name for name in old.keys() | new.keys() if old.get(name) != new.get(name)))
        result = before.get("digest") != now.get("digest")
        if parts or result:
            changes.append(LockChange(what, parts, result))
    return changes
