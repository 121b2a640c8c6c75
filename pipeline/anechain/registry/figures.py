"""Figures of a device, in the order in which they are shown."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FIGURES", "FigureKind"]

_IMPEDANCE_METHODS = ("box-tuning", "equivalent-dissipation", "minimum-impedance", "phase-range", "rated-impedance")


@dataclass(frozen=True)
class FigureKind:
    """One kind of figure of a device.

    Attributes
    ----------
    name : str
        Name in the campaign file (`figures.of_devices`) and in file names.
    function : str
        "module:function", the module below `anechain.figures`. The function takes the datasets and JSON documents of a
        device by file name, and yields :class:`anechain.figures.device_figure.DeviceFigure` for each figure that they
        allow: none if they lack something, several if the kind has one for each level.
    needs : tuple of str
        Files without which the function is not called.
    methods : tuple of str
        Ids of the methods that the figure uses, besides those that made the files.
    """

    name: str
    function: str
    needs: tuple[str, ...]
    methods: tuple[str, ...] = ()


FIGURES = {
    kind.name: kind
    for kind in (
        FigureKind("curves", "curve_set:curves_of_device", ("curves.nc",)),
        FigureKind("planes", "curve_set:planes_of_device", ("curves.nc",)),
        FigureKind("bounces", "curve_set:bounces_of_device", ("curves.nc",)),
        FigureKind("limits", "range_limits:limits_of_device", ("curves.nc", "numbers.json")),
        FigureKind("trends", "trends:trends_of_device", ("trends.nc", "numbers.json")),
        FigureKind("deviations", "deviations:deviations_of_device", ("curves.nc", "numbers.json")),
        FigureKind(
            "map-horizontal", "directivity_map:horizontal_of_device", ("responses.nc", "curves.nc"), ("band-means",)
        ),
        FigureKind(
            "map-vertical", "directivity_map:vertical_of_device", ("responses.nc", "curves.nc"), ("band-means",)
        ),
        FigureKind("beam-width", "beam_width:beam_width_of_device", ("directivity.nc",)),
        FigureKind("aim", "aim:aim_of_device", ("aim.nc",)),
        FigureKind("time", "timing:time_of_device", ("timing.nc",)),
        FigureKind("phase", "timing:phase_of_device", ("timing.nc",), ("burst-decay", "group-delay-threshold")),
        FigureKind("distortion", "distortion:distortion_of_device", ("distortion.nc",)),
        FigureKind("compression", "compression:compression_of_device", ("compression.nc",)),
        FigureKind("compression-levels", "compression_levels:compression_levels_of_device", ("compression.nc",)),
        FigureKind("usable", "usable_limits:usable_of_device", ("compression.nc",)),
        FigureKind("multitone", "multitone:multitone_of_device", ("multitone.nc",)),
        FigureKind("impedance", "impedance:impedance_of_device", ("impedance.nc",), _IMPEDANCE_METHODS),
        FigureKind("checks", "checks:checks_of_device", ("checks.json",)),
    )
}
"""All kinds of figures of a device by name."""
