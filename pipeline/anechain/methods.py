"""The registry of methods: every computation that determines a published value has an id, a version and a source.

Older versions of a method are kept as long as a published campaign may need them. A call uses the newest version unless
another one is chosen with :func:`use_method_versions`, as a campaign does with `method_versions`.
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
        Increased whenever the same input would have another result.
    title : str
        What it computes, in a few words.
    source : str
        Standard and clause, or paper and equation.
    source_status : str
        "published", "recalled" (from memory; confirm against the document), or "common practice, no source".
    limitations : str
        Where it is not valid, or not accurate.
    function : callable
        The implementation of this version.
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
        """Parameters with a default value, which the campaign or a stage may set, and these values in print."""
        import inspect

        known = inspect.signature(self.function).parameters.values()
        # An optional array or list is data, not an option.
        data_types = "ArrayLike", "Sequence", "Mapping"
        options = (parameter for parameter in known if not str(parameter.annotation).startswith(data_types))
        return {option.name: _default(option.default) for option in options if option.default is not option.empty}


def _default(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(_default(item) for item in value) or "none"
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

    The returned function passes every call on to the chosen version, or to the newest one. To keep an older version,
    rename its function and keep its registration.

    Raises
    ------
    ValueError
        If this version of the id belongs to another function, or `source_status` is unknown.
    """
    if source_status not in SOURCE_STATUSES:
        raise ValueError(f"source_status of {id} is one of {SOURCE_STATUSES}, not {source_status!r}")

    def register(function: Callable[P, R]) -> Callable[P, R]:
        known = _registry.setdefault(id, {})
        if version in known and _qualified_name(known[version].function) != _qualified_name(function):
            raise ValueError(f"method {id} is registered twice: {known[version].function} and {function}")
        known[version] = Method(id, version, title, source, source_status, limitations, function, formula)

        @functools.wraps(function)
        def call_chosen_version(*args: P.args, **kwargs: P.kwargs) -> R:
            result: R = _registry[id][_version(id)].function(*args, **kwargs)
            return result

        return call_chosen_version

    return register


def _qualified_name(function: Callable[..., Any]) -> tuple[str, str]:
    # Compared by name, because a module that is imported again registers the same functions again.
    return function.__module__, function.__qualname__


def _version(id: str) -> int:
    return _chosen.get().get(id) or max(_registry[id])


@functools.cache
def _register_all() -> None:
    # Imported by name, because the acoustics import this module.
    import importlib
    import pkgutil

    acoustics = importlib.import_module("anechain.acoustics")
    for module in pkgutil.walk_packages(acoustics.__path__, acoustics.__name__ + "."):
        importlib.import_module(module.name)


def methods() -> dict[str, dict[int, Method]]:
    """Return all registered methods by id and version, sorted; imports the modules that register them."""
    _register_all()
    return {id: dict(sorted(known.items())) for id, known in sorted(_registry.items())}


@contextmanager
def use_method_versions(chosen: Mapping[str, int]) -> Iterator[None]:
    """Use older versions of methods within a `with` statement.

    Raises
    ------
    KeyError
        If an id, or a version of it, is not registered.
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
    """Return the versions of methods that are in use, for receipts and for the parameters of the workflow.

    Raises
    ------
    KeyError
        If an id is not registered.
    """
    _register_all()
    return {id: _version(id) for id in sorted(ids)}
