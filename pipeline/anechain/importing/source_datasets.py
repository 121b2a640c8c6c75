"""The datasets of a device from its raw files: validated, with levels at the reference distance and drive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.acoustics.curve.levels import REFERENCE_DISTANCE, REFERENCE_DRIVE, referred_level_step
from anechain.campaign.file import Setup
from anechain.data import contract
from anechain.data.checks import Check, Limits, report_line, with_limits
from anechain.errors import InputError, Problem
from anechain.importing.declared_symmetry import with_declared_symmetry
from anechain.importing.hooks import Options
from anechain.importing.importers import Importer
from anechain.importing.read import read
from anechain.importing.response_checks import check_responses
from anechain.registry.sources import COMPANIONS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Source", "read_sources"]

_LEVELS = ("level", "noise", "tones", "between", "tone_level")
"""Variables of harmonics, takes and multitones that are sound pressure levels."""
_ATTRIBUTE_NAMES = {"licence": "source_licence", "origin": "source_origin", "source_convention": "source_convention"}
"""Attributes of a reading by their names in the dataset, where these differ or only readings have them."""


@dataclass(frozen=True)
class Source:
    """Raw files of one kind, with their importer, its options, and the setup that the campaign states for them."""

    name: str
    paths: list[Path]
    importer: Importer
    options: Options
    setup: Setup | None


def read_sources(
    sources: Sequence[Source],
    setup: Setup,
    device: str,
    title: str,
    checks: list[Check] | None = None,
    limits: Mapping[str, Limits] | None = None,
) -> dict[str, xr.Dataset]:
    """Read the files of a device and return validated datasets, with levels at the reference distance and drive.

    Parameters
    ----------
    sources : sequence of Source
        Responses first, if there are any.
    setup : Setup
        Setup of the whole device, from the campaign.
    device, title : str
        Its id and its name in print.
    checks : list of Check, optional
        The checks of the importers and of the responses are added to it.
    limits : dict of str to (float or None, float or None), optional
        Limits of the campaign by kind of check.

    Returns
    -------
    dict of str to xarray.Dataset
        By their contracts.

    Raises
    ------
    InputError
        With all problems, if a file cannot be read or a dataset does not satisfy its contract.
    """
    datasets: dict[str, xr.Dataset] = {}
    problems: list[Problem] = []
    all_checks: list[Check] = []
    for source in sources:
        try:
            datasets |= _read_source(source, datasets, setup, {"device": device, "title": title}, all_checks)
        except InputError as input_error:
            problems.extend(input_error.problems)
    if "responses" in datasets:
        others = [name for name in COMPANIONS if name in datasets]
        datasets["responses"].attrs["datasets"] = " ".join(others) or "none"
    for name, dataset in datasets.items():
        try:
            contract.validate(dataset, name, device)
        except InputError as input_error:
            problems.extend(input_error.problems)
    if problems:
        raise InputError(problems)
    if "responses" in datasets:
        joined = _joined(setup, sources[0].setup)
        symmetry = joined.symmetry
        all_checks += check_responses(datasets["responses"], symmetry, joined.stronger_side)
        all_checks = [with_limits(check, limits or {}) for check in all_checks]
        report: list[str] = []
        # After the checks, which are of measured directions.
        datasets["responses"] = with_declared_symmetry(datasets["responses"], symmetry, report)
        attributes = datasets["responses"].attrs
        lines = [attributes["import_report"], *report, *map(report_line, all_checks)]
        attributes["import_report"] = "\n".join(lines).strip("\n")
        contract.validate(datasets["responses"], "responses", device)
    if checks is not None:
        checks += all_checks
    return datasets


def _read_source(
    source: Source, before: Mapping[str, xr.Dataset], setup: Setup, ids: Mapping[str, str], checks: list[Check]
) -> dict[str, xr.Dataset]:
    """Return the datasets of one source, not validated yet, and add the importer's checks to `checks`.

    `before` has the datasets of the sources before it.
    """
    device = ids["device"]
    reading = read(source.importer, source.paths, source.options, device)
    # Takes on the axis come with the responses or, if these have another source, with the harmonics.
    companions = {"responses": COMPANIONS, "harmonics": ("takes",)}
    names = (source.name, *companions.get(source.name, ()))
    datasets = {name: data for name in names if (data := getattr(reading, name, None)) is not None}
    if source.name not in datasets:
        fix = "check these files"
        raise InputError.single(device, f"importer {source.importer.name} found no {source.name}", fix=fix)
    if twice := sorted(datasets.keys() & before.keys()):
        raise InputError.single(
            f"devices.{device}.{source.name}",
            f"the files of the responses also contain {' and '.join(twice)}",
            "one source of each",
            f"remove {source.name}, or do not request it in the options of the responses",
        )
    # The setup of the device describes acoustic measurements; an impedance has another drive.
    own = _joined(Setup() if source.name == "impedance" else setup, source.setup)
    checks += [replace(check, source=source.name) for check in reading.checks]
    return _referred(datasets, source, own, list(reading.report), ids)


def _joined(setup: Setup, own: Setup | None) -> Setup:
    """Return the setup of a device, replaced by that of a source where it has one."""
    if own is None:
        return setup
    return setup.model_copy(update=own.model_dump(exclude_unset=True, exclude_none=True))


def _referred(
    datasets: Mapping[str, xr.Dataset], source: Source, setup: Setup, report: list[str], ids: Mapping[str, str]
) -> dict[str, xr.Dataset]:
    """Return the datasets with levels at the reference distance and drive, and with their attributes."""
    attributes = _attributes(source, datasets[source.name].attrs, setup, report, ids["device"])
    attributes |= ids
    step, distance_step = _level_steps(attributes, source.name, report)
    # Harmonics, takes and multitones keep the drives at which they were measured; only the distance changes.
    steps = {"responses": {"level": step}, "sphere": {"level": step}, "axis": {"level": step}, "impedance": {}}
    finished = {}
    for name, data in datasets.items():
        changes = steps.get(name, {variable: distance_step for variable in _LEVELS if variable in data})
        finished[name] = _with_steps(data, name, attributes | _own_limits(data, attributes), report, changes)
        if name != "responses":
            known = contract.load(name).attributes
            finished[name].attrs = {key: value for key, value in finished[name].attrs.items() if key in known}
    return finished


def _own_limits(data: xr.Dataset, attributes: Mapping[str, Any]) -> dict[str, Any]:
    """Return the limits that a dataset has beside those of its source: a narrower valid band, bands of its orders."""
    own: dict[str, Any] = {name: data.attrs[name] for name in ("band_reasons",) if name in data.attrs}
    for name, narrower in (("valid_low", max), ("valid_high", min)):
        if name in data.attrs:
            own[name] = narrower(data.attrs[name], attributes.get(name, data.attrs[name]))
    return own


def _attributes(
    source: Source, read_attributes: dict[str, Any], setup: Setup, report: list[str], device: str
) -> dict[str, Any]:
    """Return the attributes of raw files and campaign; the campaign has priority, and the report states differences."""
    importer = source.importer
    kept = (*_ATTRIBUTE_NAMES, "level_kind", "distance", "drive", "valid_low", "valid_high", "copied_takes")
    attributes: dict[str, Any] = {
        _ATTRIBUTE_NAMES.get(name, name): value for name, value in read_attributes.items() if name in kept
    }
    if attributes.get("level_kind") == "relative" and setup.level_kind == "spl":
        raise InputError.single(
            f"devices.{device}.setup.level_kind",
            f"spl, but importer {importer.name} reads these files as relative levels",
            "spl only where the raw values are sound pressures",
            "if they are, state it in the importer's options (see `anechain importers`)",
        )
    stated = setup.model_dump(exclude_none=True, exclude={"valid_band", "symmetry", "stronger_side"})
    for name, value in stated.items():
        if name in attributes and attributes[name] != value:
            report.append(f"{name}: {value} in the campaign, {attributes[name]} in the raw files; the campaign is used")
    attributes |= stated
    if "level_kind" not in attributes and source.name != "impedance":
        attributes["level_kind"] = "relative"
        report.append("level taken as relative: neither raw files nor campaign state its reference")
    if setup.valid_band:
        low, high = setup.valid_band
        # A limit in the files, such as that of a time window, cannot be widened by the campaign.
        valid = max(low, attributes.get("valid_low", low)), min(high, attributes.get("valid_high", high))
        if valid != (low, high):
            report.append(
                f"valid band: {low:g} to {high:g} Hz in the campaign; the raw files limit it to {valid[0]:g} to "
                f"{valid[1]:g} Hz"
            )
        attributes["valid_low"], attributes["valid_high"] = valid
    attributes["importer"], attributes["importer_version"] = importer.name, importer.description.version
    return attributes


def _level_steps(attributes: dict[str, Any], source_name: str, report: list[str]) -> tuple[float, float]:
    """Return the steps in dB to the reference distance and drive, and to the reference distance alone.

    Adds the measured and the reference values to `attributes`, and a line to `report`.
    """
    if attributes.get("level_kind") != "spl" or "distance" not in attributes:
        return 0.0, 0.0
    distance = float(attributes["distance"])
    distance_step = referred_level_step(distance, REFERENCE_DRIVE)
    if source_name != "responses":
        attributes["measured_distance"], attributes["distance"] = distance, REFERENCE_DISTANCE
        if distance_step:
            report.append(
                f"level referred from {distance:g} m to {REFERENCE_DISTANCE:g} m: {distance_step:+.2f} dB "
                "(inverse distance law)"
            )
        return 0.0, distance_step
    if "drive" not in attributes:
        return 0.0, 0.0
    drive = float(attributes["drive"])
    step = referred_level_step(distance, drive)
    attributes["measured_distance"], attributes["measured_drive"] = distance, drive
    attributes["distance"], attributes["drive"] = REFERENCE_DISTANCE, REFERENCE_DRIVE
    if step:
        report.append(
            f"level referred from {distance:g} m and {drive:g} V to {REFERENCE_DISTANCE:g} m and "
            f"{REFERENCE_DRIVE:g} V: {step:+.2f} dB (inverse distance law, linear device)"
        )
    return step, distance_step


def _with_steps(
    dataset: xr.Dataset, name: str, attributes: dict[str, Any], report: list[str], steps: dict[str, float]
) -> xr.Dataset:
    finished = dataset.assign({variable: dataset[variable] + step for variable, step in steps.items()})
    finished.attrs = {**attributes, "import_report": "\n".join(report)}
    return contract.describe(finished, name)
