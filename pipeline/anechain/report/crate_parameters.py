"""Options of the campaign as parameters of the workflow in an RO-Crate."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from anechain.report.crate_entities import add_entity

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

    from anechain.campaign.file import Campaign

__all__ = ["add_parameters"]

_TYPES = {bool: "Boolean", int: "Integer", float: "Float", str: "Text", list: "Text", type(None): "Text"}


def add_parameters(crate: ROCrate, campaign: Campaign) -> list[str]:
    """Add each option as a formal parameter with its value, and return the names of the options."""
    options, descriptions = _options(campaign)
    for name, value in options.items():
        properties: dict[str, Any] = {"multipleValues": "True"} if isinstance(value, list) else {}
        if description := descriptions.get(name):
            properties["description"] = description
        type_ = _TYPES[type(value)]
        add_entity(crate, f"#slot-{name}", "FormalParameter", name=name, additionalType=type_, **properties)
        add_entity(
            crate,
            f"#value-{name}",
            "PropertyValue",
            name=name,
            value="none" if value is None else value,
            exampleOfWork={"@id": f"#slot-{name}"},
        )
    return list(options)


def _options(campaign: Campaign) -> tuple[dict[str, Any], dict[str, str | None]]:
    """Return the values and the descriptions of all options by name, nested values as JSON."""
    options: dict[str, Any] = {
        f"derivation.{name}": value for name, value in campaign.derivation.model_dump(mode="json").items()
    }
    descriptions = {f"derivation.{name}": field.description for name, field in _fields(campaign.derivation)}
    for section, field in _fields(campaign.numbers):
        model = getattr(campaign.numbers, section)
        if isinstance(model, Mapping):
            values = {f"numbers.{section}.{key}": item.model_dump(mode="json") for key, item in model.items()}
            options |= values
            descriptions |= dict.fromkeys(values, field.description)
            continue
        options |= {f"numbers.{section}.{name}": value for name, value in model.model_dump(mode="json").items()}
        descriptions |= {f"numbers.{section}.{name}": option.description for name, option in _fields(model)}
    for device, settings in campaign.devices.items():
        stated = settings.numbers.model_dump(mode="json", exclude_defaults=True)
        prefix = f"devices.{device}.numbers"
        options |= {f"{prefix}.{name}": value for name, value in stated.items()}
        descriptions |= {f"{prefix}.{name}": field.description for name, field in _fields(settings.numbers)}
    options["figures.formats"] = list(campaign.figures.formats)
    descriptions |= {f"figures.{name}": field.description for name, field in _fields(campaign.figures)}
    options |= {f"method_versions.{id_}": version for id_, version in campaign.method_versions.items()}
    return {name: json.dumps(value) if _is_nested(value) else value for name, value in options.items()}, descriptions


def _is_nested(value: Any) -> bool:
    return isinstance(value, Mapping) or (isinstance(value, list) and any(isinstance(item, list) for item in value))


def _fields(model: Any) -> Iterable[tuple[str, Any]]:
    return list(type(model).model_fields.items())
