"""The registry of methods: every computation that decides a published value has an id, a version and a source."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

__all__ = ["Method", "method", "methods", "versions"]

P = ParamSpec("P")
R = TypeVar("R")

_registry: dict[str, Method] = {}


@dataclass(frozen=True)
class Method:
    """One registered method.

    Attributes
    ----------
    id : str
        Stable name, lower case with hyphens.
    version : int
        Raised whenever the same input would give another result.
    title : str
        What it computes, in a few words.
    source : str
        Standard and clause, or paper and equation.
    standing : str
        "published", "recalled" (from memory; confirm against the document), or "common practice, no source".
    limits : str
        What it cannot say.
    function : callable
        The implementation.
    """

    id: str
    version: int
    title: str
    source: str
    standing: str
    limits: str
    function: Callable[..., Any]


STANDINGS = ("published", "recalled", "common practice, no source")


def method(
    id: str,
    *,
    version: int,
    title: str,
    source: str,
    standing: str = "published",
    limits: str = "",
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Register a function as a method; the function itself is returned unchanged.

    Raises
    ------
    ValueError
        If the id is taken by another function, or the standing is none of the known ones.
    """
    if standing not in STANDINGS:
        raise ValueError(f"standing of {id} is one of {STANDINGS}, not {standing!r}")

    def register(function: Callable[P, R]) -> Callable[P, R]:
        known = _registry.get(id)
        if known is not None and known.function.__qualname__ != function.__qualname__:
            raise ValueError(f"method {id} is registered twice: {known.function} and {function}")
        _registry[id] = Method(id, version, title, source, standing, limits, function)
        return function

    return register


def methods() -> dict[str, Method]:
    """All registered methods by id, sorted; imports the modules that register them."""
    import importlib
    import pkgutil

    from anechain import acoustics

    for module in pkgutil.iter_modules(acoustics.__path__, acoustics.__name__ + "."):
        importlib.import_module(module.name)
    return dict(sorted(_registry.items()))


def versions(ids: Iterable[str]) -> dict[str, int]:
    """Versions of the given methods, for receipts and for the workflow's parameters.

    Raises
    ------
    KeyError
        Naming an id that is not registered.
    """
    known = methods()
    return {id: known[id].version for id in sorted(ids)}
