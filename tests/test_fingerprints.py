"""What a fingerprint covers."""

from anechain.acoustics import curves, smoothing
from anechain.fingerprints import parts_of


def test_everything_that_is_reached_by_name_is_a_part():
    parts = parts_of(curves.sound_power)
    assert {
        "anechain.acoustics.curves.sound_power",
        "anechain.acoustics.curves._mean",
        "anechain.acoustics.weights.two_orbit_weights",
    } <= parts.keys()
    assert not any("methods" in name for name in parts), "the registry computes nothing"
    assert "anechain.acoustics.smoothing.smooth" not in parts


def test_constants_and_classes_are_parts_too():
    assert {"anechain.acoustics.curves.LISTENING_WINDOW", "anechain.acoustics.curves.Derived"} <= parts_of(
        curves.listening_window
    ).keys()


def test_imported_functions_are_followed_to_where_they_are_defined():
    parts = parts_of(smoothing.smooth)
    assert "anechain.acoustics.frequencies.mean_over_log_frequency" in parts
    assert "anechain.acoustics.levels.power_of_level" in parts


def test_a_plugin_is_followed_into_the_core():
    import anechain_delimited

    parts = parts_of(anechain_delimited.anechain_read)
    assert any(name.startswith("anechain_delimited.table.") for name in parts)
    assert "anechain.assemble.assemble_responses" in parts
