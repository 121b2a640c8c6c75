"""Read and check a campaign file: YAML to the model, with every problem at once."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from anechain.campaign.file import Campaign
from anechain.campaign.problems import option_problems, shown
from anechain.errors import InputError, Problem

__all__ = ["load_campaign"]

_RESERVED = {"comparison", "figures", "report", "manifests", "con", "prn", "aux", "nul", "workflow"}
_IDENTIFIER = re.compile(r"[a-z0-9](?:[a-z0-9_-]{0,62}[a-z0-9])?")
_MAX_BYTES = 8_000_000
_MAX_VALUES = 300_000
"""Values of a campaign with every alias expanded; ten thousand devices need about two thirds of it."""


def load_campaign(path: Path) -> Campaign:
    """Read and check a campaign file.

    Parameters
    ----------
    path : Path
        The YAML file (YAML 1.2, so that "no" is a word and a key given twice is refused).

    Raises
    ------
    InputError
        With everything that is wrong.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        if path.stat().st_size > _MAX_BYTES:
            raise InputError.single(
                path, f"has {path.stat().st_size} bytes", f"at most {_MAX_BYTES}", "make several campaigns of it"
            )
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
            path, f"cannot be read: {error.strerror}", "a campaign file", "check the path and its rights"
        ) from None
    try:
        # A few lines of aliases of aliases can stand for billions of values: count before anything is built.
        if "&" in text and _values(YAML(typ="safe", pure=True).compose(text), {}) > _MAX_VALUES:
            raise InputError.single(
                path,
                f"stands for more than {_MAX_VALUES} values, since aliases name aliases",
                "aliases that name a few values each",
                "write the values out",
            )
        content = YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        raise InputError.single(path, _yaml_message(error), "YAML", "correct the line named") from None
    except RecursionError:
        raise InputError.single(
            path, "is nested too deep", "a campaign: title, devices, ...", "start from the demo's campaign"
        ) from None
    except _HoldsItselfError as error:
        raise InputError.single(
            path, f"line {error}: a value holds itself", "aliases that name other values", "write the values out"
        ) from None
    if not isinstance(content, dict):
        raise InputError.single(
            path, "holds no keys", "a campaign: title, devices, ...", "start from the demo's campaign"
        )
    problems = [
        Problem(
            str(path),
            f"devices: {shown(identifier)} is not safe as a folder name",
            "lower-case letters, digits, - and _, starting and ending with a letter or digit, at most 64; "
            f"none of {', '.join(sorted(_RESERVED))}",
            "rename it; the name in print goes into title",
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


class _HoldsItselfError(Exception):
    """An alias stands inside the value it names; the message is its line."""


def _values(node: Any, counted: dict[int, int]) -> int:
    """How many values a YAML node stands for when every alias is replaced by what it names."""
    known = counted.get(id(node))
    if known == 0:  # it is being counted, so we are inside it
        raise _HoldsItselfError(str(node.start_mark.line + 1))
    if known is None:
        counted[id(node)] = 0
        inner = node.value if isinstance(getattr(node, "value", None), list) else []
        known = 1 + sum(
            _values(one, counted) for entry in inner for one in (entry if isinstance(entry, tuple) else (entry,))
        )
        counted[id(node)] = known
    return known


def _keys(devices: object) -> list[str]:
    """Ids that are text; what is wrong with the others, the model says."""
    return [identifier for identifier in devices if isinstance(identifier, str)] if isinstance(devices, dict) else []


def _safe(identifier: str) -> bool:
    return bool(_IDENTIFIER.fullmatch(identifier)) and identifier not in _RESERVED


def _setup_problems(devices: object, where: str) -> Iterator[Problem]:
    """Say what does not fit together within a setup; asked of the raw content, so that it is said with all the rest."""
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
                    "give the lower end first, then the upper one",
                )
        if setup.get("level_kind") == "spl":
            for name, unit in (("distance", "metres"), ("drive", "volts r.m.s.")):
                if setup.get(name) is None:
                    yield Problem(
                        where,
                        f"devices.{identifier}.setup.{name} is absent, but level_kind is spl",
                        f"{name} in {unit}",
                        "state it: an absolute level means nothing without it; or set level_kind: relative",
                    )


def _yaml_message(error: Exception) -> str:
    mark = getattr(error, "problem_mark", None)
    line = f"line {mark.line + 1}: " if mark is not None else ""
    return f"{line}{getattr(error, 'problem', None) or str(error).splitlines()[0]}"
