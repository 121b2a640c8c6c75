"""Complex pressures over frequency from the transfer functions or impulse responses of an AES69 file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.acoustics.recording.transforms import spectrum_of_impulse_response
from anechain.arrays import Complexes, Floats
from anechain_sofa.options import SofaOptions
from anechain_sofa.selection import Selection
from anechain_sofa.variables import SofaFile, attribute, numbers, variable

__all__ = ["Pressures", "pressures"]


@dataclass(frozen=True)
class Pressures:
    """Complex pressures of the selected directions.

    Attributes
    ----------
    frequency : numpy.ndarray
        Hz, rising, without 0.
    values : numpy.ndarray of complex, shape (directions, frequencies)
        NaN where missing.
    has_phase : bool
        Whether the angle of the values is a measured phase.
    """

    frequency: Floats
    values: Complexes
    has_phase: bool


def _check_hertz(file: SofaFile, name: str) -> None:
    units = attribute(file, f"{name}_Units")
    if units == "hertz":
        return
    if units.lower() in ("hertz", "hz"):
        file.report.append(f"{name}:Units is {units!r}, read as hertz")
        return
    file.refuse(f"{name}:Units is {units or 'missing'!r}", "hertz", f"state the unit of {name} in the file")


def _over_directions(file: SofaFile, name: str, selection: Selection, last: str | None) -> Floats | None:
    """Read the selected part of a variable, shape (directions or 1, N) or, without `last`, (directions or 1,)."""
    variable_ = numbers(file, name, selection.at)
    if variable_ is None:
        file.refuse(f"{name.replace('_', '.')} is missing")
        return None
    dims, values = variable_
    for index in reversed(range(len(dims))):
        if dims[index] not in (selection.over, last):
            if values.shape[index] > 1:
                file.refuse(
                    f"{name.replace('_', '.')} has the dimensions {' × '.join(dims)}",
                    f"M × R{' × N' if last else ''}, with E where there are emitters",
                )
                return None
            values = np.asarray(values.take(0, axis=index))
    dims = tuple(dim for dim in dims if dim in (selection.over, last))
    if last is not None and last not in dims:
        file.refuse(f"{name.replace('_', '.')} has no dimension {last}", f"M × R × {last}")
        return None
    if selection.over not in dims:
        return values[None]
    return np.moveaxis(values, dims.index(selection.over), 0)


def _of_transfer_functions(file: SofaFile, selection: Selection, options: SofaOptions) -> Pressures | None:
    before = len(file.problems)
    grid = numbers(file, "N")
    if grid is None:
        file.refuse("N, the frequencies, is missing")
        return None
    frequency: Floats = grid[1].reshape(-1)
    _check_hertz(file, "N")
    if not np.isfinite(frequency).all():
        file.refuse("N has frequencies that are not finite numbers")
    else:
        if (frequency < 0).any():
            file.refuse(f"N has negative frequencies, the lowest {frequency.min():g} Hz", "0 Hz and above")
        if (np.diff(frequency) <= 0).any():
            at = int(np.argmax(np.diff(frequency) <= 0))
            file.refuse(f"N does not rise: {frequency[at + 1]:g} Hz follows {frequency[at]:g} Hz", "rising frequencies")
    real, imaginary = (_over_directions(file, name, selection, "N") for name in ("Data_Real", "Data_Imag"))
    if real is None or imaginary is None or len(file.problems) > before:
        return None
    if real.shape != (selection.count, frequency.size) or imaginary.shape != real.shape:
        file.refuse(
            f"Data.Real and Data.Imag contain {' × '.join(map(str, real.shape))} and "
            f"{' × '.join(map(str, imaginary.shape))} values",
            f"{selection.count} directions × {frequency.size} frequencies",
        )
        return None
    real_only = not np.nan_to_num(imaginary).any()
    if real_only and (real < 0).any() and not options.magnitude_only:
        fraction = float((real < 0).mean())
        file.refuse(
            f"Data.Imag is zero everywhere although {fraction:.0%} of Data.Real is negative: the imaginary part "
            "has been lost, and with it the magnitude",
            "complex transfer functions, or magnitudes that are not negative",
            "ask the author of the data for complex data (or declare magnitude_only, if all phases are 0° or 180°)",
        )
        return None
    if real_only:
        file.report.append(
            "phase dropped: Data.Imag is zero everywhere"
            + (
                "; Data.Real changes sign, and its magnitude is used, as declared"
                if (real < 0).any()
                else " and Data.Real never negative, so the data are magnitudes only"
            )
        )
    elif options.magnitude_only:
        file.report.append("magnitude_only has no effect: Data.Imag is not zero")
    return Pressures(frequency, real + 1j * imaginary, has_phase=not real_only)


def _of_impulse_responses(file: SofaFile, selection: Selection) -> Pressures | None:
    before = len(file.problems)
    response = _over_directions(file, "Data_IR", selection, "N")
    rate = _over_directions(file, "Data_SamplingRate", selection, None)
    delay = _over_directions(file, "Data_Delay", selection, None)
    _check_hertz(file, "Data_SamplingRate")
    if response is None or rate is None or delay is None or len(file.problems) > before:
        return None
    if response.shape[0] != selection.count or delay.shape[0] not in (1, selection.count):
        file.refuse(
            f"Data.IR contains {response.shape[0]} and Data.Delay {delay.shape[0]} directions",
            f"{selection.count} directions",
        )
    if not (np.isfinite(rate).all() and (rate > 0).all()) or np.ptp(rate) > 0:
        file.refuse(
            f"Data.SamplingRate is {rate.min():g} to {rate.max():g} Hz", "one rate above zero for all directions"
        )
    if not np.isfinite(delay).all():
        file.refuse("Data.Delay is not finite", "samples")
    if len(file.problems) > before:
        return None
    # A response with a missing sample has no spectrum: the whole direction is missing.
    incomplete = np.isnan(response.sum(axis=1)) | np.isinf(response).any(axis=1)
    frequency, spectrum = spectrum_of_impulse_response(
        np.where(incomplete[:, None], 0, response), float(rate[0]), delay
    )
    spectrum[incomplete] = np.nan
    file.report.append(
        f"impulse responses of {response.shape[1]} samples at {rate[0]:g} Hz transformed as a whole, without window or "
        f"padding, to {frequency.size} frequencies {frequency[1] if frequency.size > 1 else 0:.6g} Hz apart"
        + (
            f"; Data.Delay of {delay.min():g} to {delay.max():g} samples is included in the phase"
            if delay.any()
            else ""
        )
    )
    return Pressures(frequency, spectrum, has_phase=True)


def pressures(file: SofaFile, selection: Selection, options: SofaOptions) -> Pressures | None:
    """Read the selected pressures; None, with problems, if they are not plausible."""
    if variable(file, "Data_IR") is not None:
        read_pressures = _of_impulse_responses(file, selection)
    elif variable(file, "Data_Real") is not None:
        read_pressures = _of_transfer_functions(file, selection, options)
    else:
        file.refuse("it has neither Data.Real nor Data.IR", "transfer functions or impulse responses")
        return None
    if read_pressures is None:
        return None
    frequency, values = read_pressures.frequency, read_pressures.values
    if frequency.size and frequency[0] == 0:
        file.report.append("0 Hz dropped: a logarithmic frequency axis cannot show it")
        frequency, values = frequency[1:], values[:, 1:]
    if not frequency.size:
        file.refuse("it has no frequency above 0 Hz", "a response over frequency")
        return None
    # Zero is not a measured pressure, but the value of elements that were never written.
    values = np.where(np.isfinite(values) & (values != 0), values, np.nan)
    if np.isnan(values).all():
        file.refuse("its data are zero or not a number everywhere", "measured pressures")
        return None
    return Pressures(frequency, values, read_pressures.has_phase)
