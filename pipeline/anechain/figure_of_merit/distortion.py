"""How much it distorts at the levels asked for."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve_parts import hertz
from anechain.acoustics.distortion_in_bands import distortion_in_band, lowest_frequency_under
from anechain.figure_of_merit.given import Given, band_slug, band_words, number, slug
from anechain.numbers import Mark, Number, Spread

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "distortion_numbers", "peak_list"]

HEADING = "Distortion"
USES = ("distortion-in-band", "lowest-frequency-under", "multitone-ratio")
ABSENT = "the harmonics were not measured"
_NAMES = {"thd_f": "THD", "second_third": "Orders 2 and 3", "fourth_up": "Orders 4 and up"}
_UNSURE = Spread(None, reason="no uncertainty of distortion can be stated; the noise is counted as an upper limit")


def distortion_numbers(given: Given) -> Iterator[Number]:
    """Worst and mean in bands, and the lowest frequencies under limits, of each level; then of multitone signals."""
    yield from _of_harmonics(given)
    data = given.datasets.get("multitone")
    for at, drive in enumerate([] if data is None else [float(one) for one in data["drive"].values]):
        assert data is not None
        one = data.isel(drive=at)
        ratio = float(one["ratio"].values)
        yield number(
            given,
            "multitone-ratio",
            f"distortion.multitone_{slug(drive)}",
            HEADING,
            f"Distortion and noise between {one.sizes['tone']} tones at {drive:g} V",
            ratio if np.isfinite(ratio) else None,
            "dB",
            spread=_UNSURE,
            note=f"re all tones, which together make {float(one['level'].values):.1f} dB",
            reason="nothing was told between the tones",
        )


def _of_harmonics(given: Given) -> Iterator[Number]:
    data = given.datasets.get("distortion")
    if data is None:
        yield number(
            given, "distortion-in-band", "distortion", HEADING, "Harmonic distortion", None, "%", reason=ABSENT
        )
        return
    gaps: dict[str, str] = json.loads(str(data.attrs["gaps"]))
    for at, level in enumerate(float(one) for one in data["level"].values):
        yield from _at_level(given, data.isel(level=at), level, gaps.get(f"{level:g}", ""))


def peak_list(given: Given) -> list[dict[str, Any]]:
    """Peaks of harmonics that the fundamental has not, with what may be behind them."""
    data = given.datasets.get("distortion")
    return [] if data is None else list(json.loads(str(data.attrs["peaks"])))


def _at_level(given: Given, one: xr.Dataset, level: float, gap: str) -> Iterator[Number]:
    chosen = given.options.distortion
    frequency = np.asarray(one["frequency"].values)
    named = [str(name) for name in one["sum"].values]
    percent = np.asarray(one["percent"].transpose("sum", "frequency").values)
    least = np.asarray(one["percent_least"].transpose("sum", "frequency").values)
    for name, words in _NAMES.items():
        row = named.index(name)
        for band in chosen.bands:
            found = distortion_in_band(frequency, percent[row], least[row], *band)
            for what, title, value, low in (
                ("worst", "worst", found.worst, found.worst_least),
                ("mean", "mean", found.mean, found.mean_least),
            ):
                where = found.worst_hz if what == "worst" else None
                yield number(
                    given,
                    "distortion-in-band",
                    f"distortion.at_{slug(level)}.{name}.{what}_{band_slug(band)}",
                    HEADING,
                    f"{words} at {level:g} dB, {title} from {band_words(band)}",
                    value,
                    "%",
                    spread=_UNSURE,
                    note="; ".join(
                        filter(
                            None, ("re the fundamental", _limited(value, low), f"at {hertz(where)} Hz" if where else "")
                        )
                    ),
                    reason=gap or found.reason,
                    marks=(Mark(name, where, where),) if where else (Mark(name, *band),),
                )
    row = named.index("thd_f")
    for limit in chosen.limits:
        under = lowest_frequency_under(frequency, percent[row], least[row], limit, chosen.start)
        notes = [
            f"followed down from {hertz(chosen.start)} Hz",
            "under it down to the lowest frequency measured" if under.whole else "",
            "an upper limit: what crosses may be noise" if under.bound else "",
        ]
        yield number(
            given,
            "lowest-frequency-under",
            f"distortion.at_{slug(level)}.under_{slug(limit)}",
            HEADING,
            f"Lowest frequency with THD under {limit:g} % at {level:g} dB",
            under.frequency_hz,
            "Hz",
            spread=_UNSURE,
            note="; ".join(filter(None, notes)),
            reason=gap or under.reason,
            marks=() if under.frequency_hz is None else (Mark("thd_f", under.frequency_hz, under.frequency_hz),),
        )


def _limited(value: float | None, least: float | None) -> str:
    """Between what it lies, where noise hides some of it by more than a hundredth."""
    if value is None or least is None or least >= 0.99 * value:
        return ""
    return f"an upper limit: at least {least:.2g} %, the rest is hidden by noise"
