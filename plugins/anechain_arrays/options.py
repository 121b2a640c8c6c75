"""The mapping that a campaign declares for a container: which variable and which axis is what."""

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

    more_fields: ClassVar[tuple[str, ...]] = ("take",)

    frequency: str = Field(description='path of the frequencies, such as "test/f" (in MATLAB: test.f)')
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequencies")
    level: Paths | None = Field(
        default=None,
        description="path of the levels or magnitudes; or one for each plane, {horizontal: ..., vertical: ...}",
    )
    phase: Paths | None = Field(default=None, description="path of the phases, alike; only beside `level`")
    pressure: Paths | None = Field(default=None, description="path of complex pressures, alike, in place of `level`")
    imaginary: Paths | None = Field(
        default=None, description="path of the imaginary parts, alike, where `pressure` holds the real parts alone"
    )
    level_scale: Literal["decibel", "pascal", "linear"] | None = Field(
        default=None,
        description="decibel (of `level` only, and its default), pascal (r.m.s., level re 20 µPa) or linear (level re "
        "1; default of `pressure`)",
    )
    phase_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of the phases")
    axes: tuple[str, ...] = Field(
        min_length=1,
        description="what each axis of the arrays is, in the order of the program which wrote them: frequency, "
        "with plane and angle, or direction, or azimuth and elevation; axes of other names need `take`",
    )
    take: dict[str, int] = Field(
        default_factory=dict,
        description="index, from 0, to take on each axis that is neither frequency nor a direction",
    )
    plane: Plane | tuple[Plane, ...] | None = Field(
        default=None, description="plane of all curves, or the planes along the axis plane or direction"
    )
    angle: str | tuple[float, ...] | None = Field(
        default=None, description="path of the angles on the orbit, or the angles themselves"
    )
    azimuth: str | tuple[float, ...] | None = Field(
        default=None, description="path of the azimuths, or the azimuths themselves"
    )
    elevation: str | tuple[float, ...] | None = Field(
        default=None, description="path of the elevations, or the elevations themselves"
    )
    elevation_is: Literal["elevation", "colatitude"] = Field(
        default="elevation", description="elevation (90° at the top), or colatitude (0° at the top, 180° at the bottom)"
    )
    angle_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of all angles")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse", description="what to do with values that are no numbers: refuse, or keep as not measured"
    )
    max_gap: float = Field(
        default=15.0,
        gt=0,
        le=90,
        description="widest hole in degrees that may be bridged: between grid points for an orbit direction, and "
        "anywhere on the grid for it to count as a full sphere",
    )
    licence: str | None = Field(default=None, description="path of a text that states the data's licence")
    origin: str | None = Field(default=None, description="path of a text that states where the data come from")

    @model_validator(mode="after")
    def _whole(self) -> ArraysOptions:
        wrong = [*_wrong_values(self), *_wrong_axes(self)]
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    @property
    def scale(self) -> str:
        """The level scale with its default."""
        return self.level_scale or ("decibel" if self.pressure is None else "linear")

    @property
    def given_planes(self) -> tuple[Plane, ...]:
        """Planes that have a variable each; none where one variable holds everything."""
        given = self.level if self.level is not None else self.pressure
        return tuple(given) if isinstance(given, dict) else ()


def _wrong_values(options: ArraysOptions) -> list[str]:
    wrong = []
    if (options.level is None) == (options.pressure is None):
        wrong.append("exactly one of `level` and `pressure` is given")
    if options.phase is not None and options.level is None:
        wrong.append("`phase` goes with `level`; a complex `pressure` has its own")
    if options.imaginary is not None and options.pressure is None:
        wrong.append("`imaginary` goes with `pressure`")
    if options.pressure is not None and options.level_scale == "decibel":
        wrong.append("a complex `pressure` is in pascal or linear, not in decibel")
    main = options.level if options.level is not None else options.pressure
    planes = [set(one) if isinstance(one, dict) else set() for one in (main, options.phase, options.imaginary) if one]
    if any(one != planes[0] for one in planes):
        wrong.append("all arrays are given for the same planes")
    if isinstance(main, dict) and not main:
        wrong.append("an array for at least one plane is given")
    return wrong


def _wrong_axes(options: ArraysOptions) -> list[str]:
    axes, wrong = options.axes, []
    if len(set(axes)) < len(axes) or "frequency" not in axes:
        wrong.append("`axes` names frequency and each other axis once")
    others = [axis for axis in axes if axis not in ("frequency", *_PLACES)]
    if set(others) != set(options.take):
        wrong.append(f"`take` gives an index for each axis besides frequency and directions: {others or 'none here'}")
    if any(index < 0 for index in options.take.values()):
        wrong.append("indices in `take` count from 0")
    places = {axis for axis in axes if axis in _PLACES}
    on_sphere = options.azimuth is not None or options.elevation is not None
    if options.pattern is not None and options.manifest is not None:
        wrong.append("`pattern` and `manifest` are not given together")
    if options.pattern is not None or options.manifest is not None:
        if places or on_sphere or options.angle is not None or options.plane is not None or options.given_planes:
            wrong.append(
                "with `pattern` or `manifest` each file is one direction: no direction among `axes`, no plane, no angle"
            )
    elif on_sphere:
        if options.azimuth is None or options.elevation is None or options.angle is not None or options.given_planes:
            wrong.append("`azimuth` and `elevation` come together, without `angle` and for one array")
        if places not in ({"direction"}, {"azimuth", "elevation"}):
            wrong.append("with azimuth and elevation the axes are direction, or azimuth and elevation")
        if options.plane is not None:
            wrong.append("`plane` says nothing beside azimuth and elevation")
    elif options.angle is None:
        wrong.append("directions are given by `angle` and `plane`, by `azimuth` and `elevation`, or by file: `pattern`")
    else:
        wrong.extend(_wrong_orbits(options, places))
    return wrong


def _wrong_orbits(options: ArraysOptions, places: set[str]) -> list[str]:
    if options.given_planes:
        fine = places == {"angle"} and options.plane is None
        return [] if fine else ["with an array for each plane the axes are angle and frequency, without `plane`"]
    if places == {"plane", "angle"} or places == {"direction"}:
        return [] if isinstance(options.plane, tuple) else ["`plane` lists the planes along the axis"]
    if places == {"angle"}:
        return [] if isinstance(options.plane, str) else ["`plane` is horizontal or vertical, of all curves"]
    return ["with `angle` the axes are angle, plane and angle, or direction, besides frequency"]
