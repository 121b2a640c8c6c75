"""The import keeps its checks: a file with a receipt, lines in the import report, limits from the campaign."""

import json

import pytest

from anechain.data.store import is_current, read_dataset, read_receipt
from anechain.running.prepare import prepare
from anechain.stages import ingest
from campaigns import campaign


def imported(folder, extra=""):
    plan = prepare(campaign(folder, extra=extra))
    return plan, ingest.run(plan, "rowan")


def verdicts(plan):
    told = json.loads((plan.results / "rowan" / "checks.json").read_bytes())
    return {one["check"]: one for one in told["checks"]}


def test_checks_are_an_output_with_the_receipt_of_the_import(tmp_path):
    plan, outcome = imported(tmp_path)
    path = plan.results / "rowan" / "checks.json"
    assert path in outcome.outputs and is_current(path, outcome.stamp)
    receipt = read_receipt(path)
    assert receipt["steps"][receipt["stamp"]]["parameters"]["checks"]["mirror"] == [1.5, 4]
    assert read_receipt(path.with_name("responses.nc"))["stamp"] == receipt["stamp"]
    before = path.read_bytes()
    assert not ingest.run(plan, "rowan").made
    path.unlink()
    assert ingest.run(plan, "rowan").made and path.read_bytes() == before


def test_every_check_has_a_line_in_the_import_report(tmp_path):
    plan, _ = imported(tmp_path)
    report = read_dataset(plan.results / "rowan" / "responses.nc").attrs["import_report"]
    lines = [line for line in report.splitlines() if line.startswith("check ")]
    assert len(lines) == len(verdicts(plan)) == 19
    assert "check repeated takes: not made: one take of each direction" in lines
    assert {one["verdict"] for one in verdicts(plan).values()} <= {"good", "not made"}


def test_limits_of_the_campaign_hold_and_another_limit_makes_the_import_anew(tmp_path):
    plan, first = imported(tmp_path)
    size = max(value for _, value in verdicts(plan)["neighbours"]["values"])
    plan, second = imported(tmp_path, f"checks:\n  neighbours: [{size / 3}, {size / 2}]\n")
    found = verdicts(plan)["neighbours"]
    assert second.made and second.stamp != first.stamp
    assert found["verdict"] == "bad" and found["source_status"] == "the campaign"


@pytest.mark.parametrize(
    ("extra", "said"),
    [("checks: {neighbour: [1, 2]}\n", "neighbours"), ("checks: {mirror: [4, 1]}\n", "must be further out")],
)
def test_wrong_limits_are_refused(tmp_path, extra, said):
    with pytest.raises(Exception, match=said):
        prepare(campaign(tmp_path, extra=extra))
