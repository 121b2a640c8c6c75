"""What a campaign has to declare about spherical-harmonic coefficients: no container says it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from anechain.importing.frames import FieldOptions

__all__ = ["SphericalOptions"]


class SphericalOptions(FieldOptions):
    """Options of the importer for spherical-harmonic coefficients."""

    coefficients: str = Field(description='path of the coefficients in the file, such as "SH/coeff"; complex or real')
    imaginary: str | None = Field(
        default=None, description="path of their imaginary parts, where the file keeps them apart"
    )
    frequency: str = Field(description="path of the frequencies")
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequencies")
    axes: tuple[Literal["coefficient", "frequency"], Literal["coefficient", "frequency"]] | None = Field(
        default=None, description="what the two axes of the coefficients are; by default told by their lengths"
    )
    degree: str | None = Field(
        default=None, description="path of the degree n of each coefficient; by default they are in ACN order"
    )
    order: str | None = Field(
        default=None,
        description="path of the order m of each coefficient; by default they are in ACN order (n² + n + m)",
    )
    basis: Literal["complex", "real"] = Field(
        description="complex harmonics (exp(jmφ)), or real ones (cosine for m > 0, sine of |m|φ for m < 0)"
    )
    normalisation: Literal["orthonormal", "n3d", "sn3d"] = Field(
        description="orthonormal (the square of each harmonic integrates to 1 over the sphere), n3d (to 4π) or sn3d "
        "(to 4π / (2n + 1))"
    )
    condon_shortley: bool | None = Field(
        default=None,
        description="whether the harmonics hold the factor (-1)^m for m > 0 of the Condon-Shortley phase (real ones: "
        "for all m); by default complex ones do and real ones do not",
    )
    quantity: Literal["relative", "pascal"] = Field(
        default="relative",
        description="what the pressures are: relative (good for shapes only) or pascal (level re 20 µPa)",
    )
    licence: str | None = Field(default=None, description="path of a text that states the data's licence")
    origin: str | None = Field(default=None, description="path of a text that states where the data come from")

    @model_validator(mode="after")
    def _together(self) -> SphericalOptions:
        if (self.degree is None) != (self.order is None):
            raise ValueError("degree and order are given both or neither")
        if self.axes is not None and self.axes[0] == self.axes[1]:
            raise ValueError("axes are coefficient and frequency, each once")
        return self
