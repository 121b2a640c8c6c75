"""The processing history: every step from the receipts, details once."""

from anechain.receipts.receipt import Input, make_receipt, seal_receipt, sha256_hex
from anechain.report.history import processing_history


def test_the_history_ends_at_the_raw_files_and_has_the_details_of_a_step_once():
    raw = [Input(f"raw:raw/h{angle:+d}.txt", sha256_hex(str(angle).encode())) for angle in (-10, 10)]
    ingest = seal_receipt(make_receipt("ingest", 1, {"importer": "delimited"}, raw), sha256_hex(b"responses"))
    responses = Input("responses.nc", sha256_hex(b"responses file"), ingest)
    derive = seal_receipt(make_receipt("derive", 2, {"smoothing": 24}, [responses]), sha256_hex(b"curves"))
    numbers = make_receipt("numbers", 3, {}, [Input("curves.nc", sha256_hex(b"curves file"), derive)])
    curves, last = processing_history([("curves.nc", derive), ("numbers.json", numbers)])
    assert (curves.output, curves.method, curves.version, curves.stamp) == ("curves.nc", "derive", "2", derive["stamp"])
    assert curves.parameters == (("smoothing", "24"),) and curves.raw_files == ()
    ((sha256, step),) = curves.inputs
    assert (sha256, step.output, step.method) == (sha256_hex(b"responses file"), "responses.nc", "ingest")
    assert step.parameters == (("importer", "delimited"),) and step.inputs == ()
    assert sorted(step.raw_files) == sorted((entry.role.removeprefix("raw:"), entry.sha256) for entry in raw)
    assert not curves.repeated and not step.repeated and not last.repeated
    ((_, again),) = last.inputs
    assert again.stamp == curves.stamp and again.repeated
    assert again.parameters == again.inputs == again.raw_files == ()
