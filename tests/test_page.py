"""The page: complete, without other files, safe against any text in it, and accessible."""

import hashlib
import json
import os
import pickle
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

import modelled_speaker as model
from anechain.cautions import CAUTIONS
from anechain.figures.curve_set import bounces_figure, curve_set_figure
from anechain.figures.render import render
from anechain.methods import Method
from anechain.receipts.html_receipt import HTML_MARKER
from anechain.receipts.receipt import Input, make_receipt, seal_receipt, sha256_hex
from anechain.report.page import build_page
from anechain.report.page_content import (
    DeviceSection,
    FailedDevice,
    Link,
    ListeningNote,
    PageContent,
    PageFigure,
    PagePerson,
)
from anechain.report.table_rows import (
    BudgetRow,
    CheckRow,
    CombinedUncertaintyRow,
    DeviationRow,
    NumberGroup,
    NumberRow,
    UncertaintyBudget,
)
from outside_programs import needs_program

HOSTILE = '</script><script>document.title = "bad"</script><!-- receipt --> & "quotes" \' <b> ]]> id="x" url(#y) \u2028'
VOID = {"meta", "link", "br", "img", "input", "hr"}


class Reader(HTMLParser):
    """The tags, scripts and texts of a page as a browser reads them."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.tags, self.scripts, self.texts, self.comments, self.open = [], [], [], [], []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] == "script":
            self.scripts.append(data)
        elif not self.open or self.open[-1] != "style":
            self.texts.append(data)

    def handle_comment(self, data):
        self.comments.append(data)

    @property
    def text(self):
        return "".join(self.texts)

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


def page_figure(name, spec, caption="What the figure shows."):
    links = tuple(Link(ending.upper(), f"../figures/{name}.{ending}") for ending in ("svg", "png", "pdf"))
    return PageFigure(name, caption, f"Alternative: {caption}", render(spec)["svg"].decode(), spec, links)


@pytest.fixture(scope="module")
def specs():
    curves = model.curves(model.responses(model.log_frequencies(3), title=f"Rowan {HOSTILE}"))
    return curve_set_figure(curves), bounces_figure(curves)


@pytest.fixture(scope="module")
def receipt():
    raw = [Input(f"raw:raw/rowan/h{angle:+d}.txt", sha256_hex(str(angle).encode())) for angle in (-10, 0, 10)]
    ingest = seal_receipt(make_receipt("ingest", 1, {"importer": "delimited"}, raw), sha256_hex(b"responses"))
    responses = Input("responses.nc", sha256_hex(b"responses file"), ingest)
    return seal_receipt(make_receipt("derive", 2, {"smoothing": 24}, [responses]), sha256_hex(b"curves"))


@pytest.fixture(scope="module")
def content(specs, receipt):
    device = DeviceSection(
        id="rowan-6",
        title="Rowan 6",
        kind="Two-way on a stand",
        about="For small halls.",
        level="dB re 20 µPa, 2.83 V, 1 m",
        valid_band="35 Hz to 20 kHz",
        setup=(("Distance", "2 m"), ("Drive", "2.83 V")),
        import_report=("phase dropped: two of three directions have one",),
        checks=(CheckRow("Hum", "doubtful", "28 dB in rowan h+10.txt", "30 dB (common practice)", "rowan h+10.txt"),),
        gaps=(("Sound power", "needs the vertical orbit"),),
        uncertainty=UncertaintyBudget(
            (
                BudgetRow(
                    "calibration",
                    "0.4 dB, expanded, k = 2",
                    "Type B",
                    "0.20 dB",
                    "the same in all directions",
                    "a certificate",
                ),
            ),
            (("repeatability", "not stated, and no take was repeated"),),
            (CombinedUncertaintyRow("1000 Hz", "0.26 dB", "0.017 dB", "0.262 dB", "0.52 dB"),),
            "2",
        ),
        numbers=(
            NumberGroup(
                "Level",
                (
                    NumberRow("Sensitivity", "84.1", "dB", "± 0.5 dB (k = 2)", "sensitivity, 1", footnote="a"),
                    NumberRow("Lower limit", "52.3", "Hz", "± 0.9 Hz (k = 2)", "frequency-limits, 1", footnote="b"),
                ),
                propagation=(("a", "first order (GUM)"), ("b", "by 200 draws")),
            ),
        ),
        deviations=(
            DeviationRow(
                *("1.15 kHz", "1.2 kHz", "+3.1 dB", "0.50 octave", "2.5", "by its width", "On axis"),
                *("alike in all directions", "resonance", "reached: 1.5 dB", ("in all directions",)),
            ),
        ),
        listening=(
            ListeningNote("Clear speech.\n\nThin when one stands up.", "The caretaker", "in May", "hall", "speech"),
        ),
        figures=(page_figure("rowan-curves", specs[0]), page_figure("rowan-bounces", specs[1])),
        data=(Link("Curves (netCDF)", "../rowan-6/curves.nc"),),
        stamp=receipt["stamp"],
        receipts=(("curves.nc", receipt), ("curves.csv", receipt)),
    )
    return PageContent(
        title="Loudspeakers for community halls",
        about="Measured in the yard of a workshop.",
        licence="CC-BY-4.0",
        people=(PagePerson("A. Measurer", "measurements", "0000-0002-1825-0097"),),
        options=(("Rear wall", "three directions"),),
        devices=(device,),
        failed=(FailedDevice("yew", "Yew 10", "ingest", ("raw/yew.txt: row 17: no number",)),),
        comparison=(page_figure("comparison", specs[1]),),
        data=(Link("Comparison (netCDF)", "../comparison.nc"),),
        methods=(Method("on-axis", 1, "Level on axis", "ANSI/CTA-2034-A", "recalled", "One direction.", print),),
        software="Anechain 0.1.0",
    )


@pytest.fixture(scope="module")
def html(content):
    return build_page(content)


@pytest.fixture(scope="module")
def page(html):
    return Reader(html)


def hostile(value, path=""):
    """Return the same content with hostile text in every field for free text."""
    if isinstance(value, str):
        return value if path in ("href", "svg", "name", "orcid") else HOSTILE
    if isinstance(value, tuple):
        return tuple(hostile(item, path) for item in value)
    if hasattr(value, "__dataclass_fields__") and not isinstance(value, Method):
        return replace(
            value, **{key: hostile(getattr(value, key), key) for key in value.__dataclass_fields__ if key != "receipts"}
        )
    return value


def test_the_page_has_all_its_content(page):
    for text in (
        *("Loudspeakers for community halls", "Measured in the yard", "CC-BY-4.0", "A. Measurer", "three directions"),
        *("Rowan 6", "Two-way on a stand", "For small halls.", "35 Hz to 20 kHz", "2.83 V", "phase dropped"),
        *("Sound power: needs the vertical orbit", "Clear speech.", "The caretaker; in May; hall; speech"),
        *("Measurement checks", "28 dB in rowan h+10.txt", "Probable cause", "resonance", "reached: 1.5 dB"),
        *("Yew 10: failed at ingest", "raw/yew.txt: row 17: no number"),
        *("on-axis", "ANSI/CTA-2034-A", "recalled", "One direction.", "anechain trace FILE"),
    ):
        assert text in page.text
    setup = page.text[page.text.index("Set-up") : page.text.index("Missing results\n")]
    assert all(line in setup for line in CAUTIONS)


def test_an_uncertainty_has_its_budget_and_its_propagation(page):
    budget = page.text[page.text.index("Uncertainty budget") : page.text.index("Numbers\n")]
    for text in (
        *("calibration", "0.4 dB, expanded, k = 2", "Type B", "0.20 dB", "the same in all directions", "a certificate"),
        *("repeatability", "not stated, and no take was repeated", "JCGM 100:2008"),
        *("1000 Hz", "0.26 dB", "0.017 dB", "0.262 dB", "k = 2", "0.52 dB"),
    ):
        assert text in budget
    numbers = " ".join(page.text[page.text.index("Numbers\n") :].split())
    assert "± 0.5 dB (k = 2)a" in numbers and "± 0.9 Hz (k = 2)b" in numbers
    assert "How the uncertainties were propagated to these numbers: a first order (GUM); b by 200 draws." in numbers


def test_a_device_without_a_known_uncertainty_has_a_sentence_instead_of_a_table(content):
    bare = replace(content.devices[0], uncertainty=UncertaintyBudget(missing=(("calibration", "not stated"),)))
    text = Reader(build_page(replace(content, devices=(bare,)))).text
    assert "No combined standard uncertainty of the level on axis" in text and "not stated" in text


def test_the_history_goes_back_to_the_raw_files(page, receipt):
    for step in receipt["steps"].values():
        for entry in step["inputs"]:
            assert entry["sha256"] in page.text
            assert entry["role"].removeprefix("raw:") in page.text
    assert page.text.count("raw/rowan/h+10.txt") == 1
    assert page.text.count("(see above)") == 1
    assert page.text.count(f"stamp {receipt['stamp'][:12]}") == 2


def test_the_order_is_overview_comparison_devices_methods(page):
    places = [page.text.index(title) for title in ("Overview", "Comparison\n", "Listening notes\n", "Methods\n")]
    assert places[0] < places[1] < places[3]
    headings = [attributes.get("id") for tag, attributes in page.tags if tag == "h2"]
    assert headings == ["overview", "failed", "comparison", "device-rowan-6", "methods"]


def test_no_text_can_break_the_page(content, specs):
    page = build_page(hostile(content))
    read = Reader(page)
    assert read.open == []
    assert page.encode().count(HTML_MARKER) == 1
    assert read.comments == [" receipt "]
    assert len(read.scripts) == len(read.all("script")) == 3 + 2
    kept = [json.loads(s) for s, a in zip(read.scripts, read.all("script"), strict=True) if a.get("type")]
    assert kept == [specs[1], specs[0], specs[1]]
    assert HOSTILE in read.text
    assert not read.all("b")


def test_the_marker_of_the_receipt_is_in_the_head(html):
    assert html.count(HTML_MARKER.decode()) == 1
    assert html.index(HTML_MARKER.decode()) < html.index("</head>")


def test_the_page_needs_no_other_file(page):
    policy = next(a["content"] for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    assert "unsafe-eval" not in policy
    for tag, attributes in page.tags:
        for name in ("src", "srcset", "href", "xlink:href", "data", "poster", "action"):
            target = attributes.get(name) or ""
            if "//" in target or ":" in target:
                assert (tag, name) == ("a", "href"), target
    assert not [tag for tag, _ in page.tags if tag in ("link", "iframe", "object", "embed", "base", "img")]


def test_ids_on_the_page_are_unique_and_links_have_targets(page):
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    clips = [a["clip-path"][len("url(#") : -1] for _, a in page.tags if a.get("clip-path")]
    assert len(set(clips)) >= 3
    inner = [a["href"][1:] for a in page.all("a") if a["href"].startswith("#")]
    labelled = [a["aria-labelledby"] for _, a in page.tags if "aria-labelledby" in a]
    assert set(clips) | set(inner) | set(labelled) <= set(ids)


def test_a_screen_reader_has_headings_and_labels(page):
    assert page.all("html")[0]["lang"].startswith("en")
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert all(a.get("scope") in ("row", "col") for a in page.all("th"))
    figures = [a for a in page.all("div") if a.get("class") == "picture"]
    assert len(figures) == 3
    assert all(a["role"] == "img" and a["aria-label"].startswith("Alternative") for a in figures)
    assert all(a.get("aria-hidden") == "true" for a in page.all("svg"))


def luminance(colour):
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1])
def test_contrast(html, scheme):
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text; relative luminance as defined there.
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", re.findall(r":root \{(.*?)\}", html, re.DOTALL)[scheme]))
    for ink, paper in (
        *(("ink", "paper"), ("ink", "card"), ("quiet", "paper"), ("quiet", "card"), ("accent", "paper")),
        *(("accent", "card"), ("ink", "mark"), ("wrong", "wrong-card"), ("ink", "wrong-card")),
    ):
        bright, dark = sorted((luminance(colours[ink]), luminance(colours[paper])), reverse=True)
        assert (bright + 0.05) / (dark + 0.05) >= 4.5, (ink, paper)


def test_with_many_devices_only_the_comparison_has_figures(content):
    many = replace(content, devices=tuple(replace(content.devices[0], id=f"rowan.{n}") for n in range(3)))
    page = build_page(many, max_devices_with_figures=2)
    read = Reader(page)
    assert len([a for a in read.all("div") if a.get("class") == "picture"]) == 1
    assert len(read.all("svg")) == 1
    hrefs = [a["href"] for a in read.all("a")]
    assert hrefs.count("../figures/rowan-curves.png") == 3
    ids = [attributes["id"] for _, attributes in read.tags if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_a_page_without_figures_has_no_script(content):
    bare = replace(content, comparison=(), devices=())
    assert not Reader(build_page(bare)).all("script")


def test_two_processes_build_the_same_page(content):
    script = (
        "import hashlib, pickle, sys; from anechain.report.page import build_page;"
        "print(hashlib.sha256(build_page(pickle.loads(sys.stdin.buffer.read())).encode()).hexdigest())"
    )
    pickled = pickle.dumps(content)
    digests = {hashlib.sha256(build_page(content).encode()).hexdigest()}
    for seed in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": seed}
        done = subprocess.run(
            [sys.executable, "-c", script], input=pickled, env=environment, capture_output=True, check=True
        )
        digests.add(done.stdout.decode().strip())
    assert len(digests) == 1


@needs_program("chromium")
def test_figures_become_interactive_in_a_browser_without_a_network(html, tmp_path: Path):
    file = tmp_path / "index.html"
    # Without a window the browser may draw no frame, so that nothing becomes visible: here all figures are visible.
    all_visible = """<script>window.IntersectionObserver = class {
      constructor(seen) { this.seen = seen; }
      observe(target) { this.seen([{isIntersecting: true, target}]); }
      unobserve() {}
    };</script></head>"""
    file.write_text(html.replace("</head>", all_visible, 1), encoding="utf-8")
    done = subprocess.run(
        [
            *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"),
            *(f"--user-data-dir={tmp_path / 'profile'}", "--host-resolver-rules=MAP * ~NOTFOUND"),
            *("--virtual-time-budget=10000", "--window-size=1280,4000", "--enable-logging=stderr"),
            *("--dump-dom", file.as_uri()),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "CONSOLE" not in done.stderr, [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    assert "<title>Loudspeakers for community halls</title>" in done.stdout
    boxes = re.findall(r'<div class="picture" role="(\w+)".*?><div class="vega-embed', done.stdout, re.DOTALL)
    assert len(boxes) == 3
