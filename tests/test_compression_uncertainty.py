"""Sensitivity of what is read off compression: hard clipper in closed form, coil heating by hand."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.coil_heating import implied_temperature_rise
from anechain.acoustics.nonlinear.compression_uncertainty import limit_level_sensitivities, temperature_rise_uncertainty
from anechain.acoustics.nonlinear.octave_compression import limit_reached


def clipper(amplitude):
    """Describing function of a hard clipper of gain 1 and limit 1, dB (recalled): -1 dB at 1.259542."""
    a = np.maximum(np.asarray(amplitude, float), 1.0)
    return 20 * np.log10(2 / np.pi * (np.arcsin(1 / a) + np.sqrt(1 - 1 / a**2) / a))


def test_the_slope_of_a_hard_clipper():
    """At -1 dB: d gain / d drive by hand: N' = -4 sqrt(1 - 1 / A^2) / (pi A^2), in dB per dB of drive A N' / N."""
    amplitude = 1.259542
    by_drive = -amplitude * 4 * np.sqrt(1 - amplitude**-2) / (np.pi * amplitude**2) / 10 ** (-1 / 20)
    drives = np.array([0.1, amplitude * 0.999, amplitude * 1.001])
    level = 90 + 20 * np.log10(drives) + clipper(drives)
    shares, per_delta = limit_level_sensitivities(3, 1, level[1:], clipper(drives)[1:], -1.0)
    # The level rises by what the drive rises less what is lost.
    assert per_delta == pytest.approx((1 + by_drive) / by_drive, rel=1e-4)
    # Of the two drives around, which are one here: 1 - dL/dD, and of the lowest one dL/dD.
    assert shares[0] == pytest.approx(per_delta) and shares[1:].sum() == pytest.approx(1 - per_delta)


@pytest.mark.parametrize("below", [0, 1, 2])
def test_shares_are_what_a_changed_level_does(below):
    """Each level raised by 0.001 dB, read again."""
    drives = np.array([1.0, 2.0, 4.0, 8.0])
    delta = np.interp(np.arange(4), [0, below, below + 1, 4], [0.0, -0.3 * (below > 0), -1.6, -4.0])
    level = 90 + 20 * np.log10(drives) + delta

    def read(moved):
        compressed = moved - moved[0] - 20 * np.log10(drives)
        return limit_reached(drives, moved, compressed, -1.0).level_db

    shares, _ = limit_level_sensitivities(4, below, level[below : below + 2], delta[below : below + 2], -1.0)
    numeric = [(read(level + 1e-3 * np.eye(4)[row]) - read(level)) / 1e-3 for row in range(4)]
    assert shares.tolist() == pytest.approx(numeric, abs=2e-3)
    # What is alike at all drives moves the level by as much, and no compression.
    assert shares.sum() == pytest.approx(1.0)
    with pytest.raises(ValueError, match="compression must grow"):
        limit_level_sensitivities(4, 0, (90.0, 96.0), (-1.0, -1.0), -1.0)


def test_the_rise_of_a_coil_by_hand():
    """100 K of copper: R = 1.393 R0, 2.8790 dB; d dB / d K = 8.686 x 0.00393 / 1.393 = 0.024505."""
    rise = float(implied_temperature_rise(-2.8790))
    assert rise == pytest.approx(100.0, abs=0.01)
    assert temperature_rise_uncertainty(-2.8790, rise, 0.1) == pytest.approx(0.1 / 0.024505, rel=1e-3)
    with pytest.raises(ValueError, match="heating lowers the level"):
        temperature_rise_uncertainty(0.0, 0.0, 0.1)
