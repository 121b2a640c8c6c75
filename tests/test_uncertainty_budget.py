"""The uncertainty budget as JSON."""

from anechain.data.uncertainty_budget import budget_from_json, budget_to_json
from anechain.figure_of_merit.level_uncertainty import level_uncertainty
from test_level_uncertainty import by_name
from test_stated_uncertainty import WORKED, source, stated, with_takes


def test_the_budget_survives_its_json():
    statements = WORKED | stated(microphone={"value": [[100, 0.3], [10_000, 1.5]], "source": "a certificate"})
    errors = level_uncertainty(with_takes(source(), 0.3, takes=9), statements, [])
    restored = budget_from_json(budget_to_json(errors.budget))
    assert [component.text for component in restored] == [component.text for component in errors.budget]
    assert by_name(errors)["microphone"].value == [[100.0, 0.3], [10_000.0, 1.5]]
    assert restored[-1].takes == (9, 9)
