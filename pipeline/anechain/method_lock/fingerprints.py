"""Fingerprints of a method's code with everything of the project that it calls: comments and docstrings do not count.

The code is read, not run. A function's fingerprint covers its own normalised syntax tree; a method is described by
the fingerprints of its function and of every function, class and constant of the project that can be reached from it
by name. So a change anywhere below a method is seen, and the place is named.
"""

from __future__ import annotations

import ast
import hashlib
import importlib.util
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

__all__ = ["code_fingerprints"]

_PROJECT = "anechain"
_OF_NO_ACCOUNT = {"ctx", "kind", "type_comment", "type_params", "returns", "annotation"}


@dataclass(frozen=True)
class _Module:
    """Top-level names of a module: what they are defined by here, or where they are imported from."""

    defined: dict[str, tuple[ast.stmt, ...]]
    imported: dict[str, tuple[str, str | None]]


@cache
def _module(name: str) -> _Module | None:
    spec = importlib.util.find_spec(name)
    if spec is None or spec.origin is None or not spec.origin.endswith(".py"):
        return None
    tree = ast.parse(Path(spec.origin).read_text(encoding="utf-8"))
    defined: dict[str, list[ast.stmt]] = {}
    imported: dict[str, tuple[str, str | None]] = {}
    for statement in tree.body:
        for bound in _bound_names(statement):
            defined.setdefault(bound, []).append(statement)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and _is_ours(node.module or ""):
            for alias in node.names:
                imported[alias.asname or alias.name] = (node.module or "", alias.name)
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if _is_ours(alias.name):
                    imported[alias.asname or alias.name.split(".")[0]] = (alias.name, None)
    return _Module({name_: tuple(found) for name_, found in defined.items()}, imported)


def _is_ours(module: str) -> bool:
    package = module.split(".")[0]
    return package == _PROJECT or package.startswith(f"{_PROJECT}_")


def _bound_names(statement: ast.stmt) -> Iterator[str]:
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        yield statement.name
    elif isinstance(statement, ast.Assign):
        for target in statement.targets:
            yield from (node.id for node in ast.walk(target) if isinstance(node, ast.Name))
    elif isinstance(statement, ast.AnnAssign | ast.AugAssign) and isinstance(statement.target, ast.Name):
        yield statement.target.id


def _plain(node: Any) -> Any:
    """Normalised form of a syntax tree: no positions, no docstrings, no annotations, no description of a method."""
    if isinstance(node, list):
        return [_plain(item) for item in node]
    if not isinstance(node, ast.AST):
        return repr(node)
    fields = {}
    for name, value in ast.iter_fields(node):
        if name in _OF_NO_ACCOUNT and not isinstance(node, ast.AnnAssign):
            continue
        kept = value
        if name == "body" and isinstance(value, list):
            kept = [one for one in value if not _is_text(one)]
        elif name == "decorator_list":
            kept = [one for one in value if not _describes_method(one)]
        if kept is None or kept == []:
            continue
        fields[name] = _plain(kept)
    return [type(node).__name__, sorted(fields.items())]


def _is_text(statement: ast.stmt) -> bool:
    return (
        isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
        and isinstance(statement.value.value, str)
    )


def _describes_method(decorator: ast.AST) -> bool:
    return isinstance(decorator, ast.Call) and isinstance(decorator.func, ast.Name) and decorator.func.id == "method"


def _fingerprint(statements: tuple[ast.stmt, ...]) -> str:
    return hashlib.sha256(repr(_plain(list(statements))).encode()).hexdigest()


def _used(statements: tuple[ast.stmt, ...], module: _Module, name: str) -> Iterator[tuple[str, str]]:
    """Module and name of everything of the project that some statements refer to."""
    for statement in statements:
        for node in _looked_at(statement):
            if isinstance(node, ast.Name):
                if node.id in module.defined:
                    yield name, node.id
                elif node.id in module.imported:
                    origin, attribute = module.imported[node.id]
                    if attribute is not None:
                        yield origin, attribute
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                origin, attribute = module.imported.get(node.value.id, ("", ""))
                if origin:
                    yield (origin if attribute is None else f"{origin}.{attribute}"), node.attr


def _looked_at(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    for name, value in ast.iter_fields(node):
        if name in _OF_NO_ACCOUNT:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not (name == "decorator_list" and _describes_method(child)):
                yield from _looked_at(child)


def code_fingerprints(function: Callable[..., Any]) -> dict[str, str]:
    """Fingerprints of a function and of everything of the project it can reach, by qualified name.

    Parameters
    ----------
    function : callable
        A function at the top level of one of the project's modules.

    Returns
    -------
    dict of str to str
        SHA-256 of the normalised code, by "module.name", sorted. The registry of methods itself is not among them: it
        hands calls on and computes nothing.
    """
    found: dict[str, str] = {}
    waiting = [(function.__module__, function.__qualname__)]
    while waiting:
        module_name, name = waiting.pop()
        label = f"{module_name}.{name}"
        if label in found or module_name == f"{_PROJECT}.methods":
            continue
        try:
            module = _module(module_name)
        except ModuleNotFoundError:
            module = None
        if module is None:
            continue
        if name in module.defined:
            found[label] = _fingerprint(module.defined[name])
            waiting.extend(_used(module.defined[name], module, module_name))
        elif name in module.imported:
            origin, attribute = module.imported[name]
            if attribute is not None:
                waiting.append((origin, attribute))
    return dict(sorted(found.items()))
