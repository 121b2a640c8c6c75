"""Check the options that a campaign gives an importer, and list an importer's options."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from anechain.campaign.problems import option_problems
from anechain.errors import InputError, Problem
from anechain.importing.hooks import Options
from anechain.importing.importers import Importer

__all__ = ["describe_options", "parse_options"]


def describe_options(model: type[BaseModel]) -> Iterator[str]:
    """Yield a line for each option: name, description and default.

    The keys of an option that is a model itself follow it, one indented line each.
    """
    for name, field in model.model_fields.items():
        value = None if field.is_required() else field.get_default(call_default_factory=True)
        default = "required" if field.is_required() else f"default {value!r}"
        inner = _inner_model(field.annotation)
        if inner is not None and not field.is_required():
            default = "default none" if value is None else "default: the defaults of its keys"
        yield f"{name}: {field.description or ''} [{default}]"
        if inner is not None:
            yield from (f"    {line}" for line in describe_options(inner))


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    """Return the model of an option's own keys, also if the option may be absent; None if it has no keys."""
    candidates = (annotation, *get_args(annotation))
    return next((type_ for type_ in candidates if isinstance(type_, type) and issubclass(type_, BaseModel)), None)


def parse_options(importer: Importer, options: Mapping[str, Any], where: str, prefix: str, folder: Path) -> Options:
    """Check an importer's options against its own model.

    Parameters
    ----------
    importer : Importer
        The importer.
    options : mapping of str to object
        As the campaign states them.
    where, prefix : str
        The file and the place in it, for messages.
    folder : Path
        The campaign's folder. Paths in the options are relative to it; they are made absolute here.

    Raises
    ------
    InputError
        With every option that is wrong, and the most similar key for an unknown one.
    """
    model = importer.description.options
    path_fields = {name for name, field in model.model_fields.items() if "Path" in str(field.annotation)}
    values = dict(options)
    problems = []
    for key in sorted(path_fields & options.keys()):
        if isinstance(options[key], str):
            try:
                values[key] = (folder / options[key]).resolve()
            except (OSError, RuntimeError):  # a link to itself
                values[key] = folder.resolve() / options[key]
            if not values[key].is_relative_to(folder.resolve()):
                problems.append(
                    Problem(
                        where,
                        f"{prefix}{key} is {options[key]!r}",
                        "a path inside the campaign's folder",
                        "move the file there",
                    )
                )
            elif not values[key].is_file():
                problems.append(
                    Problem(
                        where,
                        f"{prefix}{key} is {options[key]!r}, but there is no such file",
                        "the path of a file, relative to the campaign file",
                        "correct the path, or put the file there",
                    )
                )
    try:
        parsed = model.model_validate(values)
    except ValidationError as error:
        problems.extend(option_problems(error, model, where, prefix))
    if problems:
        raise InputError(problems)
    return parsed
