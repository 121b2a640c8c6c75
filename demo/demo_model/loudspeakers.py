"""The five loudspeakers: geometry, drivers, crossovers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.bass import Woofer, free_air, half_space_level, vented_box
from demo_model.box import Box
from demo_model.drive_unit import LargeSignal
from demo_model.filters import first_order_shelf, linkwitz_riley, low_pass, peak
from demo_model.impedance import Terminals, Tweeter
from demo_model.loudspeaker_model import DRIVE, Driver, Loudspeaker, LowEnd, Resonance
from demo_model.piston import waveguide_radius

__all__ = ["LOUDSPEAKERS"]


def _flexible_radius(radius: Floats | float, wavenumber: Floats) -> Floats:
    """Return the effective radius of a cone whose rim no longer follows the motion above ka = 3."""
    return np.asarray((np.asarray(radius) ** -4.0 + (3.0 / wavenumber) ** -4.0) ** -0.25)


def _cone(radius: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: _flexible_radius(radius, wavenumber)


def _rigid(radius: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: np.full(wavenumber.shape, radius)


def _waveguide(mouth: float, dome: float, coverage: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: waveguide_radius(mouth, np.full(wavenumber.shape, dome), coverage, wavenumber)


def _dome(frequency: Floats, corner: float) -> Complexes:
    """Return the high-pass of the crossover with the upper roll-off of the dome."""
    return linkwitz_riley("high", corner, frequency) * low_pass(26_000, 0.9, frequency)


def _to_woofer(terminals: Terminals, frequency: Floats) -> Complexes:
    """Return the shelf and low-pass of the crossover with the roll-off of the woofer."""
    return first_order_shelf(*terminals.shelf, frequency) * linkwitz_riley("low", terminals.crossover, frequency)


def _rowan() -> Loudspeaker:
    """Sealed, 13 cm woofer; the tweeter is 22 mm to the left of the centre line."""
    woofer = Woofer(resonance=50, electrical_q=0.50, mechanical_q=4.0, compliance=0.011, resistance=5.5)
    terminals = Terminals(
        woofer,
        Tweeter(5.2, 40e-6, resonance=900, electrical_q=1.4, mechanical_q=2.5, pad=1.5),
        shelf=(400, -5.5),
        crossover=2_500,
        volume=0.0055,
    )

    low = LowEnd(
        woofer,
        # The coil rests a little in front of the centre of the gap; the suspension is a little stiffer inwards.
        LargeSignal(
            radius=0.050,
            gap_offset=-0.0004,
            gap_width=0.0085,
            stiffness_slope=-25.0,
            stiffness_rise=2.0e4,
            coil_heating=5.5,
            coil_capacity=3.5,
            magnet_heating=4.0,
            magnet_capacity=300.0,
        ),
        volume=0.0055,
        network=lambda frequency: _to_woofer(terminals, frequency),
        cone=lambda frequency: peak(1_150, 3.0, -1.3, frequency) * peak(5_600, 5.0, 6.0, frequency),
    )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(9_500, 2.5, 1.2, frequency)

    return Loudspeaker(
        drivers=(
            Driver(
                "woofer", (-0.022, -0.115), half_space_level(woofer, DRIVE), low.response, _cone(0.050), low_end=low
            ),
            Driver("tweeter", (0.0, 0.0), 83.2, high, _rigid(0.0135)),
        ),
        box=Box(left=0.063, right=-0.107, top=0.070, bottom=-0.210, depth=0.20),
        terminals=terminals,
    )


def _alder() -> Loudspeaker:
    """Vented, 17 cm woofer, tweeter in a waveguide as wide; a side panel rings at 620 Hz."""
    woofer = Woofer(resonance=40, electrical_q=0.40, mechanical_q=5.0, compliance=0.028, resistance=5.6)
    terminals = Terminals(
        woofer,
        Tweeter(4.6, 30e-6, resonance=1_000, electrical_q=1.2, mechanical_q=2.2, pad=2.2),
        shelf=(300, -6.0),
        crossover=1_700,
        volume=0.020,
        tuning=41.0,
        leakage_q=12.0,
    )

    low = LowEnd(
        woofer,
        LargeSignal(
            radius=0.066,
            gap_offset=0.0003,
            gap_width=0.0117,
            stiffness_slope=15.0,
            stiffness_rise=1.1e4,
            coil_heating=4.0,
            coil_capacity=6.0,
            magnet_heating=2.5,
            magnet_capacity=600.0,
        ),
        volume=0.020,
        network=lambda frequency: _to_woofer(terminals, frequency),
        cone=lambda frequency: peak(4_300, 4.0, 5.0, frequency),
        tuning=41.0,
        leakage_q=12.0,
        port_radius=0.025,
    )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (0.0, -0.175), half_space_level(woofer, DRIVE), low.response, _cone(0.066), low_end=low),
            Driver(
                "tweeter",
                (0.0, 0.0),
                85.3,
                high,
                _waveguide(mouth=0.075, dome=0.0125, coverage=48.0),
            ),
        ),
        box=Box(left=0.105, right=-0.105, top=0.100, bottom=-0.280, depth=0.29),
        terminals=terminals,
        resonances=(Resonance(frequency=620, q=18, level=74.0),),
    )


def _hornbeam() -> Loudspeaker:
    """Vented, two 13 cm woofers above and below the tweeter."""
    woofer = Woofer(resonance=52, electrical_q=0.38, mechanical_q=4.5, compliance=0.009, resistance=6.3)
    terminals = Terminals(
        woofer,
        Tweeter(5.6, 35e-6, resonance=850, electrical_q=1.3, mechanical_q=2.0, pad=0.7),
        shelf=(330, -6.5),
        crossover=2_200,
        woofers=2,
        volume=0.0065,
        tuning=52.0,
        leakage_q=10.0,
    )

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.0065, 52.0, frequency, leakage_q=10.0)
            * peak(5_200, 4.0, 5.0, frequency)
            * _to_woofer(terminals, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(13_000, 2.0, 0.8, frequency)

    level = half_space_level(woofer, DRIVE)
    return Loudspeaker(
        drivers=(
            Driver("upper woofer", (0.0, 0.115), level, low, _cone(0.050)),
            Driver("lower woofer", (0.0, -0.115), level, low, _cone(0.050)),
            Driver("tweeter", (0.0, 0.0), 88.5, high, _rigid(0.0130)),
        ),
        box=Box(left=0.085, right=-0.085, top=0.230, bottom=-0.230, depth=0.25),
        terminals=terminals,
    )


def _willow() -> Loudspeaker:
    """Open baffle with rounded edges: 20 cm woofer and, above it, two tweeters back to back, all as dipoles.

    Neither dipole is perfect: the woofer's basket holds the highest tones of its rear back, and the rear tweeter is
    half a decibel less sensitive.
    """
    woofer = Woofer(resonance=36, electrical_q=0.50, mechanical_q=5.0, compliance=0.045, resistance=3.4)
    terminals = Terminals(
        woofer,
        # Two in parallel.
        Tweeter(3.1, 20e-6, resonance=1_000, electrical_q=1.4, mechanical_q=2.5, pad=2.0),
        shelf=(150, -11.0),
        crossover=1_700,
    )

    def low(frequency: Floats) -> Complexes:
        return free_air(woofer, frequency) * peak(1_000, 2.2, 3.0, frequency) * _to_woofer(terminals, frequency)

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(3_000, 2.5, 2.5, frequency)

    return Loudspeaker(
        drivers=(
            Driver(
                "woofer",
                (0.0, -0.190),
                half_space_level(woofer, DRIVE),
                low,
                _cone(0.083),
                spheres=(0.115, 0.135, 0.160),
                rear=lambda frequency: low_pass(6_000, 0.7, frequency),
            ),
            Driver(
                "tweeters",
                (0.0, 0.0),
                82.8,
                high,
                _rigid(0.0140),
                spheres=(0.034, 0.041, 0.050),
                rear=lambda frequency: np.full(frequency.shape, 10 ** (-0.5 / 20), dtype=np.complex128),
            ),
        ),
        box=None,
        terminals=terminals,
    )


def _hazel() -> Loudspeaker:
    """Vented, 20 cm coaxial: the tweeter sits at the apex of the woofer's cone, so that both radiate from one point."""
    woofer = Woofer(resonance=38, electrical_q=0.42, mechanical_q=5.0, compliance=0.050, resistance=5.6)
    terminals = Terminals(
        woofer,
        Tweeter(4.8, 30e-6, resonance=950, electrical_q=1.3, mechanical_q=2.3, pad=2.0),
        shelf=(300, -6.0),
        crossover=1_650,
        volume=0.030,
        tuning=40.0,
        leakage_q=12.0,
    )

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.030, 40.0, frequency, leakage_q=12.0)
            * peak(1_500, 1.4, 2.2, frequency)
            * peak(3_800, 4.0, 4.0, frequency)
            * _to_woofer(terminals, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (0.0, 0.0), half_space_level(woofer, DRIVE), low, _cone(0.083)),
            # The surround and the curve of the cone let the wave's edge fade; an abrupt one would beam it to 22° at
            # 4 kHz and silence the axis at 8 kHz.
            Driver("tweeter", (0.0, 0.0), 87.6, high, _rigid(0.090), cone=(50.0, 20.0)),
        ),
        box=Box(left=0.140, right=-0.140, top=0.160, bottom=-0.240, depth=0.36),
        terminals=terminals,
    )


LOUDSPEAKERS: dict[str, Loudspeaker] = {
    "rowan": _rowan(),
    "alder": _alder(),
    "hornbeam": _hornbeam(),
    "willow": _willow(),
    "hazel": _hazel(),
}
"""The five, by name."""
