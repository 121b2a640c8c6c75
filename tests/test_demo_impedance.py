"""The demo's impedances against the sound's model, an independent mechanical model, and nodal analysis."""

from __future__ import annotations

import numpy as np
import pytest

from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.minimum import minimum_impedance
from anechain.acoustics.impedance.rated_impedance import rated_impedance
from demo_model.bass import closed_box, free_air, vented_box
from demo_model.drive_unit import admittance, enclosure, unit
from demo_model.filters import first_order_shelf, low_pass
from demo_model.impedance import Terminals, impedance, voice_coil_share, woofer_impedance
from demo_model.impedance_exports import impedance_files
from demo_model.loudspeakers import LOUDSPEAKERS

GRID = np.geomspace(10, 20_000, 2_000)
TERMINALS = {name: one.terminals for name, one in LOUDSPEAKERS.items()}
TUNED = {"alder": 41.0, "hornbeam": 52.0, "hazel": 40.0}


def motion_parts(terminals: Terminals):
    """Res, Cmes, Lces and the box's Lceb, written out from Small's definitions of the Q values."""
    woofer = terminals.woofer
    omega = 2 * np.pi * woofer.resonance
    capacitance = woofer.electrical_q / (omega * woofer.resistance)
    return (
        woofer.mechanical_q / (omega * capacitance),
        capacitance,
        1 / (omega**2 * capacitance),
        terminals.volume / woofer.compliance / (omega**2 * capacitance) if terminals.volume else None,
    )


@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_the_circuit_agrees_with_masses_and_springs(name):
    # Another model of the same woofers: force factor, moving mass, stiffness, and the acoustics of box and port.
    low = LOUDSPEAKERS[name].drivers[0].low_end
    box = enclosure(low.volume, low.tuning, low.leakage_q, low.port_radius)
    expected = 1 / admittance(unit(low.woofer, low.large), box, GRID)
    np.testing.assert_allclose(woofer_impedance(TERMINALS[name], GRID), expected, rtol=1e-9)


@pytest.mark.parametrize("name", sorted(LOUDSPEAKERS))
def test_the_circuit_radiates_the_models_high_pass(name):
    # In the analogue voltage is velocity: the flow out of cone, port and leaks is that which compresses the box's air,
    # the voltage of Lceb, and the sound follows its rate of change; without a box, that of the cone. The high-pass by
    # Small's polynomials is another way to the same.
    terminals = TERMINALS[name]
    woofer, s = terminals.woofer, 2j * np.pi * GRID
    whole = woofer_impedance(terminals, GRID)
    cone = 1 - woofer.resistance / whole
    _, capacitance, _, box = motion_parts(terminals)
    if terminals.tuning is not None:
        omega = 2 * np.pi * terminals.tuning
        cone = cone * s * box / (s * box + omega * box / terminals.leakage_q + omega**2 * box / s)
        expected = vented_box(woofer, terminals.volume, terminals.tuning, GRID, terminals.leakage_q)
    elif terminals.volume is not None:
        expected = closed_box(woofer, terminals.volume, GRID)
    else:
        expected = free_air(woofer, GRID)
    # Far above resonance the motion is that of the mass: voltage 1 / (s R C).
    np.testing.assert_allclose(cone * s * woofer.resistance * capacitance, expected, rtol=1e-9)


@pytest.mark.parametrize("name", sorted(LOUDSPEAKERS))
def test_the_whole_circuit_agrees_with_nodal_analysis(name):
    # The same network solved by node voltages. Nodes: after the low-pass, at the coils, at the motion, after the box's
    # branch; after the high-pass, and at the tweeter's motion. 1 V at the terminals.
    one = TERMINALS[name]
    count, tweeter = one.woofers, one.tweeter
    peak, capacitance, inductance, box = motion_parts(one)
    load, root = one.woofer.resistance / count, 10 ** (one.shelf[1] / 40)
    shelf = load * (1 / root**2 - 1)
    omega, ends, padded = 2 * np.pi * one.crossover, load + shelf, tweeter.pad + tweeter.resistance
    at = 2 * np.pi * tweeter.resonance
    for frequency in (15.0, 41.0, 52.0, 120.0, 700.0, 2_000.0, 12_000.0):
        s = 2j * np.pi * frequency
        y = np.zeros((6, 6), complex)
        driven = np.zeros(6, complex)

        def add(a, b, admittance, y=y, driven=driven):
            """Between two nodes; None is ground, -1 the terminals."""
            for one_end, other in ((a, b), (b, a)):
                if one_end is None or one_end == -1:
                    continue
                y[one_end, one_end] += admittance
                if other == -1:
                    driven[one_end] += admittance
                elif other is not None:
                    y[one_end, other] -= admittance

        low = 1 / (s * np.sqrt(2) * ends / omega)
        add(-1, 0, low)
        add(0, None, s / (np.sqrt(2) * ends * omega))
        add(0, 1, 1 / shelf + 2 * np.pi * one.shelf[0] / (s * shelf * root))
        add(1, 2, 1 / load)
        for part in (1 / peak, s * capacitance, 1 / (s * inductance)):
            add(2, None, count * part)
        if box is not None:
            add(2, 3, count / (s * box))
            tuned = 2 * np.pi * (one.tuning or 0.0)
            add(3, None, count / (tuned * box / one.leakage_q + tuned**2 * box / s) if one.tuning else 1e15)
        else:
            add(3, None, 1.0)
        high = s / (np.sqrt(2) * padded * omega)
        add(-1, 4, high)
        add(4, None, omega / (s * np.sqrt(2) * padded))
        add(4, 5, 1 / (padded + s * tweeter.inductance))
        conductance = tweeter.electrical_q / (tweeter.mechanical_q * tweeter.resistance)
        stored = tweeter.electrical_q / tweeter.resistance * (s / at + at / s)
        add(5, None, conductance + stored)
        volts = np.linalg.solve(y, driven)
        current = low * (1 - volts[0]) + high * (1 - volts[4])
        assert impedance(one, np.array([frequency]))[0] == pytest.approx(1 / current, rel=1e-8)
        assert voice_coil_share(one, np.array([frequency]))[0] == pytest.approx(volts[1], rel=1e-8)


@pytest.mark.parametrize("name", sorted(TUNED))
def test_the_saddle_lies_at_the_box_tuning(name):
    terminals = TERMINALS[name]
    alone = woofer_impedance(terminals, GRID)
    found = box_tuning(GRID, np.abs(alone), np.rad2deg(np.angle(alone)))
    # Leaks move the saddle by a fraction of a percent, and raise it above the coil's resistance.
    assert found.tuning_hz == pytest.approx(TUNED[name], rel=0.003)
    assert found.saddle_ohm > terminals.woofer.resistance
    # The coils of the network, 3 to 4 mH in series, move it down by some percent.
    whole = impedance(terminals, GRID)
    seen = box_tuning(GRID, np.abs(whole), np.rad2deg(np.angle(whole)))
    assert TUNED[name] * 0.95 < seen.tuning_hz < TUNED[name]


def test_the_peaks_lie_where_smalls_equation_puts_them():
    # Lossless box: the frequencies of zero phase are those of f⁴ - f² (fs² (1 + α) + fb²) + fs² fb² = 0 (Small 1973,
    # recalled); for alder 22.94 and 71.48 Hz.
    terminals = TERMINALS["alder"]
    woofer = terminals.woofer
    alpha = woofer.compliance / terminals.volume
    square = np.roots([1, -(woofer.resonance**2 * (1 + alpha) + 41.0**2), (woofer.resonance * 41.0) ** 2])
    lower, upper = np.sqrt(np.sort(square))
    found = box_tuning(GRID, np.abs(woofer_impedance(terminals, GRID)))
    assert found.peaks_hz == pytest.approx((lower, upper), rel=0.01)


def test_the_closed_box_has_one_peak_at_its_resonance():
    # Small 1972: fc = fs √(1 + α) = 50 √3 = 86.60 Hz; the modulus there Re (1 + Qmc/Qec) = 5.5 (1 + 4/0.5) = 49.5 ohm.
    alone = woofer_impedance(TERMINALS["rowan"], GRID)
    found = box_tuning(GRID, np.abs(alone))
    assert found.tuning_hz is None and found.peaks_hz == (pytest.approx(86.603, rel=1e-3),)
    assert found.peaks_ohm == (pytest.approx(49.5, rel=2e-3),)


@pytest.mark.parametrize("name", sorted(LOUDSPEAKERS))
def test_the_network_is_the_models_shelf_and_half_of_its_crossover(name):
    # The motion, and the shelf as a load of the low-pass, add what the module says.
    one = TERMINALS[name]
    wanted = first_order_shelf(*one.shelf, GRID) * low_pass(one.crossover, 1 / np.sqrt(2), GRID)
    apart = 20 * np.log10(np.abs(voice_coil_share(one, GRID) / wanted))
    bass, middle = (GRID > 20) & (GRID < 200), (GRID > 300) & (GRID < 1_000)
    assert apart[bass].min() > -0.6 and apart[bass].max() < (4.4 if name == "willow" else 2.8)
    assert np.abs(apart[middle]).max() < 1.3 and np.abs(apart[GRID > 1_000]).max() < 0.9
    still = Terminals(
        # No compliance and no Q to speak of: it does not move.
        type(one.woofer)(one.woofer.resonance, 1e6, 1e-6, one.woofer.compliance, one.woofer.resistance),
        one.tweeter,
        one.shelf,
        1e12,
        one.woofers,
    )
    # Into a resistance, without the low-pass, the shelf is exact.
    np.testing.assert_allclose(voice_coil_share(still, GRID), first_order_shelf(*one.shelf, GRID), rtol=1e-6)


def test_they_are_rated_as_such_loudspeakers_are():
    rated = {}
    for name, terminals in TERMINALS.items():
        z = impedance(terminals, GRID)
        assert np.abs(np.rad2deg(np.angle(z))).max() < 90  # passive
        rated[name] = rated_impedance(minimum_impedance(GRID, np.abs(z))).rated_ohm
    # Two woofers in parallel, and a coil of 3.4 ohm, are of 4 ohm; the others of 6.
    assert rated == {"rowan": 6.0, "alder": 6.0, "hornbeam": 4.0, "willow": 4.0, "hazel": 6.0}


def test_exports_give_the_model_back(tmp_path):
    # With the options in the campaign file, and the importer found by the header alone.
    from anechain.campaign.load import load_campaign
    from anechain.importing.identify import choose_importer
    from anechain.importing.importers import find_importers
    from anechain.importing.options import parse_options
    from anechain.importing.read import read
    from demo_model.campaign import CAMPAIGN

    (tmp_path / "campaign.yaml").write_text(CAMPAIGN, encoding="utf-8")
    for name, content in impedance_files().items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    devices = load_campaign(tmp_path / "campaign.yaml").devices
    importers = find_importers()[0]
    able = {name: one for name, one in importers.items() if "impedance" in one.description.sources}
    for name, device in devices.items():
        paths = [tmp_path / file for file in device.impedance.files]
        importer = choose_importer(paths, able, [], name)
        assert importer.name == "columns"
        options = parse_options(importer, device.impedance.options, "campaign", "", tmp_path)
        found = read(importer, paths, options, name).impedance
        z = impedance(TERMINALS[name], found.frequency.values)
        np.testing.assert_allclose(found.magnitude, np.abs(z), atol=0.00051)
        assert ("phase" in found) == (name != "willow")
        if name != "willow":
            turned = np.angle(z * np.exp(-1j * np.deg2rad(found.phase.values)))
            assert np.rad2deg(np.abs(turned)).max() < 0.0051
    assert (tmp_path / "raw/impedance/rowan.txt").read_bytes().decode("latin-1").count(",") == 1 + 3 * 320
