"""How loud: the words that stand with a sensitivity, or with the reason why there is none."""

import valid_datasets
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.figure_of_merit.impedance import NOT_MEASURED
from anechain.figure_of_merit.metric_inputs import gather
from anechain.figure_of_merit.sensitivity import numbers


def found(level_kind="spl", rated=None, **more):
    curves, responses = valid_datasets.curves(), valid_datasets.responses()
    curves.attrs["level_kind"] = responses.attrs["level_kind"] = level_kind
    datasets = {"curves": curves, "responses": responses, **more}
    given = gather(Numbers(), DeviceNumbers(rated_impedance=rated), datasets, Derivation(smoothing=None))
    return {one.id: one for one in numbers(given)}


def test_levels_that_are_relative_are_nowhere_said_to_be_re_20_micropascal():
    for one in found("relative", rated=8.0).values():
        assert one.value is None and "20 µPa" not in one.note and "relative" in one.reason
    for one in found("spl", rated=8.0).values():
        assert one.value is not None and one.note.startswith("dB re 20 µPa; ")


def test_an_impedance_that_is_missing_has_one_reason_everywhere():
    assert found()["level.characteristic"].reason == NOT_MEASURED
    assert found(impedance=valid_datasets.impedance())["level.characteristic"].value is not None
    # Why there is no level comes first.
    assert "relative" in found("relative")["level.characteristic"].reason
