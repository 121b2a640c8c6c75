"""Fingerprints of the code of a method and of all project code that it calls, without comments and docstrings.

The code is parsed, not executed. The fingerprint of a function is the hash of its normalised syntax tree. A method has
the fingerprints of its function and of every function, class and constant of the project that it reaches by name, so
that any change below a method is detected and located.
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
_IGNORED_FIELDS = {"ctx", "kind", "type_comment", "type_params", "returns", "annotation"}


@dataclass(frozen=True)
class _Module:
    """Top-level names of a module: their definitions, or the modules they are imported from."""

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
        for assigned in _assigned_names(statement):
            defined.setdefault(assigned, []).append(statement)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and _in_project(node.module or ""):
            for alias in node.names:
                imported[alias.asname or alias.name] = (node.module or "", alias.name)
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if _in_project(alias.name):
                    imported[alias.asname or alias.name.split(".")[0]] = (alias.name, None)
    return _Module({name_: tuple(statements) for name_, statements in defined.items()}, imported)


def _in_project(module: str) -> bool:
    package = module.split(".")[0]
    return package == _PROJECT or package.startswith(f"{_PROJECT}_")


def _assigned_names(statement: ast.stmt) -> Iterator[str]:
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        yield statement.name
    elif isinstance(statement, ast.Assign):
        for target in statement.targets:
            yield from (node.id for node in ast.walk(target) if isinstance(node, ast.Name))
    elif isinstance(statement, ast.AnnAssign | ast.AugAssign) and isinstance(statement.target, ast.Name):
        yield statement.target.id


def _normalized(node: Any) -> Any:
    """Return a syntax tree without positions, docstrings, annotations and descriptions of methods."""
    if isinstance(node, list):
        return [_normalized(item) for item in node]
    if not isinstance(node, ast.AST):
        return repr(node)
    fields = {}
    for name, value in ast.iter_fields(node):
        if name in _IGNORED_FIELDS and not isinstance(node, ast.AnnAssign):
            continue
        kept = value
        if name == "body" and isinstance(value, list):
            kept = [statement for statement in value if not _is_docstring(statement)]
        elif name == "decorator_list":
            kept = [decorator for decorator in value if not _is_method_decorator(decorator)]
        if kept is None or kept == []:
            continue
        fields[name] = _normalized(kept)
    return [type(node).__name__, sorted(fields.items())]


def _is_docstring(statement: ast.stmt) -> bool:
    return (
        isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
        and isinstance(statement.value.value, str)
    )


def _is_method_decorator(decorator: ast.AST) -> bool:
    return isinstance(decorator, ast.Call) and isinstance(decorator.func, ast.Name) and decorator.func.id == "method"


def _fingerprint(statements: tuple[ast.stmt, ...]) -> str:
    return hashlib.sha256(repr(_normalized(list(statements))).encode()).hexdigest()


def _references(statements: tuple[ast.stmt, ...], module: _Module, name: str) -> Iterator[tuple[str, str]]:
    """Yield module and name of everything in the project that some statements refer to."""
    for statement in statements:
        for node in _relevant_nodes(statement):
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


def _relevant_nodes(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    for name, value in ast.iter_fields(node):
        if name in _IGNORED_FIELDS:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not (name == "decorator_list" and _is_method_decorator(child)):
                yield from _relevant_nodes(child)


def code_fingerprints(function: Callable[..., Any]) -> dict[str, str]:
    """Return the fingerprints of a function and of all project code that it reaches, by qualified name.

    Parameters
    ----------
    function : callable
        A function at the top level of one of the project's modules.

    Returns
    -------
    dict of str to str
        SHA-256 of the normalised code, by "module.name", sorted. The registry of methods is not included, because it
        computes nothing.
    """
    fingerprints: dict[str, str] = {}
    waiting = [(function.__module__, function.__qualname__)]
    while waiting:
        module_name, name = waiting.pop()
        label = f"{module_name}.{name}"
        if label in fingerprints or module_name == f"{_PROJECT}.methods":
            continue
        try:
            module = _module(module_name)
        except ModuleNotFoundError:
            module = None
        if module is None:
            continue
        if name in module.defined:
            fingerprints[label] = _fingerprint(module.defined[name])
            waiting.extend(_references(module.defined[name], module, module_name))
        elif name in module.imported:
            origin, attribute = module.imported[name]
            if attribute is not None:
                waiting.append((origin, attribute))
    return dict(sorted(fingerprints.items()))
