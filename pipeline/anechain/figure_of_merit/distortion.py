"""Numbers of the distortion: worst and mean in bands at the requested levels, and between multitone signals."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.nonlinear.distortion_in_bands import distortion_in_band, lowest_frequency_below_limit
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit import distortion_uncertainty
from anechain.figure_of_merit.distortion_uncertainty import (
    DistortionUncertainties,
    multitone_uncertainty,
    uncertainties_at_level,
)
from anechain.figure_of_merit.labels import band_id, band_label, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "distortion_numbers", "peak_list"]

HEADING = "Distortion"
USES = ("distortion-in-band", "lowest-frequency-under", "multitone-ratio", *distortion_uncertainty.USES)
ABSENT = "the harmonics were not measured"
_NAMES = {
    "thd_f": "THD",
    "thd_r": "THD re the total (THD_R)",
    "orders_plus_noise": "THD+N",
    "second_third": "Orders 2 and 3",
    "fourth_up": "Orders 4 and up",
}
_WORST_ONLY = ("thd_r", "orders_plus_noise")
"""Sums that are so close to THD that their mean would add nothing."""
_REFERENCES = {
    "thd_r": "re the total of fundamental and harmonics",
    "orders_plus_noise": "re the fundamental; noise in the bands of the orders, not of the whole spectrum",
}
_LIMIT_NOTE = "uncertainty of the limit"
"""Note on the uncertainty of an upper limit: the value is somewhere below the limit, which ± does not express."""


def distortion_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield worst and mean in bands and lowest frequencies below limits, by level; then those of multitone signals."""
    yield from _harmonic_numbers(inputs)
    data = inputs.datasets.get("multitone")
    for row, drive in enumerate([] if data is None else [float(value) for value in data["drive"].values]):
        assert data is not None
        multitone = data.isel(drive=row)
        ratio = float(multitone["ratio"].values)
        yield make_number(
            inputs,
            "multitone-ratio",
            f"distortion.multitone_{id_part(drive)}",
            HEADING,
            f"Distortion and noise between {multitone.sizes['tone']} tones at {drive:g} V",
            ratio if np.isfinite(ratio) else None,
            "dB",
            uncertainty=multitone_uncertainty(inputs, multitone),
            note=f"re all tones together, {float(multitone['level'].values):.1f} dB",
            reason="" if np.isfinite(ratio) else "the level between the tones is not known",
        )


def _harmonic_numbers(inputs: MetricInputs) -> Iterator[Number]:
    data = inputs.datasets.get("distortion")
    if data is None:
        yield make_number(
            inputs, "distortion-in-band", "distortion", HEADING, "Harmonic distortion", None, "%", reason=ABSENT
        )
        return
    gaps: dict[str, str] = json.loads(str(data.attrs["gaps"]))
    for row, level in enumerate(float(value) for value in data["level"].values):
        yield from _level_numbers(inputs, data.isel(level=row), level, gaps.get(f"{level:g}", ""))


def peak_list(inputs: MetricInputs) -> list[dict[str, Any]]:
    """Return the peaks of harmonics that the fundamental does not have, with their possible causes."""
    data = inputs.datasets.get("distortion")
    return [] if data is None else list(json.loads(str(data.attrs["peaks"])))


def _level_note(distortion: xr.Dataset) -> str:
    """Return the level that was reached, and the takes that it was interpolated between."""
    attrs = distortion.attrs
    first, second, reached = (float(distortion[name].values) for name in ("first_drive", "second_drive", "reached"))
    drives = f"between the takes at {first:.3g} and {second:.3g} V" if np.isfinite(second) else f"at {first:.3g} V"
    band = band_label((float(attrs["band_low"]), float(attrs["band_high"])))
    return f"level {reached:.1f} dB at {float(attrs['distance']):g} m, mean of the fundamental, {band}; {drives}"


def _level_numbers(inputs: MetricInputs, distortion: xr.Dataset, level: float, gap: str) -> Iterator[Number]:
    chosen = inputs.options.distortion
    frequency = np.asarray(distortion["frequency"].values)
    named = [str(name) for name in distortion["sum"].values]
    # Values outside the valid band are drawn shaded, and are in no number.
    low, high = (float(distortion.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    valid = (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
    percent, least = (
        np.where(valid, distortion[name].transpose("sum", "frequency").values, np.nan)
        for name in ("percent", "percent_least")
    )
    level_note = "" if gap else _level_note(distortion)
    uncertainties = (
        DistortionUncertainties(reason=gap) if gap else uncertainties_at_level(inputs, distortion, percent, least)
    )
    for name, title in _NAMES.items():
        row = named.index(name)
        for band in chosen.bands:
            result = distortion_in_band(frequency, percent[row], least[row], *band)
            for statistic, statistic_title, value, certain in (
                ("worst", "worst", result.worst, result.worst_least),
                ("mean", "root mean square", result.mean, result.mean_least),
            ):
                if statistic == "mean" and name in _WORST_ONLY:
                    continue
                limit_note = _limit_note(value, certain, noisy=name == "orders_plus_noise")
                worst_hz = result.worst_hz if statistic == "worst" else None
                yield make_number(
                    inputs,
                    "distortion-in-band",
                    f"distortion.at_{id_part(level)}.{name}.{statistic}_{band_id(band)}",
                    HEADING,
                    f"{title} at {level:g} dB, {statistic_title} from {band_label(band)}",
                    value,
                    "%",
                    bound="at most" if limit_note else "",
                    uncertainty=_with_limit_note(uncertainties.of_sum(name, statistic, band), bool(limit_note)),
                    note="; ".join(
                        filter(
                            None,
                            (
                                f"at {format_hertz(worst_hz)} Hz" if worst_hz else "",
                                _REFERENCES.get(name, "re the fundamental"),
                                limit_note,
                                level_note,
                            ),
                        )
                    ),
                    reason=gap or result.reason,
                    marks=(Mark(name, worst_hz, worst_hz),) if worst_hz else (Mark(name, *band),),
                )
    row = named.index("thd_f")
    for limit in chosen.limits:
        under = lowest_frequency_below_limit(frequency, percent[row], least[row], limit, chosen.start)
        notes = [
            level_note,
            f"searched downwards from {format_hertz(chosen.start)} Hz",
            "below the limit down to the lowest measured frequency" if under.whole else "",
            "an upper limit: the crossing may be noise" if under.bound else "",
        ]
        yield make_number(
            inputs,
            "lowest-frequency-under",
            f"distortion.at_{id_part(level)}.under_{id_part(limit)}",
            HEADING,
            f"Lowest frequency with THD below {limit:g} % at {level:g} dB",
            under.frequency_hz,
            "Hz",
            bound="at most" if under.whole or under.bound else "",
            uncertainty=_with_limit_note(uncertainties.of_limit(limit), under.bound),
            note="; ".join(filter(None, notes)),
            reason=gap or under.reason,
            marks=() if under.frequency_hz is None else (Mark("thd_f", under.frequency_hz, under.frequency_hz),),
        )


def _with_limit_note(uncertainty: Uncertainty, limit: bool) -> Uncertainty:
    """Return an uncertainty, with a note if it is that of an upper limit."""
    if not limit or uncertainty.standard is None:
        return uncertainty
    return replace(uncertainty, propagation=f"{uncertainty.propagation}; {_LIMIT_NOTE}")


def _limit_note(value: float | None, least: float | None, noisy: bool) -> str:
    """Return a note if more than 1 % of a value may be noise; `noisy` if the value includes noise."""
    if value is None or least is None or least >= 0.99 * value:
        return ""
    if noisy:
        return f"an upper limit: {least:.2g} % of it is certain, the rest may be orders below the noise"
    if least <= 0:
        return "an upper limit: all of it may be noise"
    return f"an upper limit: {least:.2g} % of it is certain, the rest may be noise"
