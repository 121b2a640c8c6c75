"""The page of a campaign: one HTML file that opens from disk, with still figures that come alive where scripts run."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from anechain.cautions import CAUTIONS
from anechain.methods import Method

if TYPE_CHECKING:
    import jinja2
    from markupsafe import Markup

__all__ = [
    "MOST_LIVE_DEVICES",
    "BudgetRow",
    "CheckRow",
    "CombinedRow",
    "ComparedGroup",
    "Content",
    "DeviationRow",
    "DevicePart",
    "FailedDevice",
    "Link",
    "ListeningNote",
    "NumberGroup",
    "NumberRow",
    "PagePerson",
    "Picture",
    "UncertaintyPart",
    "build_page",
]

MOST_LIVE_DEVICES = 24
"""With more devices than this the page holds no figures of single devices, only links to their files."""

_SHORT_STAMP = 12


@dataclass(frozen=True)
class Link:
    """A file beside the page, or a source on the web.

    Attributes
    ----------
    label : str
        What it is.
    href : str
        A path relative to the page, or an address with https, http or mailto.
    """

    label: str
    href: str

    def __post_init__(self) -> None:
        scheme = re.match(r"\s*([^/?#]*?):", self.href)
        if scheme and scheme[1].lower() not in ("https", "http", "mailto"):
            raise ValueError(f"a link leads to a file or a web page, not to {self.href!r}")


@dataclass(frozen=True)
class Picture:
    """A figure.

    Attributes
    ----------
    name : str
        Unique on the page.
    caption : str
        What it shows, in a sentence.
    alt : str
        The same for a reader who does not see it.
    svg : str
        The still picture, as rendered.
    spec : mapping
        The Vega-Lite specification, for the live picture.
    links : tuple of Link
        Its files.
    """

    name: str
    caption: str
    alt: str
    svg: str
    spec: Mapping[str, Any]
    links: tuple[Link, ...] = ()


@dataclass(frozen=True)
class ListeningNote:
    """What somebody heard, in their own words, and under which conditions."""

    text: str
    who: str = ""
    when: str = ""
    room: str = ""
    programme: str = ""


@dataclass(frozen=True)
class PagePerson:
    """Somebody who made the campaign."""

    name: str
    role: str = ""
    orcid: str = ""


@dataclass(frozen=True)
class NumberRow:
    """A number in print.

    Attributes
    ----------
    title, value, unit : str
        What it is, its value, its unit.
    uncertainty : str
        Expanded, with its factor; or why there is none.
    method : str
        "id, version".
    note : str
        What belongs to it.
    mark : str
        Of the way that the uncertainty was carried to it, where a group has several.
    """

    title: str
    value: str
    unit: str
    uncertainty: str
    method: str
    note: str = ""
    mark: str = ""


@dataclass(frozen=True)
class NumberGroup:
    """Numbers under one heading.

    Attributes
    ----------
    heading : str
    rows : tuple of NumberRow
    gaps : tuple of (str, str)
        Numbers that cannot be had, and why.
    carried : tuple of (str, str)
        Marks, and how the uncertainty was carried to the numbers that bear them; one without a mark holds for all.
    """

    heading: str
    rows: tuple[NumberRow, ...]
    gaps: tuple[tuple[str, str], ...] = ()
    carried: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class BudgetRow:
    """A component of an uncertainty in print.

    Attributes
    ----------
    component : str
        What it comes from.
    stated : str
        As the campaign states it: value, kind, coverage factor; or what repeated takes show.
    evaluation : str
        "Type A" or "Type B" (JCGM 100:2008, 4.2 and 4.3).
    standard : str
        Its standard uncertainty.
    together : str
        How it goes together over directions and frequencies.
    source : str
        Where it comes from, as the campaign gives it.
    """

    component: str
    stated: str
    evaluation: str
    standard: str
    together: str
    source: str = ""


@dataclass(frozen=True)
class CombinedRow:
    """The uncertainty of a level at a frequency in print: both parts, combined, expanded."""

    frequency: str
    correlated: str
    uncorrelated: str
    combined: str
    expanded: str


@dataclass(frozen=True)
class UncertaintyPart:
    """What is known of the uncertainty of a device's measurement.

    Attributes
    ----------
    rows : tuple of BudgetRow
        The components that count.
    missing : tuple of (str, str)
        Those that do not, and why.
    combined : tuple of CombinedRow
        Of the level on the axis; empty if nothing is known.
    coverage_factor : str
        k of the expanded uncertainty.
    """

    rows: tuple[BudgetRow, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    combined: tuple[CombinedRow, ...] = ()
    coverage_factor: str = ""


@dataclass(frozen=True)
class CheckRow:
    """A check of what came in, in print.

    Attributes
    ----------
    title, verdict : str
    found : str
        What was found; of a check that was not made, the reason.
    limit : str
        The limits, and where they come from.
    where : str
        Files or directions beyond them.
    """

    title: str
    verdict: str
    found: str
    limit: str
    where: str = ""


@dataclass(frozen=True)
class DeviationRow:
    """A peak or dip in print.

    Where the curve is highest or lowest, centre of the shape, height, width, Q and what that is of, the curve, the
    cause, whether it may be heard, and the evidence.
    """

    extreme: str
    centre: str
    height: str
    width: str
    q: str
    of_q: str
    curve: str
    cause: str
    heard: str
    evidence: tuple[str, ...]


@dataclass(frozen=True)
class ComparedGroup:
    """The same numbers of several devices under one heading.

    Attributes
    ----------
    heading : str
    rows : tuple of (str, str, tuple of str)
        Title, unit, and a cell for each device: value with its uncertainty, or empty.
    note : str
        What must be read with them.
    folded : bool
        Whether the group is folded away until it is asked for.
    """

    heading: str
    rows: tuple[tuple[str, str, tuple[str, ...]], ...]
    note: str = ""
    folded: bool = True


@dataclass(frozen=True)
class DevicePart:
    """What the page tells of one device.

    Attributes
    ----------
    id, title, kind, about : str
        From the campaign.
    level : str
        What its levels refer to ("dB re 20 µPa, 2.83 V, 1 m", or "relative").
    valid_band : str
        The valid band in words; empty if none is stated.
    setup : tuple of (str, str)
        Rows of the set-up: what, and its value with its unit.
    import_report : tuple of str
        Everything dropped, repaired, interpolated or assumed on import.
    checks : tuple of CheckRow
        Checks of what came in.
    gaps : tuple of (str, str)
        What could not be derived (in print), and why.
    uncertainty : UncertaintyPart or None
        Components of its uncertainty.
    numbers : tuple of NumberGroup
        Its figures of merit.
    deviations : tuple of DeviationRow
        Its peaks and dips.
    listening : tuple of ListeningNote
        Listening notes.
    pictures : tuple of Picture
        Its figures.
    data : tuple of Link
        Its data files.
    stamp : str
        Stamp of its curve set.
    receipts : tuple of (str, mapping)
        File names and their receipts (see :mod:`anechain.receipts.receipt`), for the section on how it was made.
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
    uncertainty: UncertaintyPart | None = None
    numbers: tuple[NumberGroup, ...] = ()
    deviations: tuple[DeviationRow, ...] = ()
    listening: tuple[ListeningNote, ...] = ()
    pictures: tuple[Picture, ...] = ()
    data: tuple[Link, ...] = ()
    stamp: str = ""
    receipts: tuple[tuple[str, Mapping[str, Any]], ...] = ()


@dataclass(frozen=True)
class FailedDevice:
    """A device without results: at which stage it failed, and every cause."""

    id: str
    title: str
    stage: str
    causes: tuple[str, ...]


@dataclass(frozen=True)
class Content:
    """Everything a page tells.

    Attributes
    ----------
    title, about, licence : str
        From the campaign.
    people : tuple of PagePerson
        Who made it.
    choices : tuple of (str, str)
        The choices among methods, and what was chosen.
    devices : tuple of DevicePart
        In the campaign's order.
    failed : tuple of FailedDevice
        Those without results.
    comparison : tuple of Picture
        Figures of several devices.
    numbers : tuple of ComparedGroup
        Numbers of several devices side by side, a column each in the order of `devices`.
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
    choices: tuple[tuple[str, str], ...] = ()
    devices: tuple[DevicePart, ...] = ()
    failed: tuple[FailedDevice, ...] = ()
    comparison: tuple[Picture, ...] = ()
    numbers: tuple[ComparedGroup, ...] = ()
    data: tuple[Link, ...] = ()
    methods: tuple[Method, ...] = ()
    software: str = ""


@dataclass(frozen=True)
class _Step:
    """One node of the tree that tells how a file was made."""

    output: str
    method: str
    version: str
    stamp: str
    parameters: tuple[tuple[str, str], ...]
    raw: tuple[tuple[str, str], ...]
    made: tuple[tuple[str, _Step], ...]
    told: bool


def _step(output: str, steps: Mapping[str, Any], stamp: str, told: set[str]) -> _Step:
    step = steps[stamp]
    known = stamp in told
    told.add(stamp)
    made_by = step.get("made_by", {})
    inputs = [(str(entry["role"]), str(entry["sha256"])) for entry in step["inputs"]]
    parameters = tuple(
        (name, value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True))
        for name, value in sorted(step.get("parameters", {}).items())
    )
    return _Step(
        output,
        str(step["method"]),
        str(step["version"]),
        stamp,
        () if known else parameters,
        () if known else tuple((role.removeprefix("raw:"), sha) for role, sha in inputs if role not in made_by),
        ()
        if known
        else tuple((sha, _step(role, steps, made_by[role], told)) for role, sha in inputs if role in made_by),
        known,
    )


def _history(receipts: Sequence[tuple[str, Mapping[str, Any]]]) -> list[_Step]:
    told: set[str] = set()
    return [_step(name, receipt["steps"], receipt["stamp"], told) for name, receipt in receipts]


def _still(picture: Picture, prefix: str) -> Markup:
    """The picture's SVG as part of a page: nothing but drawing, and with identifiers that are its own.

    Raises
    ------
    ValueError
        If it is not a picture, or holds a script.
    """
    from markupsafe import Markup

    from anechain.figures.render import number_svg_ids

    try:
        root = ElementTree.fromstring(picture.svg)
    except ElementTree.ParseError as error:
        raise ValueError(f"{picture.name}: its SVG is not well-formed: {error}") from None
    for element in root.iter():
        local = str(element.tag).rpartition("}")[2].lower()
        handlers = [name for name in element.attrib if name.lower().startswith("on")]
        links = [
            value
            for name, value in element.attrib.items()
            if name.rpartition("}")[2].lower() in ("href", "src") and not value.startswith("#")
        ]
        if local in ("script", "foreignobject", "image", "style") or handlers or links:
            raise ValueError(f"{picture.name}: its SVG holds more than a drawing: <{local}>")
    svg = picture.svg[picture.svg.index("<svg") :]
    svg = re.sub(r"<metadata\b.*?</metadata>|<!--.*?-->", "", svg, flags=re.DOTALL)
    # Several drawings on one page would otherwise share clip paths by name, and cut one another.
    svg = number_svg_ids(svg, prefix)
    return Markup(svg.replace("<svg", '<svg aria-hidden="true"', 1))


def _json(value: Any) -> Markup:
    """JSON for a script element: no "<", so that nothing in it can end the element or start a comment."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def _anchors(devices: Sequence[DevicePart]) -> list[str]:
    """A name for each device to link to: from its id, with whatever a link cannot hold replaced."""
    anchors: list[str] = []
    for device in devices:
        anchor = "device-" + (re.sub(r"[^A-Za-z0-9_-]+", "-", device.id) or "unnamed")
        while anchor in anchors:
            anchor += "-"
        anchors.append(anchor)
    return anchors


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("anechain.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def build_page(content: Content, *, most_live_devices: int = MOST_LIVE_DEVICES) -> str:
    """Build the page.

    Parameters
    ----------
    content : Content
        Everything it tells.
    most_live_devices : int
        With more devices than this, figures of single devices are links to their files; the comparison stays live.

    Returns
    -------
    str
        HTML that needs no other file and no network. Its head holds :data:`anechain.receipts.html_receipt.HTML_MARKER`
        once, for
        its receipt.

    Raises
    ------
    ValueError
        If a figure's SVG is not a drawing.
    """
    from markupsafe import Markup

    from anechain.figures.interactive_script import interactive_script
    from anechain.receipts.html_receipt import HTML_MARKER

    shown = len(content.devices) <= most_live_devices
    pictures = [*content.comparison, *(p for device in content.devices if shown for p in device.pictures)]
    numbers = {id(picture): number for number, picture in enumerate(pictures, 1)}
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            content=content,
            anchors=_anchors(content.devices),
            histories=[_history(device.receipts) for device in content.devices],
            shown=shown,
            cautions=CAUTIONS,
            number_of=lambda picture: numbers[id(picture)],
            still=lambda picture: _still(picture, f"p{numbers[id(picture)]}-"),
            json_of=_json,
            short=lambda stamp: stamp[:_SHORT_STAMP],
            receipt_block=Markup(HTML_MARKER.decode()),
            script=Markup(interactive_script()) if pictures else "",
        )
    )
