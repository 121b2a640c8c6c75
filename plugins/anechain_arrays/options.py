"""The mapping that a campaign declares for a container: the meaning of its variables and axes."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from anechain.importing.direction_options import NamingOptions
from anechain.importing.frames import FieldOptions

__all__ = ["ArraysOptions", "Paths"]

Plane = Literal["horizontal", "vertical"]
Paths = str | dict[Plane, str]

_PLACES = ("plane", "angle", "direction", "azimuth", "elevation")


class ArraysOptions(NamingOptions, FieldOptions):
    """Options of the importer for arrays in containers."""

    extra_fields: ClassVar[tuple[str, ...]] = ("take",)

    frequency: str = Field(description='path of the frequencies, such as "test/f" (in MATLAB: test.f)')
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequencies")
    level: Paths | None = Field(
        default=None,
        description="path of the levels or magnitudes; or a path for each plane, {horizontal: ..., vertical: ...}",
    )
    phase: Paths | None = Field(default=None, description="path of the phases, in the same form; only with `level`")
    pressure: Paths | None = Field(
        default=None, description="path of complex pressures, in the same form; replaces `level`"
    )
    imaginary: Paths | None = Field(
        default=None,
        description="path of the imaginary parts, in the same form, if `pressure` contains only the real parts",
    )
    level_scale: Literal["decibel", "pascal", "linear"] | None = Field(
        default=None,
        description="decibel (only for `level`, and its default), pascal (r.m.s., levels re 20 µPa) or linear (levels "
        "re 1; default for `pressure`)",
    )
    phase_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of the phases")
    axes: tuple[str, ...] = Field(
        min_length=1,
        description="meaning of each axis of the arrays, in the order of the program that wrote them: frequency, and "
        "plane and angle, or direction, or azimuth and elevation; axes with other names need `take`",
    )
    take: dict[str, int] = Field(
        default_factory=dict,
        description="index, from 0, on each axis that is neither frequency nor a direction",
    )
    plane: Plane | tuple[Plane, ...] | None = Field(
        default=None, description="plane of all curves, or the planes along the axis plane or direction"
    )
    angle: str | tuple[float, ...] | None = Field(
        default=None, description="path of the angles on the orbit, or a list of them"
    )
    azimuth: str | tuple[float, ...] | None = Field(default=None, description="path of the azimuths, or a list of them")
    elevation: str | tuple[float, ...] | None = Field(
        default=None, description="path of the elevations, or a list of them"
    )
    elevation_is: Literal["elevation", "colatitude"] = Field(
        default="elevation", description="elevation (90° at the top), or colatitude (0° at the top, 180° at the bottom)"
    )
    angle_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of all angles")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse", description="values that are not numbers: refuse the file, or keep them as not measured"
    )
    max_gap: float = Field(
        default=15.0,
        gt=0,
        le=90,
        description="widest gap of the grid in degrees across which levels are interpolated, and that a full sphere "
        "may have",
    )
    licence: str | None = Field(default=None, description="path of a text with the licence of the data")
    origin: str | None = Field(default=None, description="path of a text with the origin of the data")

    @model_validator(mode="after")
    def _consistent(self) -> ArraysOptions:
        problems = [*_value_problems(self), *_axis_problems(self)]
        if problems:
            raise ValueError("; ".join(problems))
        return self

    @property
    def scale(self) -> str:
        """Scale of the levels, with its default."""
        return self.level_scale or ("decibel" if self.pressure is None else "linear")

    @property
    def separate_planes(self) -> tuple[Plane, ...]:
        """Planes that have their own arrays; none if one array holds all directions."""
        paths = self.level if self.level is not None else self.pressure
        return tuple(paths) if isinstance(paths, dict) else ()


def _value_problems(options: ArraysOptions) -> list[str]:
    problems = []
    if (options.level is None) == (options.pressure is None):
        problems.append("exactly one of `level` and `pressure` is required")
    if options.phase is not None and options.level is None:
        problems.append("`phase` requires `level`; a complex `pressure` contains the phase")
    if options.imaginary is not None and options.pressure is None:
        problems.append("`imaginary` requires `pressure`")
    if options.pressure is not None and options.level_scale == "decibel":
        problems.append("the scale of `pressure` is pascal or linear, not decibel")
    main = options.level if options.level is not None else options.pressure
    planes = [
        set(paths) if isinstance(paths, dict) else set() for paths in (main, options.phase, options.imaginary) if paths
    ]
    if any(names != planes[0] for names in planes):
        problems.append("all arrays must be given for the same planes")
    if isinstance(main, dict) and not main:
        problems.append("an array for at least one plane is required")
    return problems


def _axis_problems(options: ArraysOptions) -> list[str]:
    axes, problems = options.axes, []
    if len(set(axes)) < len(axes) or "frequency" not in axes:
        problems.append("`axes` must list frequency, and each axis once")
    others = [axis for axis in axes if axis not in ("frequency", *_PLACES)]
    if set(others) != set(options.take):
        problems.append(
            f"`take` must have an index for each axis that is not frequency or a direction: {others or 'none here'}"
        )
    if any(index < 0 for index in options.take.values()):
        problems.append("indices in `take` count from 0")
    places = {axis for axis in axes if axis in _PLACES}
    on_sphere = options.azimuth is not None or options.elevation is not None
    if options.pattern is not None and options.manifest is not None:
        problems.append("`pattern` and `manifest` exclude each other")
    if options.pattern is not None or options.manifest is not None:
        if places or on_sphere or options.angle is not None or options.plane is not None or options.separate_planes:
            problems.append(
                "with `pattern` or `manifest` each file is one direction: no direction among `axes`, no plane, no angle"
            )
    elif on_sphere:
        if options.azimuth is None or options.elevation is None or options.angle is not None or options.separate_planes:
            problems.append("`azimuth` and `elevation` are required together, without `angle`, for one array")
        if places not in ({"direction"}, {"azimuth", "elevation"}):
            problems.append("with azimuth and elevation the axes must be direction, or azimuth and elevation")
        if options.plane is not None:
            problems.append("`plane` cannot be set together with azimuth and elevation")
    elif options.angle is None:
        problems.append(
            "directions are required: `angle` and `plane`, or `azimuth` and `elevation`, or `pattern` or `manifest`"
        )
    else:
        problems.extend(_orbit_problems(options, places))
    return problems


def _orbit_problems(options: ArraysOptions, places: set[str]) -> list[str]:
    if options.separate_planes:
        is_valid = places == {"angle"} and options.plane is None
        return (
            [] if is_valid else ["with an array for each plane the axes must be angle and frequency, without `plane`"]
        )
    if places == {"plane", "angle"} or places == {"direction"}:
        return [] if isinstance(options.plane, tuple) else ["`plane` must list the planes along the axis"]
    if places == {"angle"}:
        return [] if isinstance(options.plane, str) else ["`plane` must be horizontal or vertical, for all curves"]
    return ["with `angle` the axes must be frequency and angle, or plane and angle, or direction"]
