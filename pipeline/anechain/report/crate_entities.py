"""Entities of an RO-Crate about the campaign: authors, licence, devices, files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from anechain.report.crate_content import CrateFile
from anechain.report.crate_document import media_type

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

    from anechain.campaign.file import Campaign

__all__ = ["add_authors", "add_device", "add_entity", "add_licence", "file_properties"]

_UNITS = {
    "distance": "m",
    "drive": "V",
    "temperature": "°C",
    "pressure": "kPa",
    "humidity": "%",
    "valid_low": "Hz",
    "valid_high": "Hz",
}


def add_entity(crate: ROCrate, id_: str, type_: str | list[str], **properties: Any) -> Any:
    """Add a contextual entity to the crate and return it."""
    from rocrate.model import ContextEntity

    return crate.add(ContextEntity(crate, id_, {"@type": type_, **properties}))


def add_authors(crate: ROCrate, campaign: Campaign) -> list[Any]:
    """Add the people of the campaign, by ORCID where it is stated."""
    from rocrate.model import Person

    authors = []
    for number, person in enumerate(campaign.people, 1):
        id_ = f"https://orcid.org/{person.orcid}" if person.orcid else f"#person-{number}"
        role = {"description": person.role} if person.role else {}
        authors.append(crate.add(Person(crate, id_, {"name": person.name, **role})))
    return authors


def add_licence(crate: ROCrate, licence: str | None) -> Any:
    """Add the licence by its SPDX identifier; return its text if the SPDX list has no page for it."""
    if licence is None:
        return "No licence is stated: ask the authors before you use this"
    # An expression such as "MIT OR CC0-1.0" and a custom licence have no page in the list.
    if not all(sign.isalnum() or sign in "-." for sign in licence) or licence.startswith("LicenseRef-"):
        return licence
    return add_entity(crate, f"https://spdx.org/licenses/{licence}", "CreativeWork", name=licence, identifier=licence)


def add_device(crate: ROCrate, device: str, campaign: Campaign, setup: Mapping[str, Any]) -> None:
    """Add a device with the attributes of its measurement."""
    settings = campaign.devices[device]
    properties = []
    for name, value in setup.items():
        unit = {"unitText": _UNITS[name]} if name in _UNITS else {}
        id_ = f"#device-{device}-{name}"
        properties.append(add_entity(crate, id_, "PropertyValue", name=name, value=value, **unit))
    entity = add_entity(
        crate, f"#device-{device}", "IndividualProduct", name=settings.title, additionalProperty=properties
    )
    if description := ". ".join(text for text in (settings.kind, settings.about) if text):
        entity["description"] = description


def file_properties(file: CrateFile) -> dict[str, Any]:
    """Return the properties of a file's entity."""
    properties: dict[str, Any] = {
        "name": file.path,
        "sha256": file.sha256,
        "contentSize": str(file.size),
        "encodingFormat": media_type(file.path),
        "exampleOfWork": {"@id": f"#slot-{file.slot}"},
    }
    if file.devices:
        properties["about"] = [{"@id": f"#device-{device}"} for device in file.devices]
    if file.derived_from:
        properties["wasDerivedFrom"] = [{"@id": id_} for id_ in file.derived_from]
    return properties
