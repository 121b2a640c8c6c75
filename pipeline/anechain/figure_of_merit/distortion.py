"""How much it distorts at the levels asked for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.curve_parts import hertz
from anechain.acoustics.nonlinear.distortion_in_bands import distortion_in_band, lowest_frequency_under
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
"""Sums that follow THD so closely that their mean would say nothing new."""
_SAID = {
    "thd_r": "re the total of fundamental and harmonics",
    "orders_plus_noise": "re the fundamental; noise where the orders are, not that of the whole band",
}
_OF_LIMIT = "that of the limit"
"""Said of an upper limit's uncertainty: what lies below the limit is not known, and no ± tells of it."""


def distortion_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Worst and mean in bands, and the lowest frequencies under limits, of each level; then of multitone signals."""
    yield from _of_harmonics(inputs)
    data = inputs.datasets.get("multitone")
    for at, drive in enumerate([] if data is None else [float(one) for one in data["drive"].values]):
        assert data is not None
        one = data.isel(drive=at)
        ratio = float(one["ratio"].values)
        yield make_number(
            inputs,
            "multitone-ratio",
            f"distortion.multitone_{id_part(drive)}",
            HEADING,
            f"Distortion and noise between {one.sizes['tone']} tones at {drive:g} V",
            ratio if np.isfinite(ratio) else None,
            "dB",
            uncertainty=multitone_uncertainty(inputs, one),
            note=f"re all tones, which together make {float(one['level'].values):.1f} dB",
            reason="" if np.isfinite(ratio) else "nothing was told between the tones",
        )


def _of_harmonics(inputs: MetricInputs) -> Iterator[Number]:
    data = inputs.datasets.get("distortion")
    if data is None:
        yield make_number(
            inputs, "distortion-in-band", "distortion", HEADING, "Harmonic distortion", None, "%", reason=ABSENT
        )
        return
    gaps: dict[str, str] = json.loads(str(data.attrs["gaps"]))
    for at, level in enumerate(float(one) for one in data["level"].values):
        yield from _at_level(inputs, data.isel(level=at), level, gaps.get(f"{level:g}", ""))


def peak_list(inputs: MetricInputs) -> list[dict[str, Any]]:
    """Peaks of harmonics that the fundamental has not, with what may be behind them."""
    data = inputs.datasets.get("distortion")
    return [] if data is None else list(json.loads(str(data.attrs["peaks"])))


def _reached(attrs: Mapping[Any, Any], one: xr.Dataset) -> str:
    """What the level is, and which takes it was read from."""
    first, second, reached = (float(one[name].values) for name in ("first_drive", "second_drive", "reached"))
    drives = f"between the takes at {first:.3g} and {second:.3g} V" if np.isfinite(second) else f"at {first:.3g} V"
    band = band_label((float(attrs["band_low"]), float(attrs["band_high"])))
    return f"level {reached:.1f} dB at {float(attrs['distance']):g} m, mean of the fundamental {band}; {drives}"


def _at_level(inputs: MetricInputs, one: xr.Dataset, level: float, gap: str) -> Iterator[Number]:
    chosen = inputs.options.distortion
    frequency = np.asarray(one["frequency"].values)
    named = [str(name) for name in one["sum"].values]
    # What is measured outside the valid band is drawn, shaded, and in no number.
    low, high = (float(one.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    valid = (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
    percent, least = (
        np.where(valid, one[name].transpose("sum", "frequency").values, np.nan) for name in ("percent", "percent_least")
    )
    at = "" if gap else _reached(one.attrs, one)
    uncertainty = DistortionUncertainties(reason=gap) if gap else uncertainties_at_level(inputs, one, percent, least)
    for name, words in _NAMES.items():
        row = named.index(name)
        for band in chosen.bands:
            found = distortion_in_band(frequency, percent[row], least[row], *band)
            for what, title, value, certain in (
                ("worst", "worst", found.worst, found.worst_least),
                ("mean", "root mean square", found.mean, found.mean_least),
            ):
                if what == "mean" and name in _WORST_ONLY:
                    continue
                hidden = _limited(value, certain, noisy=name == "orders_plus_noise")
                where = found.worst_hz if what == "worst" else None
                yield make_number(
                    inputs,
                    "distortion-in-band",
                    f"distortion.at_{id_part(level)}.{name}.{what}_{band_id(band)}",
                    HEADING,
                    f"{words} at {level:g} dB, {title} from {band_label(band)}",
                    value,
                    "%",
                    bound="at most" if hidden else "",
                    uncertainty=_of_limit(uncertainty.of(name, what, band), bool(hidden)),
                    note="; ".join(
                        filter(
                            None,
                            (
                                f"at {hertz(where)} Hz" if where else "",
                                _SAID.get(name, "re the fundamental"),
                                hidden,
                                at,
                            ),
                        )
                    ),
                    reason=gap or found.reason,
                    marks=(Mark(name, where, where),) if where else (Mark(name, *band),),
                )
    row = named.index("thd_f")
    for limit in chosen.limits:
        under = lowest_frequency_under(frequency, percent[row], least[row], limit, chosen.start)
        notes = [
            at,
            f"followed down from {hertz(chosen.start)} Hz",
            "under it down to the lowest frequency measured" if under.whole else "",
            "an upper limit: what crosses there may be noise" if under.bound else "",
        ]
        yield make_number(
            inputs,
            "lowest-frequency-under",
            f"distortion.at_{id_part(level)}.under_{id_part(limit)}",
            HEADING,
            f"Lowest frequency with THD under {limit:g} % at {level:g} dB",
            under.frequency_hz,
            "Hz",
            bound="at most" if under.whole or under.bound else "",
            uncertainty=_of_limit(uncertainty.under(limit), under.bound),
            note="; ".join(filter(None, notes)),
            reason=gap or under.reason,
            marks=() if under.frequency_hz is None else (Mark("thd_f", under.frequency_hz, under.frequency_hz),),
        )


def _of_limit(uncertainty: Uncertainty, limit: bool) -> Uncertainty:
    """A spread that says so where it is the uncertainty of an upper limit."""
    return (
        replace(uncertainty, propagation=f"{uncertainty.propagation}; {_OF_LIMIT}")
        if limit and uncertainty.standard is not None
        else uncertainty
    )


def _limited(value: float | None, least: float | None, noisy: bool) -> str:
    """Between what it lies, where noise hides some of it by more than a hundredth; `noisy` if noise is part of it."""
    if value is None or least is None or least >= 0.99 * value:
        return ""
    if noisy:
        return f"an upper limit: {least:.2g} % of it is certain, orders in the noise may add the rest"
    if least <= 0:
        return "an upper limit: all of it may be noise"
    return f"an upper limit: {least:.2g} % of it is certain, the rest may be noise"
