"""The content of the page: one class per section of the page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from anechain.methods import Method

if TYPE_CHECKING:
    from anechain.report.table_rows import CheckRow, ComparisonGroup, DeviationRow, NumberGroup, UncertaintyBudget

__all__ = [
    "DeviceSection",
    "FailedDevice",
    "Link",
    "ListeningNote",
    "PageContent",
    "PageFigure",
    "PagePerson",
]


@dataclass(frozen=True)
class Link:
    """A link to a file next to the page, or to a source on the web.

    Attributes
    ----------
    label : str
        Text of the link.
    href : str
        A path relative to the page, or an address with https, http or mailto.

    Raises
    ------
    ValueError
        If the address has another scheme, such as javascript.
    """

    label: str
    href: str

    def __post_init__(self) -> None:
        scheme = re.match(r"\s*([^/?#]*?):", self.href)
        if scheme and scheme[1].lower() not in ("https", "http", "mailto"):
            raise ValueError(f"a link must lead to a file or a web page, not to {self.href!r}")


@dataclass(frozen=True)
class PageFigure:
    """A figure on the page.

    Attributes
    ----------
    name : str
        Unique on the page.
    caption : str
        What the figure shows, in a sentence.
    alt : str
        Alternative text for screen readers.
    svg : str
        The static figure, as rendered.
    specification : mapping
        The Vega-Lite specification of the interactive figure.
    links : tuple of Link
        Files of the figure.
    """

    name: str
    caption: str
    alt: str
    svg: str
    specification: Mapping[str, Any]
    links: tuple[Link, ...] = ()


@dataclass(frozen=True)
class ListeningNote:
    """A listener's own words, with the listener, the date, the room and the programme."""

    text: str
    who: str = ""
    when: str = ""
    room: str = ""
    programme: str = ""


@dataclass(frozen=True)
class PagePerson:
    """An author of the campaign."""

    name: str
    role: str = ""
    orcid: str = ""


@dataclass(frozen=True)
class DeviceSection:
    """The section of one device.

    Attributes
    ----------
    id, title, kind, about : str
        From the campaign.
    level : str
        Reference of its levels ("dB re 20 µPa at 2.83 V and 1 m", or "relative level").
    valid_band : str
        The valid band with its unit; empty if none is stated.
    setup : tuple of (str, str)
        Rows of the set-up: name, and value with its unit.
    import_report : tuple of str
        Everything that the import dropped, repaired, interpolated or assumed.
    checks : tuple of CheckRow
        Measurement checks.
    gaps : tuple of (str, str)
        Titles of results that could not be computed, and the reasons.
    uncertainty : UncertaintyBudget or None
        Components of the uncertainty.
    numbers : tuple of NumberGroup
        Figures of merit.
    deviations : tuple of DeviationRow
        Peaks and dips.
    listening : tuple of ListeningNote
        Listening notes.
    figures : tuple of PageFigure
        Figures.
    data : tuple of Link
        Data files.
    stamp : str
        Stamp of the curve set.
    receipts : tuple of (str, mapping)
        File names and their receipts (see :mod:`anechain.receipts.receipt`), for the processing history.
    """

    id: str
    title: str
    kind: str = ""
    about: str = ""
    level: str = ""
    valid_band: str = ""
    setup: tuple[tuple[str, str], ...] = ()
    import_report: tuple[str, ...] = ()
    checks: tuple[CheckRow, ...] = ()
    gaps: tuple[tuple[str, str], ...] = ()
    uncertainty: UncertaintyBudget | None = None
    numbers: tuple[NumberGroup, ...] = ()
    deviations: tuple[DeviationRow, ...] = ()
    listening: tuple[ListeningNote, ...] = ()
    figures: tuple[PageFigure, ...] = ()
    data: tuple[Link, ...] = ()
    stamp: str = ""
    receipts: tuple[tuple[str, Mapping[str, Any]], ...] = ()


@dataclass(frozen=True)
class FailedDevice:
    """A device without results: the stage at which it failed, and every cause."""

    id: str
    title: str
    stage: str
    causes: tuple[str, ...]


@dataclass(frozen=True)
class PageContent:
    """The content of the whole page.

    Attributes
    ----------
    title, about, licence : str
        From the campaign.
    people : tuple of PagePerson
        Authors.
    options : tuple of (str, str)
        Names and values of the campaign's options.
    devices : tuple of DeviceSection
        In the campaign's order.
    failed : tuple of FailedDevice
        Devices without results.
    comparison : tuple of PageFigure
        Figures of several devices.
    not_compared : tuple of (str, str)
        Curves without a figure of several devices, and why.
    numbers : tuple of ComparisonGroup
        Numbers of all devices, with a column for each device in the order of `devices`.
    data : tuple of Link
        Data files of the whole campaign.
    methods : tuple of Method
        The methods that were used.
    software : str
        Name and version of the software.
    """

    title: str
    about: str = ""
    licence: str = ""
    people: tuple[PagePerson, ...] = ()
    options: tuple[tuple[str, str], ...] = ()
    devices: tuple[DeviceSection, ...] = ()
    failed: tuple[FailedDevice, ...] = ()
    comparison: tuple[PageFigure, ...] = ()
    not_compared: tuple[tuple[str, str], ...] = ()
    numbers: tuple[ComparisonGroup, ...] = ()
    data: tuple[Link, ...] = ()
    methods: tuple[Method, ...] = ()
    software: str = ""
