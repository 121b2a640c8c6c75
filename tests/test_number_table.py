"""The table of numbers, read as by a spreadsheet and as by a program."""

import csv
import io
from dataclasses import replace

import pytest

from anechain.data.numbers import Mark, Number, number_to_json
from anechain.data.store import read_receipt, write_artefact
from anechain.receipts.file_formats import format_of
from anechain.receipts.receipt import Input, make_receipt
from anechain.report.number_table import deviation_numbers, number_rows, numbers_csv

WHOLE = Number(
    id="level.sensitivity",
    heading="Level",
    title="Sensitivity",
    value=-84.25,
    unit="dB",
    uncertainty=0.51234,
    coverage_factor=2.0,
    propagation="first order (GUM)",
    method="sensitivity",
    version=1,
    source="a standard",
    source_status="recalled",
    note="on axis, in a band",
    marks=(Mark("on_axis", 300.0, 3000.0), Mark("on_axis", 100.0, 100.0, -81.5)),
)
GAP = Number(
    id="range.upper_3",
    heading="Frequency range",
    title="Upper limit",
    value=None,
    unit="Hz",
    method="frequency-limits",
    version=2,
    source="no source",
    source_status="common practice",
    reason="no data",
)
COUNT = replace(
    GAP,
    id="deviations.count",
    unit="",
    value=2.0,
    reason="",
    uncertainty_reason="a count",
    note="\N{GREEK SMALL LETTER MU}",
)
DIP = {
    "centre_hz": 1200.0,
    "extreme_hz": 1150.0,
    "height_db": -3.5,
    "height_uncertainty_db": 0.4,
    "height_coverage_factor": 2.0,
    "height_propagation": "first order (GUM)",
    "height_uncertainty_reason": "",
    "width_octaves": 0.5,
    "q": 2.5,
    "pole_q": 3.1,
    "phase_deg": 0.0,
    "threshold_db": 1.5,
    "above_threshold": True,
    "shape": "one resonance",
    "curve": "on_axis",
    "radiates": "not determined",
    "cause": "not determined",
    "plane": None,
    "in_curves": ["on_axis", "sound_power"],
    "evidence": ["-3.5 dB at 1200 Hz", "in all directions"],
    "method": "deviations",
    "version": 2,
    "source": "a book",
    "source_status": "recalled",
    "uncertainty_reason": "not carried",
    "marks": [{"curve": "on_axis", "low_hz": 1000, "high_hz": 1400}],
}


def rows_of(numbers, title="Rowan, two-way"):
    return list(csv.DictReader(io.StringIO(numbers_csv([("rowan", title, numbers)]).decode(), newline="")))


def test_each_number_has_a_row_and_a_gap_has_an_empty_cell():
    whole, gap = rows_of([WHOLE, GAP])
    assert whole["quantity"] == WHOLE.id and gap["quantity"] == GAP.id
    assert whole["device_title"] == "Rowan, two-way" and whole["value"] == "-84.25"
    assert whole["uncertainty"] == "0.512" and whole["coverage_factor"] == "2"
    assert gap["value"] == gap["uncertainty"] == gap["marks"] == "" and gap["reason"] == "no data"


def test_the_table_has_every_field_of_a_number():
    for number, row in zip([WHOLE, GAP, COUNT], rows_of([WHOLE, GAP, COUNT]), strict=True):
        for name, value in number_to_json(number).items():
            if name in ("marks", "interval"):
                continue
            cell = row[name]
            assert (float(cell) if isinstance(value, int | float) else cell) == ("" if value is None else value), name


def test_an_interval_is_written_by_its_ends():
    (row,) = rows_of([replace(WHOLE, uncertainty=None, coverage_factor=None, interval=(84.0, 87.5))])
    assert (row["interval_low"], row["interval_high"], row["uncertainty"]) == ("84", "87.5", "")


def test_every_value_has_an_uncertainty_or_the_reason_why_not_and_every_gap_its_reason():
    for row in rows_of(number_rows([WHOLE, GAP, COUNT], [DIP])):
        assert bool(row["value"]) != bool(row["reason"])
        if row["value"]:
            assert bool(row["uncertainty"]) != bool(row["uncertainty_reason"])
            assert bool(row["uncertainty"]) == bool(row["propagation"]) == bool(row["coverage_factor"])
        assert row["source"] and row["source_status"] and row["method"] and row["version"]


def test_marks_are_written_as_text():
    (row,) = rows_of([WHOLE])
    assert row["marks"] == "on_axis 300 to 3000 Hz; on_axis 100 Hz at \N{MINUS SIGN}81.5 dB"


def test_a_limit_is_marked_in_its_own_column():
    (row,) = rows_of([replace(WHOLE, bound="at most")])
    assert row["bound"] == "at most"


def test_each_peak_and_dip_has_a_row_for_each_property_after_their_count():
    rows = rows_of(
        number_rows([WHOLE, COUNT, GAP], [DIP, DIP | {"height_db": 2.0, "radiates": "alike in all directions"}])
    )
    by_id = {row["quantity"]: row for row in rows}
    keys = ["centre", "height", "width", "q", "threshold", "cause", "radiates", "plane"]
    listed = [f"deviations.{place}.{key}" for place in (1, 2) for key in keys]
    assert list(by_id) == [WHOLE.id, COUNT.id, *listed, GAP.id]
    first = {key: by_id[f"deviations.1.{key}"] for key in keys}
    assert {key: (row["value"], row["unit"]) for key, row in first.items()} == {
        "centre": ("1200", "Hz"),
        "height": ("-3.5", "dB"),
        "width": ("0.5", "octaves"),
        "q": ("2.5", ""),
        "threshold": ("1.5", "dB"),
        "cause": ("not determined", ""),
        "radiates": ("not determined", ""),
        "plane": ("", ""),
    }
    assert first["plane"]["reason"] == "not determined"
    assert by_id["deviations.2.plane"]["reason"] == "it is alike in all directions"
    assert first["height"]["title"] == "Dip 1: height" and by_id["deviations.2.height"]["title"] == "Peak 2: height"
    assert first["cause"]["note"] == "evidence: -3.5 dB at 1200 Hz; in all directions"
    shape = "one resonance; in curves: on_axis, sound_power"
    assert first["centre"]["note"] == f"minimum of the curve at 1150 Hz; {shape}" and first["width"]["note"] == shape
    assert first["q"]["note"] == f"of an equaliser's section; its zeros have Q 3.1; {shape}"
    assert (first["height"]["uncertainty"], first["height"]["coverage_factor"]) == ("0.4", "2")
    assert first["height"]["propagation"] == "first order (GUM)"
    assert first["q"]["marks"] == "on_axis 1000 to 1400 Hz"
    others = [row for key, row in first.items() if row["value"] and key != "height"]
    assert {(row["method"], row["version"], row["uncertainty_reason"]) for row in others} == {
        ("deviations", "2", "not carried")
    }
    assert list(deviation_numbers([])) == []


# Common practice against formulae in tables, no source.
@pytest.mark.parametrize("title", ['=HYPERLINK("https://example.org";"Rowan")', "+1", "-1+2", "@A1"])
def test_a_title_is_no_formula_and_a_negative_value_stays_a_number(title):
    (row,) = rows_of([WHOLE], title)
    assert row["device_title"] == f"'{title}" and float(row["value"]) == -84.25


def test_the_file_as_a_spreadsheet_opens_it(tmp_path):
    """UTF-8 with a byte-order mark, commas, no row wider than the table; the receipt below an empty row."""
    path = tmp_path / "numbers.csv"
    raw = [Input(f"raw:rowan, {number}; a.txt", f"{number:064x}") for number in range(300)]
    write_artefact(
        path, numbers_csv([("rowan", "Rowan", [WHOLE, COUNT, GAP])]), make_receipt("numbers-table", 2, {}, raw)
    )
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))
    ends = rows.index([])
    head, titles, *table = rows[:ends]
    assert len(head) == 1 and head[0].startswith("# ") and len(table) == 3
    assert {len(row) for row in (titles, *table)} == {21} and {len(row) for row in rows[ends + 1 :]} == {1, 2}
    assert all(row[1:] in ([], [""]) for row in rows[ends + 1 :])
    assert max(len(cell) for row in rows for cell in row) <= 110
    assert table[1][titles.index("note")] == "\N{GREEK SMALL LETTER MU}"
    assert format_of(path.read_bytes()).name == "CSV"
    assert len(read_receipt(path)["steps"][read_receipt(path)["stamp"]]["inputs"]) == 300


def test_the_file_as_a_program_reads_it(tmp_path):
    import pandas

    path = tmp_path / "numbers.csv"
    numbers = [replace(WHOLE, note="see #3"), GAP]
    write_artefact(path, numbers_csv([("rowan", "Rowan #2", numbers)]), make_receipt("numbers-table", 2, {}, []))
    frame = pandas.read_csv(path, comment="#")
    assert frame["device_title"].to_list() == ["Rowan #2"] * 2 and frame["note"].to_list()[0] == "see #3"
    assert frame["value"].to_list()[0] == -84.25 and frame["value"].isna().to_list() == [False, True]
