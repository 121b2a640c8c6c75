"""Numbers of the usable limits: how loud, and down to which frequency, a device is usable."""

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
AT_DATA_END = "it is only a limit: it is at the end of the data"
_VARIABLES = {
    "loudest": "usable_level",
    "held": "held_level",
    "listening": "listening_level",
    "take_over": "take_over",
}


def usable_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the lowest usable frequency at each drive, usable levels, and a suggested take-over frequency.

    Parameters
    ----------
    inputs : MetricInputs
        With the dataset "compression" if it exists.
    """
    data = inputs.datasets.get("compression")
    titles = {
        "loudest": ("lowest-usable-frequency", "Highest usable level that was measured, 1 m", "dB"),
        "held": ("held-level", "Level available at all frequencies above the lowest usable one, 1 m", "dB"),
        "listening": (
            "listening-level",
            "Level available at all frequencies above the lowest usable one, at the listening position",
            "dB",
        ),
        "take_over": (
            "take-over-frequency",
            "Suggested frequency below which another loudspeaker takes over, at that level",
            "Hz",
        ),
    }
    reason = ""
    if data is None:
        reason = "harmonics were not measured at two drives or more"
    elif "lowest_usable" not in data:
        reason = str(json.loads(str(data.attrs["gaps"])).get("usable", "usable limits were not computed"))
    if data is None or reason:
        for key, (method, title, unit) in titles.items():
            yield make_number(inputs, method, f"usable.{key}", HEADING, title, None, unit, reason=reason)
        return
    gaps = json.loads(str(data.attrs["gaps"]))
    conditions = str(data.attrs["conditions"]).splitlines()
    drive, level, lowest = (
        np.asarray(data[name].values, dtype=np.float64) for name in ("drive", "usable_level", "lowest_usable")
    )
    rules = [str(rule) for rule in data["ruled_by"].values]
    usable = np.flatnonzero(np.isfinite(lowest) & np.isfinite(level))
    last = int(usable[-1]) if usable.size else None
    uncertainties = usable_limits_uncertainty.usable_limit_uncertainties(inputs, data)
    for row, volt in enumerate(drive.tolist()):
        determined = np.isfinite(lowest[row])
        at_data_end = rules[row] in ("not known", "data end")
        level_note = f"{level[row]:.1f} dB at 1 m; " if np.isfinite(level[row]) and inputs.level_kind == "spl" else ""
        yield make_number(
            inputs,
            "lowest-usable-frequency",
            f"usable.lowest_{id_part(float(f'{volt:.4g}'))}_v",
            HEADING,
            f"Lowest usable frequency at {volt:.3g} V",
            float(lowest[row]) if determined else None,
            "Hz",
            bound="at most" if at_data_end else "",
            uncertainty=Uncertainty(None, reason=AT_DATA_END) if at_data_end else uncertainties.get(f"lowest {row}"),
            note=f"{level_note}{RULES[rules[row]]}; {conditions[0]}" if determined else "",
            reason="" if determined else f"not usable even at the highest frequency that was judged: {rules[row]}",
        )
    relative = "" if data.attrs["level_kind"] == "spl" else "only relative levels are known"
    for key, (method, title, unit) in titles.items():
        value = float(data[_VARIABLES[key]].values[last]) if last is not None else np.nan
        gap = "not usable at any measured drive with the chosen limits" if last is None else ""
        if key == "take_over":
            gap = gap or "the data end before a limit is exceeded"
        else:
            value = np.nan if relative else value
            gap = gap or relative or gaps.get("listening_level", "too little of the band was measured")
        known = bool(np.isfinite(value))
        drive_note = "" if last is None else f"from {lowest[last]:.3g} Hz, at {drive[last]:.3g} V"
        at_highest_drive = last == drive.size - 1
        if at_highest_drive and key != "take_over":
            drive_note += ", the highest measured drive"
        condition = conditions[{"listening": -1, "take_over": 2}.get(key, 1)]
        if key == "loudest":
            condition = condition.split("; ")[0]
        caution = CAUTION if key == "loudest" else ""
        yield make_number(
            inputs,
            method,
            f"usable.{key}",
            HEADING,
            title,
            value if known else None,
            unit,
            bound="at least" if at_highest_drive and key == "loudest" else "",
            uncertainty=uncertainties.get(key),
            note="; ".join(filter(None, (drive_note, condition, caution))) if known else "",
            reason="" if known else gap,
        )
    if "wanted_level" in data.attrs:
        wanted = data.attrs.get("wanted_frequency")
        yield make_number(
            inputs,
            "lowest-usable-frequency",
            "usable.wanted",
            HEADING,
            f"Lowest usable frequency at the {float(data.attrs['wanted_level']):g} dB wanted at the listening position",
            None if wanted is None else float(wanted),
            "Hz",
            uncertainty=uncertainties.get("wanted"),
            note=conditions[-1] if wanted is not None else "",
            reason="" if wanted is not None else gaps.get("wanted_level", ""),
        )
