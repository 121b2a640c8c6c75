import json
import os
import stat
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.special import eval_legendre, lpmv

import anechain_spherical
import physics
from anechain.acoustics.curve.levels import level_of_power
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.directions import orbit_vectors
from anechain.acoustics.directivity.sphere import sphere_mean_level
from anechain.errors import InputError
from anechain.hooks import LIKELY, NO
from anechain_spherical.harmonics import acn_degree_and_order, sphere_quadrature, spherical_harmonics
from anechain_spherical.options import SphericalOptions
from container_files import KINDS, save

FREQUENCY = np.array([100.0, 200.0, 400.0])
DECLARED = {"coefficients": "SH/c", "frequency": "SH/f", "reference_axis": "+x", "up": "+z"}


def read(path, **options):
    return anechain_spherical.anechain_read([path], SphericalOptions(**(DECLARED | options)))


def by_hand(n, m, colatitude, azimuth, basis, normalisation, phased):
    """Harmonic after the textbook: associated Legendre functions, which scipy's lpmv gives with (-1)^m."""
    size = abs(m)
    factorials = np.prod(np.arange(n - size + 1, n + size + 1, dtype=float))
    scale = {
        "orthonormal": np.sqrt((2 * n + 1) / (4 * np.pi)),
        "n3d": np.sqrt(2 * n + 1),
        "sn3d": 1.0,
    }[normalisation] / np.sqrt(factorials)
    legendre = (-1) ** size * lpmv(size, n, np.cos(colatitude)) * scale  # without the phase
    if basis == "real":
        wave = np.sqrt(2) * (np.cos(size * azimuth) if m > 0 else np.sin(size * azimuth)) if m else 1.0
        return legendre * wave * ((-1) ** size if phased else 1)
    # With the phase Y of -m is (-1)^m times the conjugate of Y of m; without it, the conjugate alone.
    return legendre * np.exp(1j * m * azimuth) * ((-1) ** size if phased and m > 0 else 1)


@pytest.mark.parametrize("basis", ["complex", "real"])
@pytest.mark.parametrize("normalisation", ["orthonormal", "n3d", "sn3d"])
@pytest.mark.parametrize("phased", [True, False])
def test_the_harmonics_are_the_textbook_ones(basis, normalisation, phased):
    degree, order = acn_degree_and_order(25)
    azimuth, elevation, _ = sphere_quadrature(3, 4)
    vectors = physics_vectors(azimuth, elevation)
    values = spherical_harmonics(degree, order, vectors, basis, normalisation, phased)
    for at, (n, m) in enumerate(zip(degree, order, strict=True)):
        expected = by_hand(n, m, np.deg2rad(90 - elevation), np.deg2rad(azimuth), basis, normalisation, phased)
        np.testing.assert_allclose(values[:, at], expected, atol=1e-12)


def physics_vectors(azimuth, elevation):
    a, e = np.deg2rad(azimuth), np.deg2rad(elevation)
    return np.stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)], axis=-1)


def test_acn_is_the_usual_numbering():
    # n² + n + m: Chapman et al., A standard for interchange of ambisonic signal sets, 2009 (recalled).
    degree, order = acn_degree_and_order(49)
    np.testing.assert_array_equal(degree**2 + degree + order, np.arange(49))
    assert (np.abs(order) <= degree).all()


@given(st.integers(0, 8), st.integers(0, 8))
def test_the_quadrature_is_exact_for_products_of_harmonics(first, second):
    # Orthonormality: the mean of Y_n Y_n' over the sphere is 1 / 4 pi or 0.
    azimuth, elevation, weight = sphere_quadrature(8, 1)
    vectors = physics_vectors(azimuth, elevation)
    one, other = (
        spherical_harmonics(np.array([n]), np.array([min(n, 3)]), vectors, "real", "orthonormal", False)[:, 0].real
        for n in (first, second)
    )
    expected = 1 / (4 * np.pi) if first == second else 0.0
    assert (weight * one * other).sum() == pytest.approx(expected, abs=1e-13)


def zonal(axis, terms, count=49):
    """Orthonormal complex coefficients of the sum of terms[n] P_n(cosine of the angle from an axis).

    Addition theorem: P_n(cos) = 4 pi / (2n + 1) sum over m of Y_nm conj(Y_nm(axis)) (Williams 1999, section 6.3).
    """
    degree, order = acn_degree_and_order(count)
    at_axis = spherical_harmonics(degree, order, np.array([axis], float), "complex", "orthonormal", True)[0]
    padded = np.zeros(degree.max() + 1, complex)
    padded[: len(terms)] = terms
    return 4 * np.pi / (2 * degree + 1) * np.conj(at_axis) * padded[degree]


def cardioid(axis):
    return np.repeat(zonal(axis, [0.5, 0.5])[:, None], FREQUENCY.size, axis=1)


@pytest.mark.parametrize("kind", KINDS[:3])
@pytest.mark.parametrize(
    ("axis", "up"), [("+x", "+z"), ("-y", "+z"), ("+z", "+y"), ((1, 1, 0), (0, 0, 1)), ("-x", "-z")]
)
def test_a_cardioid_in_any_frame(tmp_path, kind, axis, up):
    words = {"+x": (1, 0, 0), "-y": (0, -1, 0), "+z": (0, 0, 1), "-x": (-1, 0, 0)}
    along = np.array(words.get(axis, axis), float)
    path = save(tmp_path, kind, {"SH/c": cardioid(along / np.linalg.norm(along)), "SH/f": FREQUENCY})
    reading = read(path, reference_axis=axis, up=up, basis="complex", normalisation="orthonormal")
    angles = reading.responses.angle.values
    rear = np.abs(angles) == 180
    for plane in ("horizontal", "vertical"):
        found = reading.responses.level.sel(plane=plane).values
        expected = physics.level(physics.cardioid(angles[~rear]))[:, None]
        np.testing.assert_allclose(found[~rear], np.repeat(expected, 3, axis=1), atol=1e-6)
    # The true directivity factor of a cardioid is 3; the evaluation grid's weights are exact.
    index = reading.responses.level.sel(plane="horizontal", angle=0) - sphere_mean_level(
        reading.sphere.level.values, reading.sphere.weight.values
    )
    np.testing.assert_allclose(index, level_of_power(3.0), atol=1e-9)
    assert "phase" not in reading.responses  # a real field
    assert reading.responses.attrs["level_kind"] == "relative"


def skewed(vectors):
    """Monopole and dipoles of unlike strength and phase: left and right, up and down, front and rear all differ."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return 1 + 0.4 * x + (0.1 + 0.25j) * y - 0.15 * z


def first_order_coefficients(basis, normalisation, phased):
    """Coefficients of `skewed` in ACN order, from the cartesian forms of the first-order harmonics (textbook)."""
    w, y, z, x = 1.0, 0.1 + 0.25j, -0.15, 0.4
    unit = {
        "orthonormal": (1 / np.sqrt(4 * np.pi), np.sqrt(3 / (4 * np.pi))),
        "n3d": (1.0, np.sqrt(3)),
        "sn3d": (1.0, 1.0),
    }[normalisation]
    if basis == "real":
        sign = -1 if phased else 1
        return np.array([w / unit[0], sign * y / unit[1], z / unit[1], sign * x / unit[1]])
    # Y_1,1 = s (x + jy) k / sqrt 2 and Y_1,-1 = (x - jy) k / sqrt 2, with s = -1 with the phase.
    sign = -1 if phased else 1
    k = unit[1] / np.sqrt(2)
    return np.array([w / unit[0], (x + 1j * y) / (2 * k), z / unit[1], sign * (x - 1j * y) / (2 * k)])


@pytest.mark.parametrize("basis", ["complex", "real"])
@pytest.mark.parametrize("normalisation", ["orthonormal", "n3d", "sn3d"])
@pytest.mark.parametrize("phased", [None, True, False])
def test_every_convention_of_the_same_field(tmp_path, basis, normalisation, phased):
    spoken = phased if phased is not None else basis == "complex"
    coefficients = np.repeat(first_order_coefficients(basis, normalisation, spoken)[:, None], 3, axis=1)
    path = save(tmp_path, "hdf5", {"SH/c": coefficients.T, "SH/f": FREQUENCY})
    responses = read(path, basis=basis, normalisation=normalisation, condon_shortley=phased).responses
    for plane in ("horizontal", "vertical"):
        expected = skewed(orbit_vectors(plane, responses.angle.values))
        found = responses.sel(plane=plane)
        np.testing.assert_allclose(found.level[:, 1], 20 * np.log10(np.abs(expected)), atol=1e-9)
        np.testing.assert_allclose(found.phase[:, 1], np.rad2deg(np.angle(expected)), atol=1e-9)


def test_lists_of_degree_and_order_in_any_sequence_and_parts_apart(tmp_path):
    coefficients = np.repeat(first_order_coefficients("complex", "n3d", True)[:, None], 3, axis=1)
    mixed = np.array([3, 0, 2, 1])
    degree, order = acn_degree_and_order(4)
    variables = {
        "re": coefficients.real[mixed],
        "im": coefficients.imag[mixed],
        "n": degree[mixed].astype(float),
        "m": order[mixed].astype(float),
        "f": FREQUENCY,
    }
    path = save(tmp_path, "classic.nc", variables)
    options = {"coefficients": "re", "imaginary": "im", "frequency": "f", "degree": "n", "order": "m"}
    responses = read(path, basis="complex", normalisation="n3d", **options).responses
    expected = 20 * np.log10(np.abs(skewed(orbit_vectors("horizontal", responses.angle.values))))
    np.testing.assert_allclose(responses.level.sel(plane="horizontal")[:, 0], expected, atol=1e-9)


def test_an_acoustic_field_of_high_degree(tmp_path):
    # Cap on a rigid sphere (Morse and Ingard, recalled): its series over degree, its pattern and its true index.
    kr = 2.0
    terms = physics._cap_terms(kr, 30.0, 20)
    path = save(
        tmp_path, "v5.mat", {"c": zonal([1, 0, 0], terms / terms.sum(), 441)[:, None] * np.ones(3), "f": FREQUENCY}
    )
    reading = read(path, coefficients="c", frequency="f", basis="complex", normalisation="orthonormal")
    angles = reading.responses.angle.values
    cosine = np.cos(np.deg2rad(angles))
    pattern = sum(term * eval_legendre(n, cosine) for n, term in enumerate(terms)) / terms.sum()
    np.testing.assert_allclose(reading.responses.level.sel(plane="vertical")[:, 2], physics.level(pattern), atol=1e-8)
    index = reading.responses.level.sel(plane="horizontal", angle=0) - sphere_mean_level(
        reading.sphere.level.values, reading.sphere.weight.values
    )
    np.testing.assert_allclose(index, physics.cap_index(kr, 30.0, 20), atol=1e-8)


@pytest.mark.parametrize(
    ("variables", "options", "words"),
    [
        ({"SH/c": np.ones((5, 3))}, {}, "SH/c has the shape 5 × 3"),
        ({"SH/c": np.ones((4, 2))}, {}, r"\(N \+ 1\)² coefficients × 3 frequencies"),
        ({"SH/f": FREQUENCY[::-1]}, {}, "does not rise"),
        ({"SH/c": np.ones((4, 4)), "SH/f": np.arange(1.0, 5)}, {}, "do not determine the axes"),
        ({"SH/c": np.zeros((4, 3))}, {}, "only zeros"),
        ({}, {"coefficients": "SH/cc"}, "did you mean 'SH/c'"),
        ({}, {"reference_axis": None}, "`reference_axis` is not given"),
        ({}, {"up": "+x"}, "are parallel"),
        ({"n": [0, 1, 1, 1], "m": [0, -1, 0, 2]}, {"degree": "n", "order": "m"}, "coefficient 4 has the degree 1"),
        ({"n": [0, 1, 1, 1], "m": [0, -1, 0, 0]}, {"degree": "n", "order": "m"}, "appears twice"),
        ({"n": [0, 1, 1, 0.5], "m": [0, -1, 0, 0]}, {"degree": "n", "order": "m"}, "not all integers"),
        ({}, {"imaginary": "SH/c"}, "not real arrays of the same shape"),
    ],
)
def test_what_cannot_be_is_refused_with_a_mend(tmp_path, variables, options, words):
    usual = {"SH/c": np.ones((4, 3)) * (1 + 1j), "SH/f": FREQUENCY}
    path = save(tmp_path, "hdf5", usual | {name: np.asarray(value) for name, value in variables.items()})
    with pytest.raises(InputError, match=words) as refused:
        read(path, **({"basis": "complex", "normalisation": "n3d"} | options))
    assert all(problem.fix and str(tmp_path) not in str(problem) for problem in refused.value.problems)


def test_axes_can_be_declared_and_gaps_are_named(tmp_path):
    coefficients = np.ones((4, 4)) + np.arange(4)
    coefficients[:, 2] = np.nan
    path = save(tmp_path, "hdf5", {"SH/c": coefficients, "SH/f": np.arange(4.0)})
    reading = read(path, basis="real", normalisation="sn3d", axes=["coefficient", "frequency"], quantity="pascal")
    np.testing.assert_array_equal(reading.responses.frequency, [1, 2, 3])
    assert np.isnan(reading.responses.level.sel(frequency=2)).all()
    assert any("missing at 2 Hz" in line for line in reading.report)
    assert any("0 Hz dropped" in line for line in reading.report)
    assert reading.responses.attrs["level_kind"] == "spl"


def test_all_problems_are_told_at_once(tmp_path):
    path = save(tmp_path, "hdf5", {"SH/c": np.ones((4, 3))})
    with pytest.raises(InputError) as refused:
        read(path, frequency="f", coefficients="d", licence="terms", basis="real", normalisation="n3d")
    assert len(refused.value.problems) == 3


def test_one_file_makes_one_device(tmp_path):
    with pytest.raises(InputError, match="one of 2 files"):
        anechain_spherical.anechain_read(
            [tmp_path / "a", tmp_path / "b"], SphericalOptions(**DECLARED, basis="real", normalisation="n3d")
        )


def test_identify(tmp_path):
    identify = anechain_spherical.anechain_identify
    assert identify(save(tmp_path, "v5.mat", {"SH/coeff": np.ones((4, 3))})).confidence == LIKELY
    told = save(tmp_path, "hdf5", {"data": np.ones((16, 3))}, {"kind": "Spherical harmonics coefficients"})
    assert identify(told).confidence == LIKELY
    assert identify(save(tmp_path, "hdf5", {"data": np.ones((16, 3))})).confidence == NO
    assert identify(save(tmp_path, "hdf5", {"SH/coeff": np.ones((5, 3))})).confidence == NO
    (tmp_path / "junk").write_bytes(b"\x89HDF\r\n\x1a\n junk")
    assert identify(tmp_path / "junk").confidence == identify(tmp_path / "none").confidence == NO


def test_a_file_cut_at_any_length_is_refused(tmp_path):
    whole = save(tmp_path, "v5.mat", {"SH": {"c": cardioid([1, 0, 0]), "f": FREQUENCY}}).read_bytes()
    path = tmp_path / "cut.mat"
    for length in np.linspace(1, len(whole) - 9, 30).astype(int):
        path.write_bytes(whole[:length])
        anechain_spherical.anechain_identify(path)
        with pytest.raises(InputError):
            read(path, basis="complex", normalisation="orthonormal")


def test_raw_files_stay_as_they_are_and_may_be_read_only(tmp_path):
    path = save(tmp_path, "v73.mat", {"SH/c": cardioid([1, 0, 0]), "SH/f": FREQUENCY})
    before = sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns
    path.chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        read(path, basis="complex", normalisation="orthonormal")
        assert list(tmp_path.iterdir()) == [path]
    finally:
        tmp_path.chmod(stat.S_IRWXU)
    assert (sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) == before


def test_options():
    usual = DECLARED | {"basis": "real", "normalisation": "n3d"}
    assert SphericalOptions(**usual)
    for change in ({"degree": "n"}, {"axes": ["frequency", "frequency"]}, {"basis": "odd"}, {"step": 50}):
        with pytest.raises(ValidationError):
            SphericalOptions(**(usual | change))
    assert all(field.description for field in SphericalOptions.model_fields.values())


# A real two-way loudspeaker: coefficients of degree 20 from a 1 degree grid of the BRAS database (CC BY-SA 4.0), as an
# open repository has them. The values are those of CHECKS and curve_set.json beside it, computed with numpy and scipy.


@pytest.fixture(scope="module")
def real():
    folder = os.environ.get("ANECHAIN_REFERENCE_DATA")
    if not folder:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set: folder of the open reference data")
    path = next(Path(folder).glob("*/*.mat"), None)
    if path is None:
        pytest.skip("ANECHAIN_REFERENCE_DATA does not hold a .mat file")
    assert anechain_spherical.anechain_identify(path).confidence == LIKELY
    reading = read(
        path,
        coefficients="SH.coeff",
        frequency="N",
        degree="SH.n",
        order="SH.m",
        basis="complex",
        normalisation="orthonormal",
        licence="GLOBAL_License",
    )
    table = np.array(
        [
            [float(cell) for cell in line.split()]
            for line in (Path(folder) / "CHECKS.txt").read_text().splitlines()[2:33]
        ]
    )
    return reading, json.loads((path.parent / "curve_set.json").read_text()), table


NAMES = {
    "on_axis": "on_axis",
    "listening_window": "listening_window",
    "floor": "floor_bounce",
    "ceiling": "ceiling_bounce",
    "front": "front_wall_bounce",
    "side": "side_wall_bounce",
    "rear": "rear_wall_bounce",
    "early_reflections": "early_reflections",
    "sound_power": "sound_power",
    "in_room": "in_room",
    "di_early": "early_reflections_index",
    "di_power": "sound_power_index",
}


@pytest.mark.parametrize("name", NAMES)
def test_a_real_curve_set(real, name):
    reading, expected, _ = real
    responses = reading.responses
    curves = curve_set(responses.level.values, list(responses.plane.values), responses.angle.values)
    found = (curves.levels | curves.indices)[NAMES[name]]
    np.testing.assert_allclose(responses.frequency, expected["frequency"])
    np.testing.assert_allclose(found, np.array(expected[name], float), atol=1e-3)


def test_a_real_true_sphere_index(real):
    reading, expected, table = real
    on_axis = reading.responses.level.sel(plane="horizontal", angle=0).values
    power = sphere_mean_level(reading.sphere.level.values, reading.sphere.weight.values)
    np.testing.assert_allclose(on_axis - power, table[:, 2], atol=1e-3)
    error = np.array(expected["sound_power"], float) - power
    np.testing.assert_allclose(error, np.array(expected["two_orbit_minus_true_power"], float), atol=1e-3)


@pytest.mark.parametrize(
    ("column", "plane", "angle"),
    [(3, "horizontal", 90), (4, "horizontal", -90), (5, "vertical", 90), (6, "vertical", -90), (7, "vertical", 180)],
)
def test_real_levels_across_and_behind(real, column, plane, angle):
    reading, _, table = real
    level = reading.responses.level
    found = level.sel(plane=plane, angle=angle) - level.sel(plane="horizontal", angle=0)
    np.testing.assert_allclose(found, table[:, column], atol=1e-3)


def test_a_real_report(real):
    reading, _, _ = real
    assert any("missing at 25 Hz" in line for line in reading.report)
    assert any("phase dropped" in line for line in reading.report)
    assert reading.responses.attrs["licence"] == "EUPL"
