"""Stage report: everything of a campaign on one page."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain import __version__
from anechain.acoustics.curves import TITLES
from anechain.campaign import Device
from anechain.embedding import format_of
from anechain.plan import Plan
from anechain.receipts import Input, issue
from anechain.report.page import (
    Content,
    DevicePart,
    FailedDevice,
    Link,
    ListeningNote,
    PagePerson,
    Picture,
    build_page,
)
from anechain.stages import stage_versions
from anechain.stages.batch import Outcome, inputs_of
from anechain.stages.compare import compared_figures
from anechain.stages.draw import DEVICE_FIGURES, figure_paths
from anechain.store import is_current, read_dataset, read_receipt, sha256_file, write_artefact

if TYPE_CHECKING:
    import xarray as xr

VERSION = 1
USES = ()

_CAPTIONS = {
    "curves": "The curve set above, its directivity indices below, over one frequency axis.",
    "planes": "Which plane causes it: early reflections and directivity indices of either orbit alone.",
    "bounces": "The five early reflections apart: what the floor, the ceiling and each wall would receive.",
    "map-horizontal": "Level at every angle of the horizontal orbit, relative to the reference axis.",
    "map-vertical": "Level at every angle of the vertical orbit, relative to the reference axis.",
}
_SETUP = {
    "reference_axis": ("Reference axis", ""),
    "environment": ("Environment", ""),
    "measured_distance": ("Measured at", " m"),
    "measured_drive": ("Drive when measured", " V r.m.s."),
    "microphone": ("Microphone", ""),
    "temperature": ("Air temperature", " °C"),
    "pressure": ("Atmospheric pressure", " kPa"),
    "humidity": ("Relative humidity", " %"),
    "source_convention": ("Convention of the raw files", ""),
    "source_origin": ("Origin of the raw files", ""),
    "source_licence": ("Licence of the raw files", ""),
}
_UP = "../"


def run(plan: Plan, devices: Sequence[str], failed: Mapping[str, tuple[str, list[str]]]) -> Outcome:
    """Build the page: results/report/index.html."""
    comparison = plan.results / "comparison.nc"
    inputs = [Input("comparison.nc", sha256_file(comparison), read_receipt(comparison))]
    for device in devices:
        inputs += inputs_of(plan, device, "derive", f"{device}/").values()
        inputs += inputs_of(plan, device, "draw", "figures/").values()
    parameters = plan.parameters("report") | {"failed": {device: list(why) for device, why in failed.items()}}
    receipt = issue("report", VERSION, parameters, inputs)
    target = plan.results / "report" / "index.html"
    if is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    campaign = plan.campaign
    content = Content(
        title=campaign.title,
        about=campaign.about,
        licence=campaign.licence or "",
        people=tuple(PagePerson(one.name, one.role or "", one.orcid or "") for one in campaign.people),
        choices=tuple(
            (name.replace("_", " "), _in_words(value)) for name, value in campaign.derivation.model_dump().items()
        ),
        devices=tuple(_device(plan, device) for device in campaign.devices if device in devices),
        failed=tuple(
            FailedDevice(device, campaign.devices[device].title, stage, tuple(causes))
            for device, (stage, causes) in failed.items()
        ),
        comparison=_compared(plan, read_dataset(comparison)),
        data=(Link("comparison.nc", f"{_UP}comparison.nc"), Link("campaign.json", f"{_UP}campaign.json")),
        methods=_methods(),
        software=f"Anechain {__version__}",
    )
    write_artefact(target, build_page(content).encode(), receipt)
    return Outcome(receipt["stamp"], (target,), made=True)


def _in_words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _methods() -> tuple[Any, ...]:
    from anechain.methods import methods

    used: dict[str, int] = {}
    for stage in ("ingest", "derive", "draw", "compare"):
        used |= stage_versions(stage)
    return tuple(known[used[id_]] for id_, known in methods().items() if id_ in used)


def _device(plan: Plan, device: str) -> DevicePart:
    one: Device = plan.campaign.devices[device]
    responses = read_dataset(plan.results / device / "responses.nc")
    curves = read_dataset(plan.results / device / "curves.nc")
    attributes = responses.attrs
    names = [name for name in DEVICE_FIGURES if (plan.results / "figures" / f"{device}-{name}.vl.json").is_file()]
    files = [
        name
        for name in ("responses.nc", "sphere.nc", "curves.nc", "curves.csv")
        if (plan.results / device / name).is_file()
    ]
    receipt = read_receipt(plan.results / device / "curves.nc")
    notes = [*str(attributes["import_report"]).splitlines(), *str(curves.attrs["notes"]).splitlines()]
    return DevicePart(
        id=device,
        title=one.title,
        kind=one.kind,
        about=one.about,
        level=_level(attributes),
        valid_band=_band(attributes),
        setup=tuple(
            (title, f"{attributes[name]:g}{unit}" if unit else str(attributes[name]))
            for name, (title, unit) in _SETUP.items()
            if name in attributes
        ),
        import_report=tuple(notes),
        gaps=tuple((TITLES.get(name, name), reason) for name, reason in json.loads(curves.attrs["gaps"]).items()),
        listening=tuple(
            ListeningNote(note.text, note.who or "", note.when or "", note.room or "", note.programme or "")
            for note in one.listening
        ),
        pictures=tuple(
            _picture(plan, f"{device}-{name}", _CAPTIONS[name], f"{one.title}: {_CAPTIONS[name]}") for name in names
        ),
        data=tuple(Link(name, f"{_UP}{device}/{name}") for name in files),
        stamp=receipt["stamp"],
        receipts=((f"{device}/curves.nc", receipt),),
    )


def _level(attributes: Mapping[str, Any]) -> str:
    if attributes["level_kind"] != "spl":
        return "relative level"
    return f"dB re 20 µPa at {attributes['drive']:g} V and {attributes['distance']:g} m"


def _band(attributes: Mapping[str, Any]) -> str:
    if "valid_low" not in attributes:
        return ""
    return f"{attributes['valid_low']:g} Hz to {attributes['valid_high']:g} Hz"


def _compared(plan: Plan, comparison: xr.Dataset) -> tuple[Picture, ...]:
    if comparison.sizes["device"] < 2:
        return ()
    titles = ", ".join(str(title) for title in comparison["title"].values)
    notes = str(comparison.attrs["notes"])
    return tuple(
        _picture(
            plan, f"comparison-{what}", f"{TITLES[what]} of all devices. {notes}".strip(), f"{TITLES[what]}: {titles}"
        )
        for what in compared_figures(comparison)
    )


def _picture(plan: Plan, name: str, caption: str, alt: str) -> Picture:
    paths = figure_paths(plan, name, plan.campaign.figures.formats)
    specification = json.loads(_bare(paths["vl.json"]))
    if "svg" in paths:
        svg = _bare(paths["svg"])
    else:
        from anechain.figures.render import render

        svg = render(specification, ["svg"])["svg"]
    links = tuple(Link(ending, f"{_UP}figures/{path.name}") for ending, path in paths.items())
    return Picture(name, caption, alt, svg.decode(), specification, links)


def _bare(path: Path) -> bytes:
    data = path.read_bytes()
    format_ = format_of(data, path.name)
    assert format_ is not None, path
    return format_.split(data)[0]
