"""Which figures a device has: from which outputs, by which methods, under which words; in the order they are shown."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.cautions import LEVEL_CAUTION
from anechain.data.store import read_dataset

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "DeviceFigure", "device_figures", "level_slug", "read_outputs"]

Data = Mapping[str, Any]
"""Datasets and JSON documents of a device by the name of their file."""

_OF_MAPS = ("band-means",)
_OF_IMPEDANCE = ("box-tuning", "equivalent-dissipation", "minimum-impedance", "phase-range", "rated-impedance")
USES = (*_OF_MAPS, *_OF_IMPEDANCE)
"""Methods that figures use beside those of the outputs that they show."""

_COMPRESSION = {
    "compression": "By how much the fundamental lags behind the drive, re the lowest drive; masked parts are absent.",
    "compression-levels": "The level at which each octave band passes the limit of compression, or how far it went.",
    "usable": "How loud against how low: the level at each drive over the lowest frequency at which it is usable.",
}


@dataclass(frozen=True)
class DeviceFigure:
    """One figure of a device.

    Attributes
    ----------
    name : str
        In the file's name, after the device's id.
    caption : str
        Under it, in print.
    reads : tuple of str
        Names of the files that it is made from.
    make : callable
        Takes what these files hold, in their order, and gives a Vega-Lite specification.
    methods : tuple of str
        Ids of methods that it uses itself.
    """

    name: str
    caption: str
    reads: tuple[str, ...]
    make: Callable[..., dict[str, Any]]
    methods: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """Its name as a campaign chooses it: figures at several levels are of one kind."""
        return "distortion" if self.name.startswith("distortion-") else self.name


def read_outputs(paths: Mapping[str, Path]) -> dict[str, Any]:
    """Read the datasets and JSON documents among the outputs of a device, by the name of their file."""
    data: dict[str, Any] = {}
    for name, path in paths.items():
        if path.suffix == ".nc":
            data[name] = read_dataset(path)
        elif path.suffix == ".json":
            data[name] = json.loads(path.read_bytes())
    return data


def level_slug(level: float) -> str:
    """A level in a file's name: 86, 86_5."""
    return f"{level:g}".replace(".", "_")


def device_figures(data: Data, wanted: Sequence[str] | None = None) -> Iterator[DeviceFigure]:
    """Figures that the outputs of a device allow, in the order in which they are shown.

    Parameters
    ----------
    data : mapping
        As :func:`read_outputs` gives it; "curves.nc" and "responses.nc" are always there.
    wanted : sequence of str, optional
        Kinds that are drawn; all if absent.
    """
    return (one for one in _all_figures(data) if wanted is None or one.kind in wanted)


def _all_figures(data: Data) -> Iterator[DeviceFigure]:
    yield from _of_curves(data["curves.nc"])
    if "numbers.json" in data:
        yield from _of_numbers(data)
    yield from _of_orbits(data)
    if "directivity.nc" in data:
        from anechain.figures.beam_width import beam_width_figure

        caption = "Beam width: the angle at which the level has fallen, by plane and side."
        reads = tuple(name for name in ("directivity.nc", "numbers.json") if name in data)
        yield DeviceFigure("beam-width", caption, reads, beam_width_figure)
    if "aim.nc" in data:
        from anechain.figures.merits import aim_figure

        caption = "Aim: the direct sound at the listener, turned towards them, parallel to the walls, and best."
        yield DeviceFigure("aim", caption, ("aim.nc",), aim_figure)
    if "distortion.nc" in data:
        yield from _of_distortion(data["distortion.nc"])
    if "compression.nc" in data:
        yield from _of_compression(data["compression.nc"])
    if "multitone.nc" in data:
        from anechain.figures.multitone import multitone_figure

        caption = f"Multitone: what sounds between the tones, re the tones of the same band. {LEVEL_CAUTION}"
        yield DeviceFigure("multitone", caption, ("multitone.nc",), multitone_figure)
    if "impedance.nc" in data:
        from anechain.figures.impedance import impedance_figure

        caption = (
            "Electrical impedance: the modulus with its minimum and what it allows as rated value; where the phase was "
            "measured, phase and equivalent dissipation below it."
        )
        reads = tuple(name for name in ("impedance.nc", "impedance_uncertainty.nc") if name in data)
        yield DeviceFigure("impedance", caption, reads, impedance_figure, _OF_IMPEDANCE)
    if "checks.json" in data:
        from anechain.figures.checks import checks_figure

        caption = (
            "Checks of what came in: the verdict of each above, what was measured beside its limits below. A check "
            "that could not be made says so in the table."
        )
        yield DeviceFigure("checks", caption, ("checks.json",), checks_figure)


def _of_curves(curves: xr.Dataset) -> Iterator[DeviceFigure]:
    from anechain.figures.curve_set import bounces_figure, curve_set_figure, planes_figure

    reads = ("curves.nc",)
    if curves.sizes["curve"]:
        caption = "The curve set above, its directivity indices below, over one frequency axis."
        yield DeviceFigure("curves", caption, reads, curve_set_figure)
    if any(str(name).endswith(("_horizontal", "_vertical")) for name in curves["index"].values):
        caption = "Which plane causes it: early reflections and directivity indices of either orbit alone."
        yield DeviceFigure("planes", caption, reads, planes_figure)
    if any(str(name).endswith("_bounce") for name in curves["curve"].values):
        caption = "The five early reflections apart: what the floor, the ceiling and each wall would receive."
        yield DeviceFigure("bounces", caption, reads, bounces_figure)


def _of_numbers(data: Data) -> Iterator[DeviceFigure]:
    from anechain.figures.merits import deviations_figure, limits_figure

    reads, held = ("curves.nc", "numbers.json"), set(data["curves.nc"]["curve"].values)
    if held & {"on_axis", "in_room"}:
        caption = "Where the range ends, each limit on the curve it is read from, and where the sensitivity is read."
        yield DeviceFigure("limits", caption, reads, limits_figure)
    if "trends.nc" in data:
        from anechain.figures.trends import trends_figure

        caption = (
            "Which way each curve leans, and how far it strays: beside its trend line and its target, what is left of "
            "it below, and its highest and lowest value in the bands of the linearity."
        )
        yield DeviceFigure("trends", caption, ("trends.nc", "numbers.json"), trends_figure)
    if held & {"on_axis", "listening_window", "early_reflections", "sound_power", "in_room"}:
        caption = "Peaks and dips, numbered as in the table, by what the evidence says of their cause."
        yield DeviceFigure(
            "deviations", caption, reads, lambda curves, numbers: deviations_figure(curves, numbers["deviations"])
        )


def _of_orbits(data: Data) -> Iterator[DeviceFigure]:
    from anechain.figures.directivity_map import directivity_map_figure

    reads = tuple(name for name in ("responses.nc", "directivity.nc") if name in data)
    for plane in ("horizontal", "vertical"):
        if plane in data["responses.nc"]["plane"].values and "on_axis" in data["curves.nc"]["curve"].values:
            yield DeviceFigure(
                f"map-{plane}",
                f"Level at every angle of the {plane} orbit, relative to the reference axis.",
                reads,
                lambda responses, *beam, plane=plane: directivity_map_figure(responses, plane, *beam),
                _OF_MAPS,
            )


def _of_distortion(distortion: xr.Dataset) -> Iterator[DeviceFigure]:
    from anechain.figures.distortion import distortion_figure

    gaps = json.loads(str(distortion.attrs["gaps"]))
    for level in (float(one) for one in distortion["level"].values):
        if f"{level:g}" not in gaps:
            yield DeviceFigure(
                f"distortion-{level_slug(level)}",
                f"Harmonics at {level:g} dB re the fundamental above, their sums in per cent below. {LEVEL_CAUTION}",
                ("distortion.nc",),
                lambda distortion, level=level: distortion_figure(distortion, level),
            )


def _of_compression(compression: xr.Dataset) -> Iterator[DeviceFigure]:
    from anechain.figures.compression import compression_figure, drawable, octave_levels_figure
    from anechain.figures.usable_limits import usable_figure

    known = {"compression": compression_figure, "compression-levels": octave_levels_figure, "usable": usable_figure}
    for name in drawable(compression):
        yield DeviceFigure(name, f"{_COMPRESSION[name]} {LEVEL_CAUTION}", ("compression.nc",), known[name])
