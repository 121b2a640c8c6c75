"""The registry of methods: every computation that decides a published value has an id, a version and a source.

Older versions of a method stay in the tree as long as a published campaign may need them. A call goes to the newest
version unless another one is chosen, by :func:`use_method_versions`, as a campaign does with `method_versions`.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

__all__ = ["Method", "method", "methods", "use_method_versions", "versions"]

P = ParamSpec("P")
R = TypeVar("R")

_registry: dict[str, dict[int, Method]] = {}
_chosen: ContextVar[Mapping[str, int]] = ContextVar("chosen method versions", default={})  # noqa: B039 - never changed


@dataclass(frozen=True)
class Method:
    """One version of a registered method.

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
    source_status : str
        "published", "recalled" (from memory; confirm against the document), or "common practice, no source".
    limitations : str
        What it cannot say.
    function : callable
        The implementation of this very version.
    formula : str
        What it computes, as a formula in words.
    """

    id: str
    version: int
    title: str
    source: str
    source_status: str
    limitations: str
    function: Callable[..., Any]
    formula: str = ""

    @property
    def parameters(self) -> dict[str, str]:
        """Parameters that have a default, which the campaign or a stage may set, and those defaults."""
        import inspect

        known = inspect.signature(self.function).parameters.values()
        # An array or a list that may be left out is a thing to work on, not a choice.
        choices = (one for one in known if not str(one.annotation).startswith(("ArrayLike", "Sequence", "Mapping")))
        return {one.name: _default(one.default) for one in choices if one.default is not one.empty}


def _default(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(_default(one) for one in value) or "none"
    return "none" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


SOURCE_STATUSES = ("published", "recalled", "common practice, no source")


def method(
    id: str,
    *,
    version: int,
    title: str,
    source: str,
    source_status: str = "published",
    limitations: str = "",
    formula: str = "",
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Register a function as one version of a method.

    The function that comes back hands every call on to the version that is chosen, the newest if none is. An older
    version is kept by leaving its function, under another name, with its own registration.

    Raises
    ------
    ValueError
        If this version of the id is taken by another function, or the standing is none of the known ones.
    """
    if source_status not in SOURCE_STATUSES:
        raise ValueError(f"standing of {id} is one of {SOURCE_STATUSES}, not {source_status!r}")

    def register(function: Callable[P, R]) -> Callable[P, R]:
        known = _registry.setdefault(id, {})
        if version in known and _place(known[version].function) != _place(function):
            raise ValueError(f"method {id} is registered twice: {known[version].function} and {function}")
        known[version] = Method(id, version, title, source, source_status, limitations, function, formula)

        @functools.wraps(function)
        def hand_on(*args: P.args, **kwargs: P.kwargs) -> R:
            result: R = _registry[id][_version(id)].function(*args, **kwargs)
            return result

        return hand_on

    return register


def _place(function: Callable[..., Any]) -> tuple[str, str]:
    # By name, since a module that is imported anew registers the same functions again.
    return function.__module__, function.__qualname__


def _version(id: str) -> int:
    return _chosen.get().get(id) or max(_registry[id])


def _load() -> None:
    # By name: the registry lies below the acoustics, which import it.
    import importlib
    import pkgutil

    acoustics = importlib.import_module("anechain.acoustics")
    for module in pkgutil.walk_packages(acoustics.__path__, acoustics.__name__ + "."):
        importlib.import_module(module.name)


def methods() -> dict[str, dict[int, Method]]:
    """All registered methods by id and version, sorted; imports the modules that register them."""
    _load()
    return {id: dict(sorted(known.items())) for id, known in sorted(_registry.items())}


@contextmanager
def use_method_versions(chosen: Mapping[str, int]) -> Iterator[None]:
    """Choose older versions of methods for the calls made meanwhile.

    Raises
    ------
    KeyError
        Naming an id, or a version of it, that is not registered.
    """
    known = methods()
    for id, version in chosen.items():
        if version not in known.get(id, {}):
            raise KeyError(f"no method {id} in version {version}")
    token = _chosen.set(dict(chosen))
    try:
        yield
    finally:
        _chosen.reset(token)


def versions(ids: Iterable[str]) -> dict[str, int]:
    """Versions in force of the given methods, for receipts and for the workflow's parameters.

    Raises
    ------
    KeyError
        Naming an id that is not registered.
    """
    _load()
    return {id: _version(id) for id in sorted(ids)}
