"""The figure of the checks: every verdict as a word, limits drawn, the same bytes each time."""

import json

import numpy as np
import pytest

from anechain.data.checks import Series, check_not_possible, check_result, check_to_json
from anechain.figures.checks import checks_figure
from anechain.figures.render import render


def told():
    angle = tuple(np.arange(-170.0, 181.0, 10.0).tolist())
    bands = tuple(np.geomspace(25, 16000, 29).tolist())
    ratio = tuple((20 + 10 * np.log10(np.array(bands))).tolist())
    series = Series("Frequency in Hz", "Signal to noise in dB", bands, (("least", ratio), ("median", ratio)), log=True)
    arrival = Series(
        "Angle in degrees",
        "Arrival in ms",
        angle,
        (("horizontal orbit", tuple(5.8 + 1e-3 * one for one in angle)), ("fit", (5.8,) * len(angle))),
        points=True,
        limited=False,
    )
    echo = Series(
        "Time after the sound in ms",
        "Level in dB",
        tuple(np.arange(0.0, 30.0, 0.5).tolist()),
        (("early response on the axis", (-20.0,) * 60), ("echo", (None,) * 12 + (-10.0,) + (None,) * 47)),
        limited=False,
    )
    checks = [
        check_result("signal-to-noise", "34 dB", [("a.wav", 34.0)], series),
        check_result("hum", "50 Hz", [("a.wav", 5.0)]),
        check_result("arrival-drift", "0.2 ms", [("horizontal 40°", 0.2)], arrival),
        check_result("reflection", "6 ms", [("a.wav", -10.0)], echo),
        check_not_possible("repeats", "one take of each direction"),
    ]
    return {"device": "rowan", "title": "Rowan", "checks": [check_to_json(check) for check in checks]}


def texts(svg):
    import re

    return re.findall(r">([^<>]+)</text>", svg)


def test_every_verdict_stands_in_words():
    svg = render(checks_figure(told()), ["svg"])["svg"].decode()
    said = texts(svg)
    assert "Measurement checks: 1 good, 1 doubtful, 2 bad, 1 not made" in said
    for title in ("Signal to noise: good", "Arrival along the orbit: doubtful", "Reflections: bad"):
        assert title in said
    assert {"good", "doubtful", "bad", "not made", "Hum", "Repeated takes"} <= set(said)


def test_limits_are_drawn_where_they_hold():
    spec = json.dumps(checks_figure(told()))
    assert '"limits_0"' in spec and '"limits_1"' not in spec and '"limits_2"' not in spec


def test_the_same_bytes_each_time():
    first, second = (render(checks_figure(told()), ["svg", "png", "pdf"]) for _ in range(2))
    assert first == second


def test_checks_without_anything_to_draw():
    bare = {"device": "rowan", "title": "Rowan", "checks": [check_to_json(check_not_possible("hum", "no silence"))]}
    spec = checks_figure(bare)
    assert len(spec["vconcat"]) == 1 and "1 not made" in spec["description"]


@pytest.mark.parametrize("verdict", ["good", "doubtful", "bad", "not made"])
def test_each_verdict_has_a_shape_of_its_own(verdict):
    scale = checks_figure(told())["vconcat"][0]["encoding"]["shape"]["scale"]
    assert verdict in scale["domain"] and len(set(scale["range"])) == 4
