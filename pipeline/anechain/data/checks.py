"""What a check of the incoming data found: numbers and limits, from which the verdict follows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

__all__ = [
    "BAD",
    "DOUBTFUL",
    "GOOD",
    "KINDS",
    "NOT_MADE",
    "Check",
    "Kind",
    "Limits",
    "Series",
    "as_json",
    "drives_in_words",
    "judged",
    "limits_in_words",
    "line_of",
    "made",
    "not_made",
    "where_in_words",
]

GOOD, DOUBTFUL, BAD, NOT_MADE = "good", "doubtful", "bad", "not made"
"""Verdicts."""
Limits = tuple[float | None, float | None]
"""Values beyond which a check is doubtful, and bad; None for never."""

COMMON = "common practice, no source"


@dataclass(frozen=True)
class Kind:
    """One kind of check.

    Attributes
    ----------
    title : str
        In print.
    unit : str
        Of its values.
    above : bool
        Whether values above the limits are worse; below otherwise.
    limits : (float or None, float or None)
        Unless a campaign states others.
    about : str
        What its value is, for the campaign file.
    source_status : str
        Of the limits.
    """

    title: str
    unit: str
    above: bool
    limits: Limits
    about: str
    source_status: str = COMMON


KINDS: dict[str, Kind] = {
    "clipping": Kind("Clipping", "samples", True, (0.0, 10.0), "samples that stand at a recording's greatest value"),
    "signal-to-noise": Kind(
        "Signal to noise",
        "dB",
        False,
        (30.0, 20.0),
        "least of the third-octave bands within 20 dB of the loudest; at 30 dB noise moves a level by 0.3 dB, at 20 dB "
        "by 0.8 dB",
    ),
    "hum": Kind("Hum", "dB", False, (30.0, 20.0), "least distance from a mains line up to the sound in its band"),
    "sweep-end": Kind("Whole sweep", "ms", True, (-5.0, 0.0), "time of the sweep that the recording lacks"),
    "clock": Kind("Clocks of player and recorder", "ppm", True, (100.0, 1000.0), "difference of the clocks"),
    "sweep-law": Kind(
        "Law of the sweep", "ms", True, (0.5, 2.0), "time by which a harmonic order is elsewhere than the law says"
    ),
    "drive": Kind("Drives as stated", "dB", True, (2.0, 6.0), "level, or volts of the loopback, against stated drives"),
    "tones": Kind("Tones as listed", "dB", True, (-10.0, -3.0), "strongest line beside a listed tone, re that tone"),
    "polarity": Kind("Polarity", "", True, (0.0, None), "1 if the sound on the axis begins downwards"),
    "polarity-agreement": Kind(
        "Polarity of neighbours", "recordings", True, (0.0, 0.0), "recordings turned over against their neighbours"
    ),
    "reflection": Kind(
        "First reflection", "dB", True, (-30.0, -20.0), "level, re the direct sound, of an echo inside the window"
    ),
    "distance": Kind("Arrival and distance", "%", True, (5.0, None), "distance by arrival against the stated one"),
    "rotation-centre": Kind(
        "Centre of rotation", "dB", True, (1.0, 3.0), "level that a source off the centre moves round the orbit"
    ),
    "arrival-drift": Kind("Arrival round the orbit", "ms", True, (0.1, 0.5), "arrival against the orbit's own fit"),
    "mirror": Kind("Left and right", "dB", True, (1.5, 4.0), "r.m.s. level difference of mirrored directions"),
    "neighbours": Kind("Steps between neighbours", "dB", True, (0.75, 2.0), "level against what neighbours let expect"),
    "swapped": Kind("Swapped directions", "%", True, (35.0, 60.0), "roughness that exchanging two files takes away"),
    "label": Kind("Labels of directions", "°", True, (4.0, 8.0), "angle between a label and where the response fits"),
    "pole-level": Kind("Shared directions, level", "dB", True, (0.5, 1.0), "r.m.s. difference between the planes"),
    "pole-arrival": Kind("Shared directions, arrival", "ms", True, (0.05, 0.2), "difference between the planes"),
    "repeats": Kind("Repeated takes", "dB", True, (0.5, 1.0), "median over frequency of the takes' standard deviation"),
    "distance-law": Kind("Distance law", "dB", True, (0.5, 1.5), "level difference of two distances against the law"),
}
"""All checks that are known here, in the order in which they are shown."""


@dataclass(frozen=True)
class Series:
    """Something to draw beside a check.

    Attributes
    ----------
    x_title, y_title : str
        Of the axes, with their units.
    x : tuple of float
    lines : tuple of (str, tuple of float or None)
        Names and values, as many as there are in `x`; the first is what was found.
    log : bool
        Whether x is a frequency, drawn on a logarithmic axis.
    points : bool
        Whether the first line is drawn as points.
    limited : bool
        Whether the limits of the check hold for y.
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
    """One check of the incoming data.

    Attributes
    ----------
    id : str
        Stable name, lower case with hyphens; see KINDS.
    title, unit, above, standing
        As in :class:`Kind`.
    found : str
        One line with numbers.
    values : tuple of (str, float)
        Where (a file, a direction) and how much; empty if nothing was found that could be wrong.
    limits : (float or None, float or None)
        Beyond which it is doubtful, and bad.
    reason : str
        Why it was not made; empty if it was.
    series : Series or None
    source : str
        Which raw exports it is of.
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
        return DOUBTFUL if any(self._beyond(value, self.limits[0]) for _, value in self.values) else GOOD

    @property
    def where(self) -> tuple[str, ...]:
        """Files or directions beyond the limit of what is good, the worst first."""
        beyond = [
            (value, place) for place, value in self.values if any(self._beyond(value, one) for one in self.limits)
        ]
        beyond.sort(key=lambda one: -one[0] if self.above else one[0])
        return tuple(dict.fromkeys(place for _, place in beyond))


def _short(value: float) -> float:
    """A value to four significant digits, so that results do not hang on a processor's last bits."""
    return float(f"{value:.4g}") + 0.0


def made(id: str, found: str, values: Iterable[tuple[str, float]] = (), series: Series | None = None) -> Check:
    """A check of a known kind, with its usual limits.

    Parameters
    ----------
    id : str
        One of KINDS.
    found : str
        One line with numbers. The word "missing" is not for it: in an import report it stands for gaps in the data.
    values : iterable of (str, float)
        Where and how much; what is not finite is left out.
    series : Series, optional
    """
    kind = KINDS[id]
    kept = tuple((place, _short(value)) for place, value in values if math.isfinite(value))
    return Check(id, kind.title, found, kept, kind.limits, kind.above, kind.unit, "", series, kind.source_status)


def not_made(id: str, reason: str) -> Check:
    """A check of a known kind that could not be made, and why."""
    kind = KINDS[id]
    return Check(id, kind.title, "", (), kind.limits, kind.above, kind.unit, reason, None, kind.source_status)


def drives_in_words(volts: Iterable[float], off: Iterable[float]) -> str:
    """What a check of drives found at each: "1 V +0.0 dB, 2.83 V -0.2 dB"."""
    # Rounded first, so that nothing is written as -0.0.
    return ", ".join(f"{drive:g} V {round(by, 1) + 0.0:+.1f} dB" for drive, by in zip(volts, off, strict=True))


def judged(check: Check, limits: Mapping[str, Limits]) -> Check:
    """The same check by the limits that a campaign states, if it states any for its kind."""
    if check.id not in limits or limits[check.id] == check.limits:
        return check
    usual = check.id in KINDS and limits[check.id] == KINDS[check.id].limits
    return replace(
        check, limits=limits[check.id], source_status=KINDS[check.id].source_status if usual else "the campaign"
    )


def limits_in_words(check: Check) -> str:
    """The limits of a check, for a table."""
    word = "above" if check.above else "below"
    unit = f" {check.unit}" if check.unit and check.unit not in "%°" else check.unit
    parts = [
        f"{verdict} {word} {limit:g}{unit}"
        for verdict, limit in ((DOUBTFUL, check.limits[0]), (BAD, check.limits[1]))
        if limit is not None
    ]
    if check.limits[0] == check.limits[1] and len(parts) == 2:
        parts = parts[1:]
    return ", ".join(parts) or "none"


_MOST = 6


def where_in_words(check: Check) -> str:
    """Files or directions beyond the limits, the worst first, at most six of them."""
    listed = ", ".join(check.where[:_MOST])
    return listed + (f" and {len(check.where) - _MOST} more" if len(check.where) > _MOST else "")


def line_of(check: Check) -> str:
    """A check as a line of the import report."""
    of = "" if check.source == "responses" else f" ({check.source})"
    if check.reason:
        return f"check {check.title.lower()}{of}: not made: {check.reason}"
    where = f"; {where_in_words(check)}" if check.where else ""
    return f"check {check.title.lower()}{of}: {check.verdict}: {check.found}{where}"


def as_json(check: Check) -> dict[str, Any]:
    """A check as JSON holds it."""
    series = check.series
    return {
        "check": check.id,
        "title": check.title,
        "source": check.source,
        "verdict": check.verdict,
        "found": check.found,
        "reason": check.reason,
        "limit": limits_in_words(check),
        "limits": list(check.limits),
        "source_status": check.source_status,
        "above": check.above,
        "unit": check.unit,
        "where": where_in_words(check),
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
