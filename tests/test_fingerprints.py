"""What a fingerprint covers."""

from anechain.acoustics.curve import smoothing
from anechain.acoustics.directivity import curve_averages
from anechain.method_lock.fingerprints import code_fingerprints


def test_everything_that_is_reached_by_name_is_a_part():
    parts = code_fingerprints(curve_averages.sound_power)
    assert {
        "anechain.acoustics.directivity.curve_averages.sound_power",
        "anechain.acoustics.directivity.curve_averages._mean_power",
        "anechain.acoustics.directivity.weights.two_orbit_weights",
    } <= parts.keys()
    assert not any("methods" in name for name in parts), "the registry computes nothing"
    assert "anechain.acoustics.curve.smoothing.smooth" not in parts


def test_constants_and_classes_are_parts_too():
    assert {
        "anechain.acoustics.directivity.direction_lists.LISTENING_WINDOW",
        "anechain.acoustics.directivity.curve_averages.DerivedCurve",
    } <= code_fingerprints(curve_averages.listening_window).keys()


def test_imported_functions_are_followed_to_where_they_are_defined():
    parts = code_fingerprints(smoothing.smooth)
    assert "anechain.acoustics.curve.frequencies.mean_over_log_frequency" in parts
    assert "anechain.acoustics.curve.levels.power_of_level" in parts


def test_a_plugin_is_followed_into_the_core():
    import anechain_delimited

    parts = code_fingerprints(anechain_delimited.anechain_read)
    assert any(name.startswith("anechain_delimited.curve.") for name in parts)
    assert "anechain.importing.assemble.assemble_responses" in parts
