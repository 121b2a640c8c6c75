"""Problems of a campaign file or of options: which field, its value, what is expected, how to fix it."""

from __future__ import annotations

import difflib
import re
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from anechain.errors import Problem

__all__ = ["option_problems", "shown"]

_WORDS = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": "keys with values",
    "finite_number": "a finite number",
    "float_parsing": "a number",
    "float_type": "a number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "list_type": "a list",
    "model_attributes_type": "keys with values",
    "model_type": "keys with values",
    "path_type": "a path",
    "string_pattern_mismatch": "text of the right form",
    "string_type": "text",
    "tuple_type": "a list",
}
"""Expected values by pydantic's type of failure, where pydantic's own message addresses programmers."""


def option_problems(error: ValidationError, model: type[BaseModel], where: str, prefix: str = "") -> list[Problem]:
    """Return the failures of a strict model as problems, with a suggestion for each unknown key."""
    problems = []
    failures = error.errors(include_url=False)
    branched: set[tuple[int | str, ...]] = set()
    for failure in failures:
        if (stem := _before_branch(model, failure["loc"])) is not None:
            # Each member of a union fails in its own way; the description of the field covers all of them.
            if stem not in branched:
                name = f"{prefix}{'.'.join(str(part) for part in stem)}"
                allowed = _description(model, stem) or failure["msg"].removeprefix("Input should be ")
                problems.append(Problem(where, f"{name} is {shown(failure['input'])}", allowed, "correct it"))
            branched.add(stem)
            continue
        location = ".".join(str(part) for part in failure["loc"])
        field = f"{prefix}{location}".rstrip(".") or "the file"
        found = failure.get("input")
        if failure["type"] == "literal_error" and failure["loc"][-1:] == ("[key]",):
            of = prefix + ".".join([str(part) for part in failure["loc"] if part != "[key]"][:-1])
            names = re.findall(r"'([^']*)'", str(failure["ctx"]["expected"]))
            close = difflib.get_close_matches(str(found).lower(), names, n=1, cutoff=0.5)
            fix = f"did you mean {close[0]}?" if close else "remove it"
            problems.append(Problem(where, f"{of}: unknown key {shown(found)}", ", ".join(names), fix))
        elif failure["type"] == "invalid_key" or failure["loc"][-1:] == ("[key]",):
            of = prefix + ".".join([str(part) for part in failure["loc"] if part != "[key]"][:-1])
            problems.append(
                Problem(where, f"{of or 'the file'}: key {shown(found)} is not text", "text", "put it in quotes")
            )
        elif failure["type"] == "extra_forbidden":
            known = _fields_at(model, failure["loc"][:-1])
            key = str(failure["loc"][-1]).lower()
            close = [name for name in known if name.startswith(key)] or difflib.get_close_matches(key, known, n=1)
            fix = f"did you mean {close[0]}?" if close else "remove it"
            problems.append(Problem(where, f"{field}: unknown key", ", ".join(known), fix))
        elif failure["type"] == "missing":
            problems.append(Problem(where, f"{field} is absent", _description(model, failure["loc"]), "add it"))
        else:
            allowed = failure["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
            allowed = _WORDS.get(failure["type"], allowed)
            if failure["type"] in ("too_short", "string_too_short"):
                depth = len(failure["loc"])
                if any(len(other["loc"]) > depth and other["loc"][:depth] == failure["loc"] for other in failures):
                    continue  # wrong entries were not counted; each has its own problem
                noun = "entry" if failure["type"] == "too_short" else "character"
                allowed = f"at least {failure['ctx']['min_length']} {noun}"
            described = _description(model, failure["loc"])
            allowed = f"{allowed} ({described})" if described else allowed
            if failure["type"] in ("model_type", "model_attributes_type"):
                allowed += f": {', '.join(_fields_at(model, failure['loc']))}"
            problems.append(Problem(where, f"{field} is {shown(found)}", allowed, "correct it"))
    return problems


def _fields_at(model: Any, location: tuple[int | str, ...]) -> list[str]:
    inner = _inner(model, location)
    return sorted(inner.model_fields) if inner is not None else []


def _before_branch(annotation: Any, location: tuple[int | str, ...]) -> tuple[int | str, ...] | None:
    """Return the location of the union that contains a failure; None if there is none.

    Pydantic adds the name of the member to the location.
    """
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        field = annotation.model_fields.get(str(location[0])) if location else None
        inner, step = (field.annotation if field is not None else None), 1
    else:
        arguments = [argument for argument in get_args(annotation) if argument is not type(None)]
        origin = get_origin(annotation)
        if origin in (Union, UnionType) and len(arguments) > 1:
            return () if location else None
        if not arguments or origin is Literal:
            return None
        inner = arguments[1] if origin is dict else arguments[0]
        step = 1 if origin in (dict, tuple, list) else 0
    if inner is None or len(location) < step:
        return None
    union = _before_branch(inner, location[step:])
    return None if union is None else location[:step] + union


def _description(model: Any, location: tuple[int | str, ...]) -> str:
    inner = _inner(model, location[:-1])
    field = inner.model_fields.get(str(location[-1])) if inner is not None and location else None
    return (field.description or "") if field is not None else ""


def _inner(annotation: Any, location: tuple[int | str, ...]) -> type[BaseModel] | None:
    """Return the model at a location inside another model; None if there is none."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        if not location:
            return annotation
        field = annotation.model_fields.get(str(location[0]))
        return _inner(field.annotation, location[1:]) if field is not None else None
    arguments = [argument for argument in get_args(annotation) if argument is not type(None)]
    if not arguments:
        return None
    # A dict or tuple: the key or index itself takes one step of the location; a union takes none.
    origin = get_origin(annotation)
    if origin is dict:
        return _inner(arguments[1], location[1:])
    if origin in (tuple, list):
        return _inner(arguments[0], location[1:])
    return next((found for argument in arguments if (found := _inner(argument, location)) is not None), None)


def shown(value: object) -> str:
    """Return a value as text of at most 80 characters, for messages."""
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."
