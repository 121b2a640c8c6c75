"""Measurement checks: values and limits, which determine the verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

__all__ = [
    "BAD",
    "CHECK_KINDS",
    "DOUBTFUL",
    "GOOD",
    "NOT_MADE",
    "Check",
    "CheckKind",
    "Limits",
    "Series",
    "check_not_possible",
    "check_result",
    "check_to_json",
    "drive_errors_text",
    "exceedances_text",
    "limits_text",
    "report_line",
    "with_limits",
]

GOOD, DOUBTFUL, BAD, NOT_MADE = "good", "doubtful", "bad", "not made"
"""The verdicts of a check."""
Limits = tuple[float | None, float | None]
"""Values beyond which a check is doubtful, and bad; None if there is no such limit."""

COMMON = "common practice, no source"


@dataclass(frozen=True)
class CheckKind:
    """One kind of check.

    Attributes
    ----------
    title : str
        Title in print.
    unit : str
        Unit of the values.
    above : bool
        True if values above the limits are bad, False if values below them are.
    limits : (float or None, float or None)
        The defaults; a campaign can set others.
    about : str
        Description of the value, for the campaign file.
    source_status : str
        Source of the limits.
    """

    title: str
    unit: str
    above: bool
    limits: Limits
    about: str
    source_status: str = COMMON


CHECK_KINDS: dict[str, CheckKind] = {
    "clipping": CheckKind("Clipping", "samples", True, (0.0, 10.0), "samples at the largest value of a recording"),
    "signal-to-noise": CheckKind(
        "Signal to noise",
        "dB",
        False,
        (30.0, 20.0),
        "lowest of the third-octave bands within 20 dB of the loudest; noise changes a level by 0.3 dB at 30 dB, by "
        "0.8 dB at 20 dB",
    ),
    "hum": CheckKind("Hum", "dB", False, (30.0, 20.0), "lowest ratio of the sound in a band to the mains hum in it"),
    "sweep-end": CheckKind(
        "Complete sweep", "ms", True, (-5.0, 0.0), "duration of the sweep that is missing at the end"
    ),
    "clock": CheckKind(
        "Clocks of player and recorder", "ppm", True, (100.0, 1000.0), "relative difference of the clocks"
    ),
    "sweep-law": CheckKind(
        "Law of the sweep", "ms", True, (0.5, 2.0), "difference of a harmonic order's arrival from the law"
    ),
    "drive": CheckKind(
        "Drives as stated", "dB", True, (2.0, 6.0), "level, or voltage of the loopback, relative to stated drives"
    ),
    "tones": CheckKind(
        "Tones as listed", "dB", True, (-10.0, -3.0), "strongest unlisted line near a listed tone, re that tone"
    ),
    "polarity": CheckKind("Polarity", "", True, (0.0, None), "1 if the impulse response on the axis starts negative"),
    "polarity-agreement": CheckKind(
        "Polarity of neighbours",
        "recordings",
        True,
        (0.0, 0.0),
        "recordings with inverted polarity re their neighbours",
    ),
    "reflection": CheckKind(
        "Reflections",
        "dB",
        True,
        (-30.0, -20.0),
        "level of the strongest reflection within the window, or of all sound after 1.5 ms together, re the direct "
        "sound; -20 dB changes a level by 0.9 dB, -30 dB by 0.3 dB",
    ),
    "echo": CheckKind(
        "Echo in all directions",
        "dB",
        True,
        (-30.0, -20.0),
        "level of a reflection whose delay is the same in all directions, re the direct sound",
    ),
    "distance": CheckKind(
        "Arrival and distance", "%", True, (5.0, None), "distance from the arrival time relative to the stated one"
    ),
    "rotation-centre": CheckKind(
        "Centre of rotation", "dB", True, (1.0, 3.0), "level change over the orbit by a source off the centre"
    ),
    "arrival-drift": CheckKind(
        "Arrival along the orbit", "ms", True, (0.1, 0.5), "arrival time minus the fit of its orbit"
    ),
    "mirror": CheckKind(
        "Mirrored directions",
        "dB",
        True,
        (1.5, 4.0),
        "r.m.s. level difference of left and right, or of up and down if that symmetry is declared",
    ),
    "neighbours": CheckKind(
        "Steps between neighbours", "dB", True, (0.75, 2.0), "level minus the level expected from its neighbours"
    ),
    "swapped": CheckKind(
        "Swapped directions", "%", True, (35.0, 60.0), "roughness that is removed by exchanging two files"
    ),
    "label": CheckKind(
        "Labels of directions", "°", True, (4.0, 8.0), "angle between the label and the best fit of the response"
    ),
    "pole-level": CheckKind("Shared directions, level", "dB", True, (0.5, 1.0), "r.m.s. difference between the planes"),
    "pole-arrival": CheckKind("Shared directions, arrival", "ms", True, (0.05, 0.2), "difference between the planes"),
    "repeats": CheckKind(
        "Repeated takes", "dB", True, (0.5, 1.0), "median over frequency of the takes' standard deviation"
    ),
    "frequency-range": CheckKind(
        "Frequencies",
        "octaves",
        False,
        (2.0, 1.0),
        "octaves of the audible range with data; few where frequencies are read in a wrong unit",
    ),
    "declared-band": CheckKind(
        "Declared band", "octaves", True, (0.2, 1.0), "part of the declared valid band in which there are no levels"
    ),
    "level-range": CheckKind(
        "Range of levels",
        "dB",
        False,
        (6.0, 3.0),
        "highest minus lowest level; small where pressures are read as levels",
    ),
    "sensitivity-range": CheckKind(
        "Scale of levels",
        "dB",
        True,
        (17.5, 27.5),
        "difference of the sensitivity from 87.5 dB at 1 m and 2.83 V: 70 to 105 dB is good, 60 to 115 dB not bad; "
        "pascals read as levels, a microphone's sensitivity wrong by a factor of ten",
    ),
    "copied-directions": CheckKind(
        "Copied directions", "directions", True, (0.0, 0.0), "directions with exactly the levels of another direction"
    ),
    "copied-takes": CheckKind(
        "Copied takes", "takes", True, (0.0, 0.0), "takes with exactly the levels of another take of their direction"
    ),
    "stronger-side": CheckKind(
        "Stronger side", "dB", True, (0.0, 0.5), "level of the other side re the side that is declared as stronger"
    ),
    "distance-law": CheckKind(
        "Distance law", "dB", True, (0.5, 1.5), "level difference of two distances minus that of the law"
    ),
}
"""All kinds of checks, in the order in which they are shown."""


@dataclass(frozen=True)
class Series:
    """Curves that are drawn with a check.

    Attributes
    ----------
    x_title, y_title : str
        Titles of the axes, with units.
    x : tuple of float
    lines : tuple of (str, tuple of float or None)
        Names and values, one for each `x`; the first line is the measured one.
    log : bool
        Whether x is a frequency, with a logarithmic axis.
    points : bool
        Whether the first line is drawn as points.
    limited : bool
        Whether the limits of the check apply to y.
    """

    x_title: str
    y_title: str
    x: tuple[float, ...]
    lines: tuple[tuple[str, tuple[float | None, ...]], ...]
    log: bool = False
    points: bool = False
    limited: bool = True


@dataclass(frozen=True)
class Check:
    """The result of one measurement check.

    Attributes
    ----------
    id : str
        Stable name, lower case with hyphens; see KINDS.
    title, unit, above, source_status
        As in :class:`CheckKind`.
    found : str
        The result with numbers, one line.
    values : tuple of (str, float)
        Files or directions with their values; empty if there is nothing to judge.
    limits : (float or None, float or None)
        Limits beyond which the check is doubtful, and bad.
    reason : str
        Why the check was not possible; empty if it was.
    floor : float or None
        Value that must be exceeded to be found. Without values beyond the limits, a floor beyond them leaves the check
        undecided: its verdict is "not made".
    floor_reason : str
        What sets the floor, and what to do about it.
    series : Series or None
    source : str
        Which raw exports were checked.
    """

    id: str
    title: str
    found: str
    values: tuple[tuple[str, float], ...] = ()
    limits: Limits = (None, None)
    above: bool = True
    unit: str = ""
    reason: str = ""
    series: Series | None = None
    floor: float | None = None
    floor_reason: str = ""
    source_status: str = COMMON
    source: str = "responses"

    def _beyond(self, value: float, limit: float | None) -> bool:
        return limit is not None and (value > limit if self.above else value < limit)

    @property
    def verdict(self) -> str:
        """GOOD, DOUBTFUL, BAD or NOT_MADE."""
        if self.reason:
            return NOT_MADE
        if any(self._beyond(value, self.limits[1]) for _, value in self.values):
            return BAD
        if any(self._beyond(value, self.limits[0]) for _, value in self.values):
            return DOUBTFUL
        return NOT_MADE if self.undecided else GOOD

    @property
    def undecided(self) -> bool:
        """Whether the check cannot be decided: no value is beyond a limit, but the floor is."""
        if self.reason or self.floor is None or self.where:
            return False
        return any(self._beyond(self.floor, limit) for limit in self.limits)

    @property
    def where(self) -> tuple[str, ...]:
        """Files or directions beyond the limit of a good check, the worst first."""
        beyond = [
            (value, place) for place, value in self.values if any(self._beyond(value, limit) for limit in self.limits)
        ]
        beyond.sort(key=lambda entry: -entry[0] if self.above else entry[0])
        return tuple(dict.fromkeys(place for _, place in beyond))


def _short(value: float) -> float:
    """Return a value with four significant digits, so that results do not depend on the processor."""
    return float(f"{value:.4g}") + 0.0


def check_result(
    id: str,
    found: str,
    values: Iterable[tuple[str, float]] = (),
    series: Series | None = None,
    floor: tuple[float, str] | None = None,
) -> Check:
    """Return the result of a check of a known kind, with its default limits.

    Parameters
    ----------
    id : str
        One of KINDS.
    found : str
        The result with numbers, one line. Do not use the word "missing": in an import report it means gaps in the data.
    values : iterable of (str, float)
        Files or directions with their values; values that are not finite are ignored.
    series : Series, optional
    floor : (float, str), optional
        Value that must be exceeded to be found; what sets it and what to do about it.
    """
    kind = CHECK_KINDS[id]
    kept = tuple((place, _short(value)) for place, value in values if math.isfinite(value))
    level, reason = (None, "") if floor is None else (_short(floor[0]), floor[1])
    return Check(
        id,
        kind.title,
        found,
        kept,
        kind.limits,
        kind.above,
        kind.unit,
        series=series,
        floor=level,
        floor_reason=reason,
        source_status=kind.source_status,
    )


def check_not_possible(id: str, reason: str) -> Check:
    """Return the result of a check of a known kind that was not possible, with the reason."""
    kind = CHECK_KINDS[id]
    return Check(id, kind.title, "", (), kind.limits, kind.above, kind.unit, reason, source_status=kind.source_status)


def drive_errors_text(volts: Iterable[float], errors_db: Iterable[float]) -> str:
    """Return the error of each drive in print: "1 V +0.0 dB, 2.83 V -0.2 dB"."""
    # Rounded first, so that no error is written as -0.0.
    return ", ".join(
        f"{drive:g} V {round(error, 1) + 0.0:+.1f} dB" for drive, error in zip(volts, errors_db, strict=True)
    )


def with_limits(check: Check, limits: Mapping[str, Limits]) -> Check:
    """Return a check with the limits of the campaign, if it has limits for this kind."""
    if check.id not in limits or limits[check.id] == check.limits:
        return check
    default = check.id in CHECK_KINDS and limits[check.id] == CHECK_KINDS[check.id].limits
    return replace(
        check, limits=limits[check.id], source_status=CHECK_KINDS[check.id].source_status if default else "the campaign"
    )


def limits_text(check: Check) -> str:
    """Return the limits of a check in print, for a table."""
    side = "above" if check.above else "below"
    unit = f" {check.unit}" if check.unit and check.unit not in "%°" else check.unit
    parts = [
        f"{verdict} {side} {limit:g}{unit}"
        for verdict, limit in ((DOUBTFUL, check.limits[0]), (BAD, check.limits[1]))
        if limit is not None
    ]
    if check.limits[0] == check.limits[1] and len(parts) == 2:
        parts = parts[1:]
    return ", ".join(parts) or "none"


_MAX_LISTED = 6


def exceedances_text(check: Check) -> str:
    """Return files or directions beyond the limits in print, the worst first, at most six of them."""
    listed = ", ".join(check.where[:_MAX_LISTED])
    return listed + (f" and {len(check.where) - _MAX_LISTED} more" if len(check.where) > _MAX_LISTED else "")


def report_line(check: Check) -> str:
    """Return a check as a line of the import report."""
    source = "" if check.source == "responses" else f" ({check.source})"
    if check.verdict == NOT_MADE:
        return f"check {check.title.lower()}{source}: not made: {check.reason or check.floor_reason}"
    where = f"; {exceedances_text(check)}" if check.where else ""
    return f"check {check.title.lower()}{source}: {check.verdict}: {check.found}{where}"


def check_to_json(check: Check) -> dict[str, Any]:
    """Return a check as a JSON object."""
    series = check.series
    return {
        "check": check.id,
        "title": check.title,
        "source": check.source,
        "verdict": check.verdict,
        "found": "" if check.undecided else check.found,
        "reason": check.floor_reason if check.undecided else check.reason,
        "limit": limits_text(check),
        "limits": list(check.limits),
        "source_status": check.source_status,
        "above": check.above,
        "unit": check.unit,
        "where": exceedances_text(check),
        "values": [[place, _short(value)] for place, value in check.values],
        "series": None
        if series is None
        else {
            "x_title": series.x_title,
            "y_title": series.y_title,
            "x": [_short(value) for value in series.x],
            "lines": [
                {
                    "name": name,
                    "values": [
                        None if value is None or not math.isfinite(value) else _short(value) for value in values
                    ],
                }
                for name, values in series.lines
            ],
            "log": series.log,
            "points": series.points,
            "limited": series.limited,
        },
    }
