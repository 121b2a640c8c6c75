"""Stage report: one page with all results of the campaign."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain import __version__
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.campaign.file import Device
from anechain.cautions import LEVEL_CAUTION
from anechain.data.store import is_current, read_dataset, read_receipt, sha256_file, write_artefact
from anechain.figures.device_figures import device_figures, read_outputs
from anechain.figures.files import figure_paths
from anechain.receipts.file_formats import format_of
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.stages import DEVICE_STAGES, stage_versions, stages_before
from anechain.report.compression import compression_gaps, compression_notes, limits_caption
from anechain.report.distortion import comparison_gaps, distortion_gaps, distortion_notes
from anechain.report.numbers import compared_numbers, deviation_rows, number_groups, number_options, read_numbers
from anechain.report.page import build_page
from anechain.report.page_content import (
    DeviceSection,
    FailedDevice,
    Link,
    ListeningNote,
    PageContent,
    PageFigure,
    PagePerson,
)
from anechain.report.table_rows import CheckRow
from anechain.report.uncertainty import uncertainty_budget
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of
from anechain.stages.compare import compared_figures
from anechain.stages.compare_compression import FIGURE as LIMITS_FIGURE
from anechain.stages.compare_distortion import compared_distortion_figures
from anechain.stages.draw import outputs_before

if TYPE_CHECKING:
    import xarray as xr

VERSION = 4
USES = ()

_SETUP = {
    "reference_axis": ("Reference axis", ""),
    "environment": ("Environment", ""),
    "measured_distance": ("Measuring distance", " m"),
    "measured_drive": ("Measurement drive", " V r.m.s."),
    "microphone": ("Microphone", ""),
    "temperature": ("Air temperature", " °C"),
    "pressure": ("Atmospheric pressure", " kPa"),
    "humidity": ("Relative humidity", " %"),
    "source_convention": ("Convention of the raw files", ""),
    "source_origin": ("Origin of the raw files", ""),
    "source_licence": ("Licence of the raw files", ""),
}
"""Attributes of `responses.nc` in the table of the set-up: title, and unit if the value is a number."""
_RESULTS = "../"
"""The results folder, relative to the page."""


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the page depends on."""
    return {
        "campaign": plan.campaign.model_dump(mode="json", exclude={"batch_size"}),
        "keep_going": plan.keep_going,
    }


def run(plan: Plan, devices: Sequence[str], failed: Mapping[str, tuple[str, list[str]]]) -> Outcome:
    """Build the page: results/report/index.html."""
    comparison = plan.results / "comparison.nc"
    distortion = plan.results / "comparison-distortion.nc"
    comparisons = [comparison, distortion] if distortion.is_file() else [comparison]
    inputs = [Input(path.name, sha256_file(path), read_receipt(path)) for path in comparisons]
    for device in devices:
        for stage in stages_before("draw"):
            inputs += inputs_of(plan, device, stage, f"{device}/").values()
        inputs += inputs_of(plan, device, "draw", "figures/").values()
    settings = parameters(plan) | {"failed": {device: list(failure) for device, failure in failed.items()}}
    receipt = make_receipt("report", VERSION, settings, inputs)
    target = plan.results / "report" / "index.html"
    if is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    campaign = plan.campaign
    content = PageContent(
        title=campaign.title,
        about=campaign.about,
        licence=campaign.licence or "",
        people=tuple(PagePerson(person.name, person.role or "", person.orcid or "") for person in campaign.people),
        options=(
            *((name.replace("_", " "), _text(value)) for name, value in campaign.derivation.model_dump().items()),
            *number_options(campaign),
        ),
        devices=tuple(_device(plan, device) for device in campaign.devices if device in devices),
        failed=tuple(
            FailedDevice(device, campaign.devices[device].title, stage, tuple(causes))
            for device, (stage, causes) in failed.items()
        ),
        comparison=(
            *_curve_comparison(plan, read_dataset(comparison)),
            *_distortion_comparison(plan),
            *_limits_comparison(plan, devices),
        ),
        numbers=compared_numbers([read_numbers(plan, device)[0] for device in campaign.devices if device in devices]),
        data=tuple(
            Link(name, f"{_RESULTS}{name}")
            for name in (*(path.name for path in comparisons), "numbers.csv", "campaign.json")
        ),
        methods=_methods(),
        software=f"Anechain {__version__}",
    )
    write_artefact(target, build_page(content).encode(), receipt)
    return Outcome(receipt["stamp"], (target,), made=True)


def _text(value: Any) -> str:
    """Return the value of an option as printed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _methods() -> tuple[Any, ...]:
    """Return the methods of all stages whose results are on the page."""
    from anechain.methods import methods

    used: dict[str, int] = {}
    for stage in (*DEVICE_STAGES, "compare"):
        used |= stage_versions(stage)
    return tuple(known[used[id_]] for id_, known in methods().items() if id_ in used)


def _device(plan: Plan, device: str) -> DeviceSection:
    settings: Device = plan.campaign.devices[device]
    outputs = outputs_before(plan, device)
    data = read_outputs({name: plan.results / device / name for name in outputs})
    curves, attributes = data["curves.nc"], data["responses.nc"].attrs
    distortion, compression = data.get("distortion.nc"), data.get("compression.nc")
    receipt = read_receipt(plan.results / device / "curves.nc")
    numbers, deviations = read_numbers(plan, device)
    notes = [*str(attributes["import_report"]).splitlines(), *str(curves.attrs["notes"]).splitlines()]
    notes += [*distortion_notes(distortion), *compression_notes(compression)]
    return DeviceSection(
        id=device,
        title=settings.title,
        kind=settings.kind,
        about=settings.about,
        level=_level(attributes),
        valid_band=_valid_band(attributes),
        setup=tuple(
            (title, f"{attributes[name]:g}{unit}" if unit else str(attributes[name]))
            for name, (title, unit) in _SETUP.items()
            if name in attributes
        ),
        import_report=tuple(notes),
        checks=_checks(plan, device),
        gaps=(
            *((TITLES.get(name, name), reason) for name, reason in json.loads(curves.attrs["gaps"]).items()),
            *distortion_gaps(distortion),
            *compression_gaps(plan, device, compression),
            *comparison_gaps(plan, device, distortion),
        ),
        uncertainty=uncertainty_budget(
            curves, data.get("impedance.nc"), plan.uncertainty(device), plan.campaign.numbers.uncertainty
        ),
        numbers=number_groups(numbers),
        deviations=deviation_rows(deviations),
        listening=tuple(
            ListeningNote(note.text, note.who or "", note.when or "", note.room or "", note.programme or "")
            for note in settings.listening
        ),
        figures=tuple(
            _figure(plan, f"{device}-{figure.name}", figure.caption, f"{settings.title}: {figure.caption}")
            for figure in device_figures(data, plan.campaign.figures.of_devices)
        ),
        data=tuple(Link(name, f"{_RESULTS}{device}/{name}") for name in outputs),
        stamp=receipt["stamp"],
        receipts=tuple(
            (f"{device}/{name}", read_receipt(plan.results / device / name))
            for name in ("curves.nc", "distortion.nc", "compression.nc", "numbers.json")
            if name in outputs
        ),
    )


def _checks(plan: Plan, device: str) -> tuple[CheckRow, ...]:
    """Return the measurement checks of a device as printed."""
    checks = json.loads((plan.results / device / "checks.json").read_bytes())["checks"]
    return tuple(
        CheckRow(
            title=check["title"] if check["source"] == "responses" else f"{check['title']} ({check['source']})",
            verdict=check["verdict"],
            result=check["found"] or check["reason"],
            limit=f"{check['limit']} ({check['source_status']})",
            where=check["where"],
        )
        for check in checks
    )


def _limits_comparison(plan: Plan, devices: Sequence[str]) -> tuple[PageFigure, ...]:
    caption = limits_caption(plan, devices)
    return () if caption is None else (_figure(plan, LIMITS_FIGURE, caption, caption),)


def _distortion_comparison(plan: Plan) -> tuple[PageFigure, ...]:
    path = plan.results / "comparison-distortion.nc"
    if not path.is_file():
        return ()
    comparison = read_dataset(path)
    titles = dict(zip(map(str, comparison["device"].values), map(str, comparison["title"].values), strict=True))
    refused: dict[str, dict[str, str]] = json.loads(str(comparison.attrs["refused"]))
    figures = []
    for name, level in compared_distortion_figures(comparison).items():
        reasons = refused[f"{level:g}"]
        left_out = [f"Not compared: {titles[device]}, since {reason}." for device, reason in reasons.items()]
        caption = (
            f"Total harmonic distortion at {level:g} dB re the fundamental. {' '.join([*left_out, LEVEL_CAUTION])}"
        )
        figures.append(_figure(plan, name, caption, caption))
    return tuple(figures)


def _level(attributes: Mapping[str, Any]) -> str:
    if attributes["level_kind"] != "spl":
        return "relative level"
    return f"dB re 20 µPa at {attributes['drive']:g} V and {attributes['distance']:g} m"


def _valid_band(attributes: Mapping[str, Any]) -> str:
    if "valid_low" not in attributes:
        return ""
    return f"{attributes['valid_low']:g} Hz to {attributes['valid_high']:g} Hz"


def _curve_comparison(plan: Plan, comparison: xr.Dataset) -> tuple[PageFigure, ...]:
    if comparison.sizes["device"] < 2:
        return ()
    titles = ", ".join(str(title) for title in comparison["title"].values)
    notes = str(comparison.attrs["notes"])
    return tuple(
        _figure(
            plan,
            f"comparison-{curve}",
            f"{TITLES[curve]} of all devices. {notes[:1].upper()}{notes[1:]}".strip(),
            f"{TITLES[curve]}: {titles}",
        )
        for curve in compared_figures(comparison)
    )


def _figure(plan: Plan, name: str, caption: str, alt: str) -> PageFigure:
    """Return a figure with its files; the SVG is rendered if the campaign does not write one."""
    paths = figure_paths(plan.results, name, plan.campaign.figures.formats)
    specification = json.loads(_without_receipt(paths["vl.json"]))
    if "svg" in paths:
        svg = _without_receipt(paths["svg"])
    else:
        from anechain.figures.render import render

        svg = render(specification, ["svg"])["svg"]
    links = tuple(Link(ending, f"{_RESULTS}figures/{path.name}") for ending, path in paths.items())
    return PageFigure(name, caption, alt, svg.decode(), specification, links)


def _without_receipt(path: Path) -> bytes:
    """Read a file without its receipt."""
    data = path.read_bytes()
    format_ = format_of(data, path.name)
    assert format_ is not None, path
    return format_.split(data)[0]
