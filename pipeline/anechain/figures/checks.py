"""Figure of the measurement checks: all verdicts, and the measured values with their limits."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from anechain.data.checks import BAD, DOUBTFUL, GOOD, NOT_MADE
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure

if TYPE_CHECKING:
    import altair as alt

__all__ = ["checks_figure", "checks_of_device"]

VERDICTS = (GOOD, DOUBTFUL, BAD, NOT_MADE)
COLOURS = (style.GREEN, style.ORANGE, style.VERMILION, "#777777")
SHAPES = ("circle", "triangle-up", "square", "cross")
COLUMNS, WIDTH, HEIGHT, ROW = 2, 285, 130, 17
LINES = ((style.BLUE, (1.0, 0.0)), (style.ORANGE, (5.0, 3.0)))
AXIS_LABELS = {"20": "20", "100": "100", "1000": "1k", "10000": "10k", "20000": "20k"}


def _check_name(check: Mapping[str, Any]) -> str:
    source = "" if check["source"] == "responses" else f" ({check['source']})"
    return f"{check['title']}{source}"


def _verdict_table(checks: Sequence[Mapping[str, Any]]) -> Any:
    """Return the chart of the verdicts: a row for each check, its verdict shown by position, shape and colour."""
    import altair as alt

    rows = [
        {"check": _check_name(check), "verdict": check["verdict"], "found": check["found"] or check["reason"]}
        for check in checks
    ]
    scale = alt.Scale(domain=list(VERDICTS), range=list(COLOURS))
    shape = alt.Scale(domain=list(VERDICTS), range=list(SHAPES))
    return (
        alt.Chart(style.inline_data(rows, "verdicts"))
        .mark_point(filled=True, size=70, opacity=1, strokeWidth=2)
        .encode(
            x=alt.X(
                "verdict:N",
                scale=alt.Scale(domain=list(VERDICTS)),
                axis=alt.Axis(orient="top", title=None, labelAngle=0, grid=True, ticks=False, labelFontSize=12),
            ),
            y=alt.Y(
                "check:N",
                sort=[row["check"] for row in rows],
                axis=alt.Axis(title=None, grid=True, ticks=False, labelLimit=300),
            ),
            color=alt.Color("verdict:N", scale=scale, legend=None),
            shape=alt.Shape("verdict:N", scale=shape, legend=None),
            tooltip=[alt.Tooltip("check:N", title="Check"), alt.Tooltip("found:N", title="Result")],
        )
        .properties(width=360, height=ROW * len(rows))
    )


def _limit_rows(check: Mapping[str, Any]) -> list[dict[str, Any]]:
    doubtful, bad = check["limits"]
    return [
        {"y": limit, "limit": verdict}
        for limit, verdict in ((doubtful, DOUBTFUL), (bad, BAD))
        if limit is not None and check["series"]["limited"]
    ]


def _panel(check: Mapping[str, Any], number: int) -> alt.LayerChart:
    """Return the chart of the values of a check, its limits as dashed lines with labels."""
    import altair as alt

    series = check["series"]
    rows = [
        {"x": x, "y": y, "line": line["name"]}
        for line in series["lines"]
        for x, y in zip(series["x"], line["values"], strict=True)
        if y is not None
    ]
    names = [line["name"] for line in series["lines"] if any(value is not None for value in line["values"])]
    if series["log"]:
        axis = alt.Axis(
            title=series["x_title"],
            values=[float(label) for label in AXIS_LABELS],
            labelExpr=f"{json.dumps(AXIS_LABELS)}[datum.value] || ''",
            labelOverlap=False,
            labelFlush=False,
        )
        x = alt.X("x:Q", scale=style.frequency_scale(), axis=axis)
    elif "degree" in series["x_title"]:
        axis = alt.Axis(title=series["x_title"], values=list(range(-180, 181, 60)))
        x = alt.X("x:Q", scale=alt.Scale(domain=[-180, 180], nice=False), axis=axis)
    else:
        x = alt.X("x:Q", scale=alt.Scale(nice=False, zero=False), axis=alt.Axis(title=series["x_title"], tickCount=6))
    y = alt.Y(
        "y:Q",
        scale=alt.Scale(zero=False),
        axis=alt.Axis(title=series["y_title"], tickCount=5, minExtent=30, labelExpr="replace(datum.label, '-', '−')"),
    )
    colours = alt.Scale(domain=names, range=[LINES[place % 2][0] for place in range(len(names))])
    dashes = alt.Scale(domain=names, range=[list(LINES[place % 2][1]) for place in range(len(names))])
    legend: Any = alt.Legend(title=None, orient="bottom", symbolType="stroke", symbolSize=300, offset=4, padding=0)
    points = alt.Chart(style.inline_data(rows, f"series_{number}"))
    tooltip = [alt.Tooltip("x:Q", title=series["x_title"]), alt.Tooltip("y:Q", title=series["y_title"])]
    color = alt.Color("line:N", scale=colours, legend=legend)
    line = points.mark_line(clip=True, strokeWidth=1.6).encode(
        x=x, y=y, color=color, strokeDash=alt.StrokeDash("line:N", scale=dashes, legend=legend), tooltip=tooltip
    )
    layers = [line]
    # Points: measured values next to their fit, and lines with only one value, which a line cannot show.
    single = {names[0]} if series["points"] else set()
    single |= {line["name"] for line in series["lines"] if sum(value is not None for value in line["values"]) == 1}
    if single:
        is_single = f"indexof({json.dumps(sorted(single), ensure_ascii=False)}, datum.line) >= 0"
        if series["points"]:
            layers = [line.transform_filter(f"!({is_single})")]
        layers.append(
            points.mark_point(filled=True, size=28, opacity=1)
            .encode(x=x, y=y, color=color, tooltip=tooltip)
            .transform_filter(is_single)
        )
    limits = _limit_rows(check)
    if limits:
        limit_data = alt.Chart(style.inline_data(limits, f"limits_{number}"))
        layers.append(limit_data.mark_rule(strokeDash=[2, 2], color="#555555").encode(y="y:Q"))
        layers.append(
            limit_data.mark_text(align="right", baseline="bottom", dx=-2, dy=-1, fontSize=10, color=style.INK).encode(
                x=alt.value(WIDTH), y="y:Q", text="limit:N"
            )
        )
    title = alt.TitleParams(
        text=f"{_check_name(check)}: {check['verdict']}", anchor="start", fontSize=12, fontWeight="normal", offset=6
    )
    return alt.LayerChart(layer=layers, width=WIDTH, height=HEIGHT, title=title)


def checks_figure(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return the figure of the measurement checks of a device.

    Parameters
    ----------
    document : mapping
        Content of checks.json: `device`, `title`, and `checks` as :func:`anechain.data.checks.check_to_json` returns
        them.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    import altair as alt

    checks = document["checks"]
    count = {verdict: sum(check["verdict"] == verdict for check in checks) for verdict in VERDICTS}
    summary = ", ".join(f"{number} {verdict}" for verdict, number in count.items() if number)
    panels = [_panel(check, number) for number, check in enumerate(check for check in checks if check["series"])]
    rows: list[Any] = [_verdict_table(checks)]
    if panels:
        grid = alt.concat(*panels, columns=COLUMNS, spacing=24)
        rows.append(grid.resolve_scale(color="independent", strokeDash="independent"))
    chart = (
        alt.vconcat(*rows)
        .resolve_scale(color="independent", shape="independent", strokeDash="independent")
        .properties(title=style.heading(str(document["title"]), [f"Measurement checks: {summary}"]))
    )
    return style.finish_spec(chart, f"{document['title']}: measurement checks: {summary}")


def checks_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the measurement checks."""
    del data
    caption = (
        "Measurement checks: verdicts above, measured values with limits below. Checks that were not possible are "
        "listed in the table."
    )
    yield DeviceFigure("checks", caption, ("checks.json",), checks_figure)
