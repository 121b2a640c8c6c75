"""Read and check a campaign file, and report all problems at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from anechain.campaign.file import Campaign
from anechain.campaign.problems import option_problems, shown
from anechain.errors import InputError, Problem
from anechain.regular_files import require_regular_file

if TYPE_CHECKING:
    from ruamel.yaml import YAML

__all__ = ["load_campaign"]

_RESERVED = {"comparison", "figures", "report", "manifests", "con", "prn", "aux", "nul", "workflow"}
_IDENTIFIER = re.compile(r"[a-z0-9](?:[a-z0-9_-]{0,62}[a-z0-9])?")
_MAX_BYTES = 8_000_000
_MAX_VALUES = 300_000
"""Largest number of values with all aliases expanded; ten thousand devices need about two thirds of it."""


def load_campaign(path: Path) -> Campaign:
    """Read and check a campaign file.

    Parameters
    ----------
    path : Path
        The YAML file (YAML 1.2, in which "no" is a text, and a repeated key is refused).

    Raises
    ------
    InputError
        With all problems.
    """
    from ruamel.yaml.error import YAMLError

    try:
        if path.stat().st_size > _MAX_BYTES:
            raise InputError.single(
                path, f"has {path.stat().st_size} bytes", f"at most {_MAX_BYTES}", "split it into several campaigns"
            )
        require_regular_file(path)
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError.single(path, "there is no such file", fix="give the path of a campaign file") from None
    except IsADirectoryError:
        raise InputError.single(path, "is a folder", "a campaign file", f"give {path / 'campaign.yaml'}") from None
    except UnicodeDecodeError as error:
        raise InputError.single(
            path, f"byte {error.start} is not UTF-8", "a text file in UTF-8", "save it again in UTF-8"
        ) from None
    except OSError as error:
        raise InputError.single(
            path, f"cannot be read: {error.strerror}", "a campaign file", "check the path and its permissions"
        ) from None
    try:
        # A few lines of nested aliases can expand to billions of values, so they are counted first.
        if "&" in text and _values(_yaml().compose(text), {}) > _MAX_VALUES:
            raise InputError.single(
                path,
                f"expands to more than {_MAX_VALUES} values, because aliases contain aliases",
                "aliases that contain a few values each",
                "write the values out",
            )
        content = _with_text_keys(_yaml().load(text))
    except YAMLError as error:
        raise InputError.single(path, _yaml_message(error), "YAML", "correct this line") from None
    except RecursionError:
        raise InputError.single(
            path, "is nested too deeply", "a campaign: title, devices, ...", "start from the demo's campaign"
        ) from None
    except _ContainsItselfError as error:
        raise InputError.single(
            path, f"line {error}: a value contains itself", "aliases that refer to other values", "write the values out"
        ) from None
    if not isinstance(content, dict):
        raise InputError.single(
            path, "has no keys", "a campaign: title, devices, ...", "start from the demo's campaign"
        )
    problems = [
        Problem(
            str(path),
            f"devices: {shown(identifier)} is not safe as a folder name",
            "lower-case letters, digits, - and _, starting and ending with a letter or digit, at most 64; "
            f"none of {', '.join(sorted(_RESERVED))}",
            "rename it; title is the name in print",
        )
        for identifier in _keys(content.get("devices"))
        if not _safe(identifier)
    ]
    problems.extend(_setup_problems(content.get("devices"), str(path)))
    try:
        campaign = Campaign.model_validate(content)
    except ValidationError as error:
        raise InputError([*problems, *option_problems(error, Campaign, str(path))]) from None
    if problems:
        raise InputError(problems)
    return campaign


def _yaml() -> YAML:
    """Return a reader of YAML 1.2 in which dates stay text, as they were written."""
    from ruamel.yaml import YAML
    from ruamel.yaml.constructor import ConstructorError, SafeConstructor

    class Constructor(SafeConstructor):
        pass

    def guarded(construct: Callable[[SafeConstructor, Any], Any]) -> Callable[[SafeConstructor, Any], Any]:
        def constructed(constructor: SafeConstructor, node: Any) -> Any:
            try:
                return construct(constructor, node)
            except (ValueError, KeyError, OverflowError):
                kind = str(node.tag).rpartition(":")[2]
                problem = f"{str(node.value)[:40]!r} cannot be read as {kind}"
                raise ConstructorError(problem=problem, problem_mark=node.start_mark) from None

        return constructed

    def as_written(_: SafeConstructor, node: Any) -> str:
        return str(node.value)

    for kind in ("int", "float", "bool"):
        construct = getattr(SafeConstructor, f"construct_yaml_{kind}")
        Constructor.add_constructor(f"tag:yaml.org,2002:{kind}", guarded(construct))
    Constructor.add_constructor("tag:yaml.org,2002:timestamp", as_written)
    yaml = YAML(typ="safe", pure=True)
    yaml.Constructor = Constructor
    return yaml


def _with_text_keys(value: Any) -> Any:
    """Return a value whose keys that are whole numbers are texts, as a person means them: a device or a drive 1."""
    if isinstance(value, dict):
        return {
            str(key) if isinstance(key, int) and not isinstance(key, bool) else key: _with_text_keys(inner)
            for key, inner in value.items()
        }
    return [_with_text_keys(inner) for inner in value] if isinstance(value, list) else value


class _ContainsItselfError(Exception):
    """An alias is inside the value that it refers to; the message is its line."""


def _values(node: Any, counted: dict[int, int]) -> int:
    """Return the number of values of a YAML node with all aliases expanded."""
    known = counted.get(id(node))
    if known == 0:  # it is being counted, so it contains this node
        raise _ContainsItselfError(str(node.start_mark.line + 1))
    if known is None:
        counted[id(node)] = 0
        inner = node.value if isinstance(getattr(node, "value", None), list) else []
        known = 1 + sum(
            _values(child, counted) for entry in inner for child in (entry if isinstance(entry, tuple) else (entry,))
        )
        counted[id(node)] = known
    return known


def _keys(devices: object) -> list[str]:
    """Return the ids that are text; the model reports the others."""
    return [identifier for identifier in devices if isinstance(identifier, str)] if isinstance(devices, dict) else []


def _safe(identifier: str) -> bool:
    return bool(_IDENTIFIER.fullmatch(identifier)) and identifier not in _RESERVED


def _setup_problems(devices: object, where: str) -> Iterator[Problem]:
    """Yield contradictions within setups, from the raw content, so that they are reported with all other problems."""
    for identifier, device in devices.items() if isinstance(devices, dict) else ():
        setup = device.get("setup") if isinstance(device, dict) else None
        if not isinstance(setup, dict):
            continue
        match setup.get("valid_band"):
            case [int() | float() as low, int() | float() as high] if low >= high:
                yield Problem(
                    where,
                    f"devices.{identifier}.setup.valid_band is {low:g} to {high:g} Hz",
                    "a rising band",
                    "state the lower end first, then the upper end",
                )
        if setup.get("level_kind") == "spl":
            for name, unit in (("distance", "metres"), ("drive", "volts r.m.s.")):
                if setup.get(name) is None:
                    yield Problem(
                        where,
                        f"devices.{identifier}.setup.{name} is absent, but level_kind is spl",
                        f"{name} in {unit}",
                        "state it, since an absolute level is not defined without it; or set level_kind: relative",
                    )


def _yaml_message(error: Exception) -> str:
    mark = getattr(error, "problem_mark", None)
    line = f"line {mark.line + 1}: " if mark is not None else ""
    return f"{line}{getattr(error, 'problem', None) or str(error).splitlines()[0]}"
