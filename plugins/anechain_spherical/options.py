"""Options of the importer for spherical-harmonic coefficients: what no container states."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from anechain.importing.frames import FieldOptions

__all__ = ["SphericalOptions"]


class SphericalOptions(FieldOptions):
    """Options of the importer for spherical-harmonic coefficients."""

    coefficients: str = Field(description='path of the coefficients in the file, such as "SH/coeff"; complex or real')
    imaginary: str | None = Field(
        default=None, description="path of their imaginary parts, if the file stores them separately"
    )
    frequency: str = Field(description="path of the frequencies")
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequencies")
    axes: tuple[Literal["coefficient", "frequency"], Literal["coefficient", "frequency"]] | None = Field(
        default=None,
        description="meaning of the two axes of the coefficients; by default determined from their lengths",
    )
    degree: str | None = Field(
        default=None, description="path of the degree n of each coefficient; by default coefficients are in ACN order"
    )
    order: str | None = Field(
        default=None,
        description="path of the order m of each coefficient; by default coefficients are in ACN order (n² + n + m)",
    )
    basis: Literal["complex", "real"] = Field(
        description="complex harmonics (exp(jmφ)), or real ones (cos(mφ) for m > 0, sin(|m|φ) for m < 0)"
    )
    normalisation: Literal["orthonormal", "n3d", "sn3d"] = Field(
        description="orthonormal (the square of each harmonic integrates to 1 over the sphere), n3d (to 4π) or sn3d "
        "(to 4π / (2n + 1))"
    )
    condon_shortley: bool | None = Field(
        default=None,
        description="whether the harmonics contain the factor (-1)^m of the Condon-Shortley phase for m > 0 (real "
        "ones: for all m); by default complex ones do and real ones do not",
    )
    quantity: Literal["relative", "pascal"] = Field(
        default="relative",
        description="unit of the pressures: relative (levels without absolute reference) or pascal (levels re 20 µPa)",
    )
    licence: str | None = Field(default=None, description="path of a text with the licence of the data")
    origin: str | None = Field(default=None, description="path of a text with the origin of the data")

    @model_validator(mode="after")
    def _consistent(self) -> SphericalOptions:
        if (self.degree is None) != (self.order is None):
            raise ValueError("degree and order require each other")
        if self.axes is not None and self.axes[0] == self.axes[1]:
            raise ValueError("axes must be coefficient and frequency, each once")
        return self
