"""Rows of the page's tables, with all values as printed text."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BudgetRow",
    "CheckRow",
    "CombinedUncertaintyRow",
    "ComparisonGroup",
    "DeviationRow",
    "NumberGroup",
    "NumberRow",
    "UncertaintyBudget",
]


@dataclass(frozen=True)
class NumberRow:
    """A number.

    Attributes
    ----------
    title, value, unit : str
        Title, value and unit.
    uncertainty : str
        Expanded uncertainty with its coverage factor; or the reason why there is none.
    method : str
        Id and version of the method.
    note : str
        Conditions and remarks.
    footnote : str
        Letter of the footnote that names the propagation of the uncertainty; empty if the group has only one.
    """

    title: str
    value: str
    unit: str
    uncertainty: str
    method: str
    note: str = ""
    footnote: str = ""


@dataclass(frozen=True)
class NumberGroup:
    """Numbers under one heading.

    Attributes
    ----------
    heading : str
        The heading.
    rows : tuple of NumberRow
        Numbers that have a value.
    gaps : tuple of (str, str)
        Titles of the numbers that could not be computed, and the reasons.
    propagation : tuple of (str, str)
        Letters of footnotes, and how the uncertainty was propagated; without a letter if it holds for all numbers.
    """

    heading: str
    rows: tuple[NumberRow, ...]
    gaps: tuple[tuple[str, str], ...] = ()
    propagation: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class BudgetRow:
    """A component of an uncertainty.

    Attributes
    ----------
    component : str
        Title of the component.
    stated : str
        Value, kind and coverage factor from the campaign; or the spread of repeated takes.
    evaluation : str
        "Type A" or "Type B" (JCGM 100:2008, 4.2 and 4.3).
    standard : str
        Standard uncertainty.
    correlation : str
        Correlation over directions and frequencies.
    source : str
        Source from the campaign.
    """

    component: str
    stated: str
    evaluation: str
    standard: str
    correlation: str
    source: str = ""


@dataclass(frozen=True)
class CombinedUncertaintyRow:
    """Uncertainty of a level at one frequency: correlated and uncorrelated part, combined, expanded."""

    frequency: str
    correlated: str
    uncorrelated: str
    combined: str
    expanded: str


@dataclass(frozen=True)
class UncertaintyBudget:
    """Uncertainty budget of a device's measurement.

    Attributes
    ----------
    rows : tuple of BudgetRow
        Components with a standard uncertainty.
    missing : tuple of (str, str)
        Titles of the other components, and the reasons.
    combined : tuple of CombinedUncertaintyRow
        Of the level on the axis; empty if it could not be computed.
    coverage_factor : str
        k of the expanded uncertainty.
    """

    rows: tuple[BudgetRow, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    combined: tuple[CombinedUncertaintyRow, ...] = ()
    coverage_factor: str = ""


@dataclass(frozen=True)
class CheckRow:
    """A measurement check.

    Attributes
    ----------
    title, verdict : str
        Title and verdict.
    result : str
        Result in a line; the reason if the check was not made.
    limit : str
        The limits and their source.
    where : str
        Files or directions beyond the limits.
    """

    title: str
    verdict: str
    result: str
    limit: str
    where: str = ""


@dataclass(frozen=True)
class DeviationRow:
    """A peak or dip.

    Attributes
    ----------
    extreme : str
        Frequency of the curve's maximum or minimum; empty if it has none there.
    centre, height, width, q : str
        Of the fitted shape.
    q_kind : str
        Kind of the Q.
    curve : str
        Title of the curve.
    radiates : str
        How it radiates, with the orbit over which it changes.
    probable_cause : str
        What it is.
    audibility : str
        Whether the height reaches the threshold of audibility.
    evidence : tuple of str
        Statements on the cause.
    """

    extreme: str
    centre: str
    height: str
    width: str
    q: str
    q_kind: str
    curve: str
    radiates: str
    probable_cause: str
    audibility: str
    evidence: tuple[str, ...]


@dataclass(frozen=True)
class ComparisonGroup:
    """Numbers of several devices under one heading.

    Attributes
    ----------
    heading : str
        The heading.
    rows : tuple of (str, str, tuple of str)
        Title, unit, and a cell for each device: value with its uncertainty, or empty.
    note : str
        Limitations of the numbers.
    collapsed : bool
        Whether the group is closed when the page opens.
    """

    heading: str
    rows: tuple[tuple[str, str, tuple[str, ...]], ...]
    note: str = ""
    collapsed: bool = True
