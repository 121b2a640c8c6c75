"""Sphinx extension: reference pages from the code itself, so that they cannot fall behind it.

Directives for MyST pages: `campaign-options`, `importer-options`, `method-list`, `contract-list`, `command-list`,
`room`
(all functions of the modules of a package) and `interface` (all names of a public module).
"""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil
import re
from collections.abc import Iterator
from types import ModuleType
from typing import Any

from docutils import nodes
from sphinx.application import Sphinx
from sphinx.domains.python import PyObject
from sphinx.util import logging
from sphinx.util.docutils import SphinxDirective

logger = logging.getLogger(__name__)


# --- Options of pydantic models -----------------------------------------------------------------------------------


def code(value: object) -> str:
    """Return a value as YAML shows it, as Markdown code."""
    return f"`{json.dumps(value, ensure_ascii=False)}`" if not isinstance(value, str) else f"`{value}`"


def escaped(text: str) -> str:
    """Return text in which Markdown sees no markup, apart from code between backticks."""
    parts = text.split("`")
    parts[::2] = [re.sub(r"([\\*_<>\[\]{}|#$~^])", r"\\\1", part) for part in parts[::2]]
    return "`".join(parts)


def resolved(schema: dict[str, Any]) -> str | None:
    """Return the name of the model that a property refers to, if it is one."""
    for part in (schema, *schema.get("anyOf", ()), schema.get("items", {}), schema.get("additionalProperties") or {}):
        if isinstance(part, dict) and "$ref" in part:
            return str(part["$ref"].rpartition("/")[2])
    return None


def limits(schema: dict[str, Any]) -> str:
    """Return the bounds of a number or of a length in words."""
    words = [
        f"{word} {schema[key]:g}"
        for key, word in (
            ("exclusiveMinimum", "above"),
            ("minimum", "at least"),
            ("exclusiveMaximum", "below"),
            ("maximum", "at most"),
        )
        if key in schema
    ]
    return f" {', '.join(words)}" if words else ""


def kind(schema: dict[str, Any]) -> str:
    """Return in words what a value has to be."""
    if "$ref" in schema:
        return "keys, see below"
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(kind(part) for part in schema["anyOf"]))
    if "const" in schema:
        return code(schema["const"])
    if "enum" in schema:
        return " or ".join(code(value) for value in schema["enum"])
    match schema.get("type"):
        case "array" if "prefixItems" in schema:
            parts = list(dict.fromkeys(kind(part) for part in schema["prefixItems"]))
            count = len(schema["prefixItems"])
            return f"{count} of: {' or '.join(parts)}" if len(parts) == 1 else f"{count}: {', '.join(parts)}"
        case "array":
            inner = schema.get("items", {})
            return f"list of {kind(inner)}" if inner else "list"
        case "object":
            inner = schema.get("additionalProperties")
            return f"names with {kind(inner)}" if isinstance(inner, dict) and inner else "keys"
        case "string":
            return "path" if schema.get("format") == "path" else "text"
        case "integer":
            return f"whole number{limits(schema)}"
        case "number":
            return f"number{limits(schema)}"
        case "boolean":
            return "`true` or `false`"
        case "null":
            return "`null`"
    return "any value"


def default_text(schema: dict[str, Any], required: bool, inner: bool) -> str:
    """Return the default of an option in words."""
    if required:
        return "**required**"
    if "default" not in schema:
        return "default: none"
    if inner and isinstance(schema["default"], dict):
        return "default: the defaults of its keys"
    if schema["default"] == "":
        return "default: empty"
    return f"default: {code(schema['default'])}"


def options_of(definition: dict[str, Any]) -> Iterator[str]:
    """Yield Markdown for the keys of one model."""
    required = definition.get("required", ())
    for name, schema in definition.get("properties", {}).items():
        inner = resolved(schema) is not None
        what = kind(schema).replace("keys, see below or `null`", "keys, see below, or `null`")
        yield f"`{name}`"
        about = escaped(schema.get("description", "")).rstrip(".")
        yield f": {about[:1].upper()}{about[1:]}."
        yield ""
        yield f"  {what}; {default_text(schema, name in required, inner)}"
        yield ""


def model_markdown(schema: dict[str, Any], level: int, label: str) -> Iterator[str]:
    """Yield Markdown for a model and all models in it, each once, under the keys that lead to it."""
    definitions = schema.get("$defs", {})
    queue: list[tuple[str, str]] = []
    places: dict[str, list[str]] = {}

    def collect(path: str, definition: dict[str, Any]) -> None:
        for name, inner in definition.get("properties", {}).items():
            model = resolved(inner)
            if model is None:
                continue
            by_name = isinstance(inner.get("additionalProperties"), dict)
            place = f"{path}{name}" + (".NAME" if by_name else "")
            places.setdefault(model, []).append(place)
            if len(places[model]) == 1:
                queue.append((place, model))

    yield from options_of(schema)
    collect("", schema)
    done = 0
    while done < len(queue):
        place, model = queue[done]
        collect(f"{place}.", definitions[model])
        done += 1
    for place, model in queue:
        yield f"{'#' * level} `{place}`" if not label else f"{'#' * level} {label}: `{place}`"
        yield ""
        if about := definitions[model].get("description", ""):
            yield f"{escaped(about)}"
            yield ""
        if others := places[model][1:]:
            yield f"The same keys: {', '.join(f'`{other}`' for other in others)}."
            yield ""
        yield from options_of(definitions[model])


# --- Directives ---------------------------------------------------------------------------------------------------


class Generated(SphinxDirective):
    """Base: parse generated Markdown in the place of the directive."""

    has_content = False
    optional_arguments = 1

    def lines(self) -> Iterator[str]:
        """Yield the Markdown."""
        raise NotImplementedError

    def run(self) -> list[nodes.Node]:
        """Parse the generated text."""
        return self.parse_text_to_nodes("\n".join(self.lines()), allow_section_headings=True)


class CampaignOptions(Generated):
    """All keys of the campaign file."""

    def lines(self) -> Iterator[str]:
        """Yield the keys from the JSON Schema that editors get."""
        from anechain.campaign.file import json_schema

        # MyST drops what stands before the first heading of nested text.
        yield from ("### Top level", "")
        yield from model_markdown(json_schema(), 3, "")


class ImporterOptions(Generated):
    """All importers that come with the project, and their options."""

    def lines(self) -> Iterator[str]:
        """Yield a section for each importer."""
        from anechain.importing.importers import find_importers

        usable, _ = find_importers()
        for name, importer in usable.items():
            if not importer.origin.startswith("anechain "):
                continue
            description = importer.description
            yield f"## {name}"
            yield ""
            yield f"{escaped(description.title)}, version {description.version}. Reads {escaped(description.reads)}."
            yield ""
            yield f"Sources: {', '.join(f'`{source}`' for source in description.sources)}."
            yield ""
            if description.methods:
                yield f"Methods: {', '.join(f'`{id_}`' for id_ in description.methods)}."
                yield ""
            yield from model_markdown(description.options.model_json_schema(), 3, name)


class MethodList(Generated):
    """All registered methods."""

    def lines(self) -> Iterator[str]:
        """Yield a section for each version of each method."""
        from anechain.methods import methods

        for id_, known in methods().items():
            for version, method in sorted(known.items(), reverse=True):
                yield f"## {id_} {version}"
                yield ""
                yield f"{escaped(method.title)}."
                yield ""
                entries = {
                    "Formula": escaped(method.formula),
                    "Parameters": ", ".join(f"`{name}` = {escaped(text)}" for name, text in method.parameters.items()),
                    "Source": f"{escaped(method.source)} (**{method.source_status}**)",
                    "Limitations": escaped(method.limitations),
                    "Code": f"`{method.function.__module__}.{method.function.__qualname__}`",
                }
                for title, text in entries.items():
                    if text:
                        yield from (title, f": {text}", "")


class ContractList(Generated):
    """Data contracts: what each dataset holds."""

    def lines(self) -> Iterator[str]:
        """Yield a section for each contract."""
        from ruamel.yaml import YAML

        import anechain_schemas

        for name in anechain_schemas.available():
            contract = YAML(typ="safe", pure=True).load(anechain_schemas.text(f"{name}.yaml"))
            yield f"## {contract['contract']}, version {contract['version']}"
            yield ""
            yield escaped(str(contract["about"]))
            yield ""
            yield "| name | dimensions | unit | what it is |"
            yield "|---|---|---|---|"
            for part in ("coordinates", "variables"):
                for variable, field in contract.get(part, {}).items():
                    dims = ", ".join(field.get("dims", [variable]))
                    unit = {"1": "", None: ""}.get(field.get("unit"), field.get("unit"))
                    notes = [escaped(str(field["about"])).replace("\n", " ")]
                    if field.get("required") is False:
                        notes.append("optional")
                    if field.get("missing"):
                        notes.append("values may be missing")
                    yield f"| `{variable}` | {dims} | {escaped(str(unit))} | {'; '.join(notes)} |"
            yield ""
            attributes = ", ".join(f"`{attribute}`" for attribute in contract.get("attributes", {}))
            yield f"Attributes: {attributes}."
            yield ""
            if rules := contract.get("rules"):
                yield f"Rules: {'; '.join(escaped(str(rule)) for rule in rules)}."
                yield ""


class CommandList(Generated):
    """Help of every command."""

    def lines(self) -> Iterator[str]:
        """Yield a section for each command, with its help as the terminal shows it."""
        import click

        from anechain.cli import commands

        root = click.Context(commands, info_name="anechain")
        for name in commands.list_commands(root):
            command = commands.get_command(root, name)
            if command is None or command.hidden:
                continue
            text = command.get_help(click.Context(command, info_name=name, parent=root))
            yield from (f"## {name}", "", "```text", text, "```", "")


def modules_of(package: str) -> Iterator[ModuleType]:
    """Yield the modules of a package, or the module itself if it is none."""
    root = importlib.import_module(package)
    if not hasattr(root, "__path__"):
        yield root
        return
    for module in pkgutil.iter_modules(root.__path__, f"{package}."):
        yield importlib.import_module(module.name)


class Room(SphinxDirective):
    """All public functions and classes of the modules of a package."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """Let autodoc document each module."""
        lines = []
        for module in modules_of(self.arguments[0]):
            name = module.__name__
            title = name.removeprefix(f"{self.arguments[0]}.")
            lines += [f"## {title}", "", "```{eval-rst}", f".. automodule:: {name}", ""]
            for member in public_members(module):
                role = "autoclass" if inspect.isclass(getattr(module, member)) else "autofunction"
                lines += [f".. {role}:: {name}.{member}", ""]
            lines += ["```", ""]
        return self.parse_text_to_nodes("\n".join(lines), allow_section_headings=True)


class Interface(SphinxDirective):
    """All names that a public module hands on: classes with their methods, functions, and values."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """Let autodoc document each name under the public module."""
        module = importlib.import_module(self.arguments[0])
        lines = [f"## {module.__name__}", "", "```{eval-rst}", f".. automodule:: {module.__name__}", ""]
        values = []
        for name in module.__all__:
            member = getattr(module, name)
            if inspect.isclass(member):
                methods = [
                    method
                    for method, function in vars(member).items()
                    if inspect.isroutine(getattr(member, method))
                    and not method.startswith(("_", "test_"))
                    and inspect.getdoc(function)
                ]
                lines += [f".. autoclass:: {module.__name__}.{name}"]
                lines += [f"   :members: {', '.join(methods)}"] if methods else []
                lines += [""]
            elif inspect.isfunction(member):
                lines += [f".. autofunction:: {module.__name__}.{name}", ""]
            else:
                values.append(f"`{name}` = {member:g}" if isinstance(member, float) else f"`{name}`")
        lines += ["```", ""]
        if values:
            lines += [f"Also: {', '.join(values)}.", ""]
        return self.parse_text_to_nodes("\n".join(lines), allow_section_headings=True)


def public_members(module: ModuleType) -> list[str]:
    """Return names of the documented public functions and classes of a module, in the order of its text."""
    names = getattr(module, "__all__", None) or [name for name in vars(module) if not name.startswith("_")]
    members = [
        name
        for name in names
        if (inspect.isfunction(getattr(module, name, None)) or inspect.isclass(getattr(module, name, None)))
        and getattr(module, name).__module__ == module.__name__
        and inspect.getdoc(getattr(module, name))
    ]
    return sorted(members, key=lambda name: inspect.getsourcelines(inspect.unwrap(getattr(module, name)))[1])


# --- Names that docstrings refer to -------------------------------------------------------------------------------


def exists(name: str) -> bool:
    """Return whether a dotted name is a module of the project or something in one."""
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            found: Any = importlib.import_module(".".join(parts[:cut]))
        except ImportError:
            continue
        for part in parts[cut:]:
            # Fields of a dataclass without a default are known by their annotation only.
            if not hasattr(found, part) and part not in getattr(found, "__annotations__", {}):
                return False
            found = getattr(found, part, None)
        return True
    return False


def missing_reference(app: Sphinx, env: Any, node: nodes.Element, content: nodes.Node) -> nodes.Node | None:
    """Accept a reference to a name of the project that no page documents; warn if there is no such name."""
    if node.get("refdomain") != "py":
        return None
    target = str(node["reftarget"])
    names = [target, *(f"{node.get(key)}.{target}" for key in ("py:module", "py:class") if node.get(key))]
    if any(exists(name) for name in names if name.startswith("anechain")):
        return content
    if target.startswith("anechain"):
        logger.warning("no such name: %s", target, location=node)
    return None


def escape_bars(app: Sphinx, what: str, name: str, obj: Any, options: Any, lines: list[str]) -> None:
    """Escape vertical bars outside code: docstrings mean a magnitude, reStructuredText a substitution."""
    for row, line in enumerate(lines):
        parts = line.split("`")
        parts[::2] = [part.replace("|", r"\|") for part in parts[::2]]
        lines[row] = "`".join(parts)


def split_names(app: Sphinx, what: str, name: str, obj: Any, options: Any, lines: list[str]) -> None:
    """Give each attribute of "a, b : float" an entry of its own; Sphinx would read the first name as a type."""
    joined = re.compile(r":(ivar|vartype) (\w+(?:, \w+)+):(.*)")
    split: list[str] = []
    row = 0
    while row < len(lines):
        match = joined.match(lines[row])
        rest = [lines[row]]
        row += 1
        while match and row < len(lines) and lines[row].startswith("  "):
            rest.append(lines[row])
            row += 1
        for attribute in match[2].split(", ") if match else ("",):
            split += [f":{match[1]} {attribute}:{match[3]}", *rest[1:]] if match else rest
    lines[:] = split


def setup(app: Sphinx) -> dict[str, Any]:
    """Register the directives."""
    app.add_directive("campaign-options", CampaignOptions)
    app.add_directive("importer-options", ImporterOptions)
    app.add_directive("method-list", MethodList)
    app.add_directive("contract-list", ContractList)
    app.add_directive("command-list", CommandList)
    app.add_directive("room", Room)
    app.add_directive("interface", Interface)
    app.connect("missing-reference", missing_reference)
    app.connect("autodoc-process-docstring", escape_bars)
    app.connect("autodoc-process-docstring", split_names)
    for field in PyObject.doc_field_types:
        if field.name == "variable":
            field.label = "Attributes"
    return {"parallel_read_safe": True, "parallel_write_safe": True}
