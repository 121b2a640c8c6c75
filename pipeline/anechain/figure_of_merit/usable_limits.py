"""How loud and how low a device stays usable."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np

from anechain.acoustics.nonlinear.usable_limits import RULES
from anechain.cautions import CAUTION
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit import usable_limits_uncertainty
from anechain.figure_of_merit.labels import id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "usable_numbers"]

HEADING = "Usable limits"
USES = (
    "held-level",
    "listening-level",
    "lowest-usable-frequency",
    "take-over-frequency",
    *usable_limits_uncertainty.USES,
)
AT_THE_END = "a limit: it is where the data, or what is known, end"
_HELD_IN = {
    "loudest": "usable_level",
    "held": "held_level",
    "listening": "listening_level",
    "take_over": "take_over",
}


def usable_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Lowest usable frequency at each drive, the loudest usable level, that at the listening place, a take-over.

    Parameters
    ----------
    inputs : Given
        With the dataset "compression" where there is one.
    """
    data = inputs.datasets.get("compression")
    titles = {
        "loudest": ("lowest-usable-frequency", "Loudest level measured that is usable, 1 m", "dB"),
        "held": ("held-level", "Level reached everywhere from the lowest usable frequency up, 1 m", "dB"),
        "listening": (
            "listening-level",
            "Level reached everywhere from the lowest usable frequency up, at the listening place",
            "dB",
        ),
        "take_over": ("take-over-frequency", "Suggested take-over by another loudspeaker at that level", "Hz"),
    }
    reason = ""
    if data is None:
        reason = "harmonics were not measured at two drives or more"
    elif "lowest_usable" not in data:
        reason = str(json.loads(str(data.attrs["gaps"])).get("usable", "it has no usable limits"))
    if data is None or reason:
        for key, (method, title, unit) in titles.items():
            yield make_number(inputs, method, f"usable.{key}", HEADING, title, None, unit, reason=reason)
        return
    gaps = json.loads(str(data.attrs["gaps"]))
    conditions = str(data.attrs["conditions"]).splitlines()
    drive, level, lowest = (
        np.asarray(data[name].values, dtype=np.float64) for name in ("drive", "usable_level", "lowest_usable")
    )
    rules = [str(one) for one in data["ruled_by"].values]
    usable = np.flatnonzero(np.isfinite(lowest) & np.isfinite(level))
    last = int(usable[-1]) if usable.size else None
    uncertainty = usable_limits_uncertainty.usable_limit_uncertainties(inputs, data, last)
    for row, volt in enumerate(drive.tolist()):
        there = np.isfinite(lowest[row])
        ends = rules[row] in ("not known", "data end")
        said = f"{level[row]:.1f} dB at 1 m; " if np.isfinite(level[row]) and inputs.level_kind == "spl" else ""
        yield make_number(
            inputs,
            "lowest-usable-frequency",
            f"usable.lowest_{id_part(float(f'{volt:.4g}'))}_v",
            HEADING,
            f"Lowest usable frequency at {volt:.3g} V",
            float(lowest[row]) if there else None,
            "Hz",
            bound="at most" if ends else "",
            uncertainty=Uncertainty(None, reason=AT_THE_END) if ends else uncertainty.of(f"lowest {row}"),
            note=f"{said}{RULES[rules[row]]}; {conditions[0]}" if there else "",
            reason="" if there else f"not usable at the highest frequency judged already: {rules[row]}",
        )
    relative = "" if data.attrs["level_kind"] == "spl" else "only relative levels are known"
    for key, (method, title, unit) in titles.items():
        value = float(data[_HELD_IN[key]].values[last]) if last is not None else np.nan
        why = "not usable at any drive measured, by the limits chosen" if last is None else ""
        if key == "take_over":
            why = why or "the data end before a limit is passed"
        else:
            value = np.nan if relative else value
            why = why or relative or gaps.get("listening_level", "too little of the band was measured")
        known = bool(np.isfinite(value))
        at = "" if last is None else f"from {lowest[last]:.3g} Hz, at {drive[last]:.3g} V"
        loudest = last == drive.size - 1
        if loudest and key != "take_over":
            at += ", the highest drive measured"
        told = conditions[{"listening": -1, "take_over": 2}.get(key, 1)]
        if key == "loudest":
            told = told.split("; ")[0]
        caution = CAUTION if key == "loudest" else ""
        yield make_number(
            inputs,
            method,
            f"usable.{key}",
            HEADING,
            title,
            value if known else None,
            unit,
            bound="at least" if loudest and key == "loudest" else "",
            uncertainty=uncertainty.of(key),
            note="; ".join(filter(None, (at, told, caution))) if known else "",
            reason="" if known else why,
        )
    if "wanted_level" in data.attrs:
        wanted = data.attrs.get("wanted_frequency")
        yield make_number(
            inputs,
            "lowest-usable-frequency",
            "usable.wanted",
            HEADING,
            f"Lowest usable frequency at the {float(data.attrs['wanted_level']):g} dB wanted at the listening place",
            None if wanted is None else float(wanted),
            "Hz",
            uncertainty=uncertainty.of("wanted"),
            note=conditions[-1] if wanted is not None else "",
            reason="" if wanted is not None else gaps.get("wanted_level", ""),
        )
