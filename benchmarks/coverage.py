"""How often the stated uncertainty of a number covers its true value, over simulated measurements.

Run it by itself, in about 40 minutes on one core; it is not part of the tests:

    PYTHONPATH=tests python benchmarks/coverage.py [--measurements 300] [--draws 50] [--out docs/reference/coverage.md]

Each measurement is that of a source in closed form (tests/simulated_measurements.py), so the truth is known: it is the
same number of the levels without errors. A number covers it if the truth is within value ± expanded uncertainty
(k = 2), or within the 95 % interval where that is stated in its place.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
import xarray as xr

import nonlinear_speaker
import simulated_measurements
from anechain.acoustics.uncertainty import drawn_errors
from anechain.campaign.compression import CompressionOptions
from anechain.campaign.derivation import Derivation
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.numbers import DeviceNumbers, Numbers, NumbersUncertainty, TrendNumbers
from anechain.campaign.uncertainty import Uncertainty
from anechain.campaign.usable_limits import UsableLimits
from anechain.data.numbers import Number
from anechain.figure_of_merit import (
    aim,
    compression,
    directivity_indices,
    distortion,
    frequency_range,
    linearity,
    listening_height,
    preference,
    sensitivity,
    trends,
    usable_limits,
)
from anechain.figure_of_merit.compression_dataset import compression_dataset
from anechain.figure_of_merit.curve_dataset import USES as CURVE_USES
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.figure_of_merit.metric_inputs import MetricInputs, gather
from anechain.methods import versions
from anechain.stages.distortion import USES as DISTORTION_USES
from simulated_measurements import Errors

CAPTURE, COMMON = 0.2, 0.2
"""dB; standard deviations of the error of each capture, and of the error that all captures share."""
KINDS: Mapping[str, tuple[float | None, float | str]] = {
    "smooth": (3.0, 3.0),
    "broadband": (None, "broadband"),
    "white": (0.0, 1e-6),
}
"""Octaves after which the errors of a capture are independent, as simulated and as the campaign states them."""
NAMES = {
    "level.*": "sensitivity",
    "range.*": "limits of the frequency range",
    "linearity.*.plus_minus": "linearity, half the range",
    "linearity.*.standard_deviation": "linearity, standard deviation",
    "linearity.*.narrow_band": "linearity, narrow-band deviation",
    "trend.*.slope": "slope of a trend line",
    "trend.*.deviation": "r.m.s. deviation from a trend line",
    "trend.*.largest": "largest deviation from a trend line",
    "listening_height.*": "vertical listening window",
    "directivity.*.mean": "mean of a directivity index",
    "directivity.*.slope": "slope of a directivity index",
    "directivity.*.constancy": "constancy of a directivity index",
    "directivity.*.smoothness": "smoothness of a directivity index",
    "aim.*.deviation": "direct sound at the listener, deviation",
    "aim.*.slope": "direct sound at the listener, slope",
    "preference.rating": "predicted preference, rating",
    "preference.nbd*": "predicted preference, NBD",
    "preference.lf*": "predicted preference, LFX and LFQ",
    "preference.smoothness": "predicted preference, SM",
    "distortion.*.worst*": "worst distortion in a band",
    "distortion.*.mean*": "mean distortion in a band",
    "distortion.*.under*": "lowest frequency below a limit of distortion",
    "compression.level_change": "compression, change of level",
    "compression.shape_change": "compression, change of shape",
    "usable.lowest*": "lowest usable frequency at a drive",
    "usable.*": "usable levels",
}

Table = dict[str, list[tuple[bool, bool]]]
Group = Callable[[MetricInputs], Iterator[Number]]
Find = Callable[[np.random.Generator | None, str, int], Iterator[Number]]


def _stated(kind: str) -> dict[str, object]:
    section = {"repeatability": {"value": CAPTURE, "octaves": KINDS[kind][1]}, "calibration": {"value": COMMON}}
    return Uncertainty.model_validate(section).model_dump(mode="json", exclude_none=True)


def _inputs(responses: xr.Dataset, kind: str, draws: int, **datasets: xr.Dataset) -> MetricInputs:
    stated, derivation = _stated(kind), Derivation(smoothing=None)
    settings = derivation.model_dump(mode="json") | {"uncertainty": stated, "methods": versions(CURVE_USES)}
    given = {"curves": curve_dataset(responses, None, settings), "responses": responses, **datasets}
    options = Numbers(trends=TrendNumbers(curves=("on_axis", "in_room")), uncertainty=NumbersUncertainty(draws=draws))
    return gather(options, DeviceNumbers(), given, derivation, stated=stated)


def response_numbers(uneven: bool, *groups: Group) -> Find:
    """Return a function that simulates a measurement of the responses and yields numbers of its curves."""

    def find(random: np.random.Generator | None, kind: str, draws: int) -> Iterator[Number]:
        responses = simulated_measurements.source(uneven=uneven)
        if random is not None:
            responses = simulated_measurements.measured(responses, random, Errors(CAPTURE, KINDS[kind][0], COMMON))
        inputs = _inputs(responses, kind, draws)
        for group in groups:
            yield from group(inputs)

    return find


def _aim(inputs: MetricInputs) -> Iterator[Number]:
    return aim.numbers(inputs, aim.compare_aims(inputs))


def capture_numbers(drives: tuple[float, ...], *groups: Group) -> Find:
    """Return a function that simulates sweeps on the axis and yields numbers of distortion and compression."""

    def find(random: np.random.Generator | None, kind: str, draws: int) -> Iterator[Number]:
        harmonics = nonlinear_speaker.harmonics(drives)
        options = DistortionOptions(levels=(90.0,)).model_dump(mode="json")
        if random is not None:
            errors = Errors(CAPTURE, KINDS[kind][0], COMMON)
            harmonics = simulated_measurements.measured_harmonics(harmonics, random, errors)
        data = {
            "harmonics": harmonics,
            "distortion": distortion_dataset(harmonics, options | {"methods": versions(DISTORTION_USES)}),
            "compression": compression_dataset(
                {"harmonics": harmonics},
                {
                    "compression": CompressionOptions(smoothing=None).model_dump(mode="json"),
                    "usable_limits": UsableLimits().model_dump(mode="json"),
                    "distortion": {"false_alarm_rate": 4.5e-5, "orders": 9},
                },
            ),
        }
        inputs = _inputs(simulated_measurements.source(), kind, draws, **data)
        for group in groups:
            yield from group(inputs)

    return find


PARTS: Mapping[str, tuple[str, Find]] = {
    "flat": ("flat", response_numbers(False, linearity.numbers)),
    "linear": ("linear", capture_numbers((0.01, 0.02), compression.compression_numbers)),
    "deviations": (
        "uneven",
        response_numbers(True, sensitivity.numbers, linearity.numbers, directivity_indices.numbers, _aim),
    ),
    "preference": ("uneven", response_numbers(True, preference.numbers)),
    "trends": ("uneven", response_numbers(True, trends.numbers)),
    "distortion": (
        "compressing",
        capture_numbers(nonlinear_speaker.DRIVES, compression.compression_numbers, distortion.distortion_numbers),
    ),
    "range": ("uneven", response_numbers(True, frequency_range.numbers, listening_height.numbers)),
    "usable": ("compressing", capture_numbers(nonlinear_speaker.DRIVES, usable_limits.usable_numbers)),
}
"""By the name of a part: the source, and the numbers that are simulated together."""


def coverage(find: Find, kind: str, measurements: int, draws: int) -> Table:
    """Return for each number and measurement whether the truth is covered, and whether by an interval."""
    truth = {number.id: number.value for number in find(None, kind, 20)}
    table: Table = {}
    for measurement in range(measurements):
        # Other draws in each measurement, so that the result is not that of one set of draws.
        drawn_errors.SEED = measurement
        for number in find(np.random.default_rng([measurement, len(kind)]), kind, draws):
            true = truth.get(number.id)
            if not isinstance(true, float) or not isinstance(number.value, float):
                continue
            if number.interval is not None:
                low, high = number.interval
            elif number.uncertainty is not None:
                low, high = number.value - number.uncertainty, number.value + number.uncertainty
            else:
                continue
            rounding = 1e-9 * max(1.0, abs(true))
            covered = low - rounding <= true <= high + rounding
            table.setdefault(number.id, []).append((covered, number.interval is not None))
    return table


def rows(tables: Mapping[tuple[str, str], Table], least: int) -> Iterator[str]:
    """Yield the rows of the table in Markdown, one per kind of number and source."""
    sources = dict.fromkeys(source for source, _ in tables)
    for source in sources:
        for pattern, name in NAMES.items():
            cells, found = [], False
            for kind in KINDS:
                table = tables.get((source, kind), {})
                first = {id_: next(key for key in (*NAMES, id_) if fnmatchcase(id_, key)) for id_ in table}
                chosen = [entries for id_, entries in table.items() if first[id_] == pattern and len(entries) >= least]
                if not chosen:
                    cells.append("no uncertainty" if (source, kind) in tables else "not simulated")
                    continue
                found = True
                every = np.concatenate([np.array(entries) for entries in chosen])
                lowest = min(np.mean([covered for covered, _ in entries]) for entries in chosen)
                share = f", {100 * every[:, 1].mean():.0f} %" if every[:, 1].any() else ""
                cells.append(f"{100 * every[:, 0].mean():.1f} ({100 * lowest:.1f}{share})")
            if found:
                yield f"| {name} | {source} | {' | '.join(cells)} |"


def page(tables: Mapping[tuple[str, str], Table], measurements: int, draws: int) -> str:
    """Return the page of the documentation."""
    scatter = 196 * np.sqrt(0.95 * 0.05 / measurements)
    return f"""\
# Coverage of the uncertainties

Made by `benchmarks/coverage.py`; do not edit. {measurements} simulated measurements of a source in closed form, {draws}
draws in each. Every capture has an error of {CAPTURE} dB, and all captures share one of {COMMON} dB (standard
deviations). The error of a capture is independent after 3 octaves (smooth), the same at all frequencies (broadband), or
independent at each frequency (white), and the campaign states it so. Levels are not smoothed, 12 per octave.

A cell is the share of measurements, in per cent, in which the truth is within the stated uncertainty (k = 2) or 95 %
interval, for all numbers of a kind; in brackets that of the number with the lowest share, and how many of the numbers
have an interval.
With {measurements} measurements the share of one number scatters by ±{scatter:.1f} (95 %).

| numbers | source | smooth | broadband | white |
|---|---|---|---|---|
{chr(10).join(rows(tables, measurements // 2))}

"no uncertainty": the errors cancel in the number, or it is not determined. Numbers that are not in
the table are not simulated.
"""


def main() -> None:
    """Simulate, print progress, and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--measurements", type=int, default=300)
    parser.add_argument("--draws", type=int, default=50)
    parser.add_argument("--keep", type=Path, default=Path(".cache/coverage"), help="folder of finished parts")
    parser.add_argument("--out", type=Path, default=Path("docs/reference/coverage.md"))
    chosen = parser.parse_args()
    tables: dict[tuple[str, str], Table] = {}
    for part, (source, find) in PARTS.items():
        for kind in KINDS:
            kept = chosen.keep / f"{part}-{kind}-{chosen.measurements}-{chosen.draws}.json"
            if not kept.is_file():
                kept.parent.mkdir(parents=True, exist_ok=True)
                kept.write_text(json.dumps(coverage(find, kind, chosen.measurements, chosen.draws)), encoding="utf-8")
            tables.setdefault((source, kind), {}).update(json.loads(kept.read_text(encoding="utf-8")))
            chosen.out.write_text(page(tables, chosen.measurements, chosen.draws), encoding="utf-8")
            print(part, kind, flush=True)


if __name__ == "__main__":
    main()
