"""methods.lock: the code and the result of every method at the time of its last version.

A change of code with an unchanged version could change published values unnoticed. The lock detects it: it contains,
for each version of each method, stage and bundled importer, the fingerprints of all code that it reaches, and the
digest of the result for a frozen input.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anechain.data.store import write_if_changed
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
    "ingest": "read_sources",
    "derive": "curve_dataset",
    "distortion": "distortion_dataset",
    "compression": "compression_dataset",
    "numbers": "numbered",
    "compare": "comparison_dataset",
    "compare_distortion": "distortion_comparison",
}


@dataclass(frozen=True)
class LockChange:
    """A method, stage or importer that differs from the lock.

    Attributes
    ----------
    what : str
        "method listening-window version 1".
    parts : tuple of str
        Functions, classes and constants that were changed, added or removed; empty if only the result differs.
    result : bool
        Whether the result for the frozen input differs.
    """

    what: str
    parts: tuple[str, ...]
    result: bool

    def __str__(self) -> str:
        where = f" in {', '.join(self.parts)}" if self.parts else ""
        effect = "its result changed" if self.result else "its result for the frozen input did not change"
        return f"{self.what}: code changed{where}; {effect}" if self.parts else f"{self.what}: its result changed"


def lock_path() -> Path:
    """Return the path of the lock, inside the package."""
    return Path(__file__).parents[1] / "methods.lock"


def _locked_functions() -> dict[str, Callable[..., Any]]:
    """Return the functions of stages and importers, by name and version."""
    import importlib

    functions: dict[str, Callable[..., Any]] = {}
    for stage, name in _LOCKED_STAGES.items():
        module = importlib.import_module(f"anechain.stages.{stage}")
        functions[f"stage {stage} version {module.VERSION}"] = getattr(module, name)
    for package in _BUNDLED_IMPORTERS:
        plugin = importlib.import_module(package)
        version = plugin.anechain_describe().version
        functions[f"importer {package.removeprefix('anechain_')} version {version}"] = plugin.anechain_read
    return functions


def current_lock(calls: Mapping[str, Callable[[], Any]]) -> dict[str, Any]:
    """Return the lock of the present code.

    Parameters
    ----------
    calls : mapping of str to callable
        For each method id, "stage NAME" and "importer NAME" a function without arguments that returns its result for a
        frozen input.

    Returns
    -------
    dict
        By name and version: `parts` (fingerprint by qualified name) and `digest`.

    Raises
    ------
    KeyError
        If a method, stage or importer has no reference call.
    """
    from anechain.method_lock.digest import result_digest
    from anechain.methods import methods, use_method_versions

    lock: dict[str, Any] = {}
    for id_, known in methods().items():
        for version, registered in known.items():
            with use_method_versions({id_: version}):
                digest = result_digest(calls[id_]())
            lock[f"method {id_} version {version}"] = {
                "digest": digest,
                "parts": code_fingerprints(registered.function),
            }
    for what, function in _locked_functions().items():
        call = calls[what.rpartition(" version ")[0]]
        lock[what] = {"digest": result_digest(call()), "parts": code_fingerprints(function)}
    return lock


def read_lock(path: Path | None = None) -> dict[str, Any]:
    """Return the lock as it was written last."""
    lock: dict[str, Any] = json.loads((path or lock_path()).read_text(encoding="utf-8"))
    return lock


def renew_lock(calls: Mapping[str, Callable[[], Any]], path: Path | None = None) -> list[str]:
    """Write the lock of the present code.

    Parameters
    ----------
    calls : mapping of str to callable
        See :func:`current_lock`.
    path : Path, optional
        The lock; by default that of the package.

    Returns
    -------
    list of str
        What is new or changed, one line each.

    Raises
    ------
    InputError
        If a result changed with an unchanged version, or a version of a method was removed: increase the version, and
        keep the old one as long as a published campaign may need it.
    """
    target = path or lock_path()
    before = read_lock(target) if target.is_file() else {}
    lock = current_lock(calls)
    changes = lock_changes(before, lock)
    results_changed = [change for change in changes if change.result]
    if results_changed:
        raise InputError(
            Problem(str(change), "an unchanged version", fix="increase the version, and keep the old version too")
            for change in results_changed
        )
    write_if_changed(target, (json.dumps(lock, indent=1, sort_keys=True) + "\n").encode())
    new = [f"{what}: new" for what in sorted(lock.keys() - before.keys())]
    return [*map(str, changes), *new] or ["nothing has changed"]


def lock_changes(locked: dict[str, Any], current: dict[str, Any]) -> list[LockChange]:
    """Return the changes of unchanged versions, and the removed versions of methods; new versions are no changes."""
    changes = []
    for what, before in sorted(locked.items()):
        now = current.get(what)
        if now is None:
            # A new version of a stage or importer replaces the old one; of a method both are kept.
            if what.startswith("method "):
                changes.append(LockChange(f"{what} (no longer kept)", (), True))
            continue
        old, new = before["parts"], now["parts"]
        parts = tuple(sorted(name for name in old.keys() | new.keys() if old.get(name) != new.get(name)))
        result = before["digest"] != now["digest"]
        if parts or result:
            changes.append(LockChange(what, parts, result))
    return changes
