import stat
from hashlib import sha256

import numpy as np
import pytest
from pydantic import ValidationError

import anechain_arrays
import physics
from anechain.acoustics.curve.levels import level_of_power
from anechain.acoustics.directivity.directions import angle_between, unit_vectors
from anechain.acoustics.directivity.sphere import sphere_mean_level
from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE
from anechain_arrays.options import ArraysOptions
from container_files import KINDS, save
from delimited_files import piston_box

FREQUENCY = np.geomspace(20, 20000, 40)
ANGLES = np.array([-170.0, -90.0, 0.0, 30.0, 180.0])
PLANES = ["horizontal", "vertical"]


def read(paths, **options):
    paths = paths if isinstance(paths, list) else [paths]
    return anechain_arrays.anechain_read(paths, ArraysOptions(**options))


def curve(plane, angle):
    # The planes differ but at the poles: a piston in a box, seen 15 degrees farther off axis.
    level, phase = piston_box(FREQUENCY, angle if plane == "horizontal" or angle in (0, 180) else angle + 15)
    return level + 1j * phase


CURVES = np.array([[curve(plane, angle) for angle in ANGLES] for plane in PLANES])
LEVEL, PHASE = CURVES.real, CURVES.imag
PRESSURE = 20e-6 * 10 ** (LEVEL / 20) * np.exp(1j * np.deg2rad(PHASE))


def check(responses, phase=True):
    for number, plane in enumerate(PLANES):
        for at, angle in enumerate(ANGLES):
            found = responses.sel(plane=plane, angle=angle)
            np.testing.assert_allclose(found.level, LEVEL[number, at], atol=1e-9)
            if phase:
                np.testing.assert_allclose(found.phase, PHASE[number, at], atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_levels_and_phases_over_plane_angle_and_frequency(tmp_path, kind, order):
    names = np.array(["plane", "angle", "frequency"])[list(order)]
    path = save(
        tmp_path,
        kind,
        {"f": FREQUENCY, "a": ANGLES, "L": LEVEL.transpose(order), "arg": np.deg2rad(PHASE).transpose(order)},
    )
    reading = read(
        path, frequency="f", level="L", phase="arg", phase_unit="radian", axes=names, angle="a", plane=PLANES
    )
    check(reading.responses)
    assert "level_kind" not in reading.responses.attrs


@pytest.mark.parametrize("kind", ["v5.mat", "v73.mat", "hdf5"])
def test_complex_pressures_in_pascal(tmp_path, kind):
    path = save(
        tmp_path, kind, {"t/f": FREQUENCY / 1000, "t/p": PRESSURE}, {"who": "The hall workshop", "terms": "CC0"}
    )
    reading = read(
        path,
        frequency="t.f" if "mat" in kind else "t/f",
        frequency_unit="kilohertz",
        pressure="t/p",
        level_scale="pascal",
        axes=["plane", "angle", "frequency"],
        plane=PLANES,
        angle=ANGLES.tolist(),
        licence="terms",
        origin="who",
    )
    check(reading.responses)
    assert reading.responses.attrs == {"level_kind": "spl", "licence": "CC0", "origin": "The hall workshop"}
    np.testing.assert_allclose(reading.responses.frequency, FREQUENCY)


def test_real_and_imaginary_parts_apart(tmp_path):
    path = save(tmp_path, "classic.nc", {"f": FREQUENCY, "re": PRESSURE.real / 20e-6, "im": PRESSURE.imag / 20e-6})
    options = {"frequency": "f", "pressure": "re", "axes": ["plane", "angle", "frequency"], "plane": PLANES}
    reading = read(path, imaginary="im", angle=ANGLES.tolist(), **options)
    check(reading.responses)
    assert reading.responses.attrs["level_kind"] == "relative"
    with pytest.raises(InputError, match="the imaginary part is missing"):
        read(path, angle=ANGLES.tolist(), **options)


def test_an_array_for_each_plane(tmp_path):
    path = save(tmp_path, "v5.mat", {"f": FREQUENCY, "a": ANGLES, "hor": LEVEL[0].T, "ver": LEVEL[1].T})
    options = {"frequency": "f", "axes": ["frequency", "angle"], "angle": "a"}
    check(read(path, level={"horizontal": "hor", "vertical": "ver"}, **options).responses, phase=False)
    alone = read(path, level="ver", plane="vertical", **options).responses
    np.testing.assert_allclose(alone.level.sel(plane="vertical", angle=30), LEVEL[1, 3])


def test_a_direction_axis_and_one_to_take(tmp_path):
    planes = ["horizontal"] * ANGLES.size + ["vertical"] * ANGLES.size
    flat = LEVEL.reshape(-1, FREQUENCY.size)
    path = save(tmp_path, "hdf5", {"f": FREQUENCY, "L": np.stack([flat - 20, flat, flat + 9])})
    options = {"frequency": "f", "level": "L", "axes": ["microphone", "direction", "frequency"], "plane": planes}
    angles = [*ANGLES, *ANGLES]
    check(read(path, take={"microphone": 1}, angle=angles, **options).responses, phase=False)
    with pytest.raises(InputError, match="3 × 10 × 40"):
        read(path, take={"microphone": 3}, angle=angles, **options)
    with pytest.raises(InputError, match="10 planes for 9 angles"):
        read(path, take={"microphone": 1}, angle=angles[:9], **options)


def test_one_direction_to_a_file_by_name_or_manifest(tmp_path):
    paths = []
    for number, plane in enumerate(PLANES):
        for at, angle in enumerate(ANGLES):
            path = tmp_path / f"rowan {plane} {angle:g}.mat"
            save(tmp_path, "v5.mat", {"f": FREQUENCY, "L": LEVEL[number, at]}).rename(path)
            paths.append(path)
    options = {"frequency": "f", "level": "L", "axes": ["frequency"]}
    check(read(paths, pattern="rowan {plane} {angle}.mat", **options).responses, phase=False)
    again = tmp_path / "rowan horizontal 30 b.mat"
    save(tmp_path, "v5.mat", {"f": FREQUENCY, "L": LEVEL[0, 3]}).rename(again)
    (tmp_path / "rowan horizontal 30.mat").rename(tmp_path / "rowan horizontal 30 a.mat")
    both = [tmp_path / "rowan horizontal 30 a.mat", again]
    assert read(both, pattern="rowan {plane} {angle} {take}.mat", **options).responses.takes.values.tolist() == [[2]]
    both[0].rename(tmp_path / "rowan horizontal 30.mat")
    manifest = tmp_path / "places.csv"
    lines = [f"{path.name},{path.stem.split()[1]},{path.stem.split()[2]}" for path in paths]
    manifest.write_text("\n".join(["file,plane,angle", *lines]))
    check(read([*paths, manifest], manifest=manifest, **options).responses, phase=False)
    with pytest.raises(InputError, match="does not fit the pattern") as refused:
        read(paths, pattern="alder {plane} {angle}.mat", **options)
    assert len(refused.value.problems) == len(paths)


def test_a_closed_orbit_gives_its_ends_once(tmp_path):
    angles = np.arange(0, 361, 90.0)
    level = np.array([piston_box(FREQUENCY, angle)[0].round(6) for angle in angles])
    level[-1] = level[0]
    options = {"frequency": "f", "level": "L", "axes": ["angle", "frequency"], "angle": "a", "plane": "horizontal"}
    path = save(tmp_path, "v5.mat", {"f": FREQUENCY, "a": angles, "L": level})
    reading = read(path, **options)
    assert reading.responses.angle.values.tolist() == [-90, 0, 90, 180]
    assert any("repeated with the same values" in line for line in reading.report)
    level[-1] += 0.5
    with pytest.raises(InputError, match="given twice"):
        read(save(tmp_path, "v5.mat", {"f": FREQUENCY, "a": angles, "L": level}), **options)


def field(frame_axis, azimuth, elevation):
    """Cardioid that points along an axis of the file; its null is filled to 120 dB down."""
    off_axis = angle_between(unit_vectors(azimuth, elevation), frame_axis)
    return physics.level(np.maximum(np.abs(physics.cardioid(off_axis)), 1e-6))


@pytest.mark.parametrize("mesh", [True, False])
@pytest.mark.parametrize("measure", ["elevation", "colatitude"])
def test_a_whole_sphere(tmp_path, mesh, measure):
    azimuth, elevation = np.arange(0, 360, 10.0), np.arange(-90, 91, 10.0)
    along, over = np.meshgrid(azimuth, elevation, indexing="ij")
    level = field([0, -1, 0], along, over)[..., None] + np.array([0.0, 3.0])
    polar = elevation if measure == "elevation" else 90 - elevation
    variables = {"f": np.array([100.0, 200.0]), "az": np.deg2rad(azimuth), "el": np.deg2rad(polar), "L": level}
    if not mesh:
        variables["az"], variables["el"] = np.deg2rad(along).ravel(), np.repeat([variables["el"]], 36, axis=0).ravel()
        variables["L"] = level.reshape(-1, 2)
    options = {
        "frequency": "f",
        "level": "L",
        "axes": ["azimuth", "elevation", "frequency"] if mesh else ["direction", "frequency"],
        "azimuth": "az",
        "elevation": "el",
        "elevation_is": measure,
    }
    path = save(tmp_path, "hdf5", variables)
    frame = {"reference_axis": "-y", "up": "+z"}
    reading = read(path, angle_unit="radian", **frame, **options)
    for plane in PLANES:
        for angle in (-90, -60, 0, 30, 120):
            expected = physics.level(physics.cardioid(angle)) + np.array([0.0, 3.0])
            np.testing.assert_allclose(reading.responses.level.sel(plane=plane, angle=angle), expected, atol=1e-9)
    # The cardioid's true directivity factor is 3 (Beranek and Mellow); 0.03 dB is what a 10 degree grid is good for.
    index = reading.responses.level.sel(plane="horizontal", angle=0) - sphere_mean_level(
        reading.sphere.level.values, reading.sphere.weight.values
    )
    np.testing.assert_allclose(index, level_of_power(3.0), atol=0.03)
    with pytest.raises(InputError, match="as radians do"):
        read(path, **frame, **options)
    with pytest.raises(InputError, match="`reference_axis` is not given") as refused:
        read(path, angle_unit="radian", **options)
    assert len(refused.value.problems) == 2


def test_an_incomplete_sphere_gives_orbits_and_the_reason(tmp_path):
    azimuth, elevation = np.arange(0, 360, 10.0), np.arange(-60, 91, 10.0)
    along, over = (one.ravel() for one in np.meshgrid(azimuth, elevation))
    path = save(tmp_path, "v5.mat", {"f": FREQUENCY[:2], "az": along, "el": over, "L": np.zeros((along.size, 2))})
    reading = read(
        path,
        frequency="f",
        level="L",
        axes=["direction", "frequency"],
        azimuth="az",
        elevation="el",
        reference_axis="+x",
        up="+z",
    )
    assert reading.sphere is None
    assert any("no power over the full sphere: the grid has a gap of 60" in line for line in reading.report)
    assert any("vertical orbit, missing" in line and "-90°" in line for line in reading.report)


@pytest.mark.parametrize(
    ("variables", "options", "words"),
    [
        ({}, {"level": "M"}, "no variable 'M'"),
        ({}, {"axes": ["angle", "plane", "frequency"]}, "L has the shape 2 × 5 × 40"),
        ({"f": FREQUENCY[::-1]}, {}, "does not rise"),
        ({"f": FREQUENCY[:-1]}, {}, "frequency 39"),
        ({"a": ANGLES * 10}, {}, "reaches 1800°"),
        ({"a": np.array([0, 1, 2, np.nan, 3])}, {}, "not finite"),
        ({"L": np.where(LEVEL > 89, np.nan, LEVEL)}, {}, "are not a finite level"),
        ({"L": np.full_like(LEVEL, np.nan)}, {"missing": "keep"}, "every level is missing"),
        ({"L": LEVEL - 200}, {"level_scale": "pascal"}, "negative values"),
        ({"L": PRESSURE}, {}, "is complex, but levels are real"),
    ],
)
def test_a_mapping_that_does_not_fit_is_refused_with_a_mend(tmp_path, variables, options, words):
    given = {"f": FREQUENCY, "a": ANGLES, "L": LEVEL} | variables
    usual = {"frequency": "f", "level": "L", "angle": "a", "plane": PLANES, "axes": ["plane", "angle", "frequency"]}
    with pytest.raises(InputError, match=words) as refused:
        read(save(tmp_path, "v5.mat", given), **(usual | options))
    assert all(problem.fix and str(tmp_path) not in str(problem) for problem in refused.value.problems)


def test_gaps_are_kept_only_when_asked_for_and_named(tmp_path):
    level = LEVEL.copy()
    level[0, 3, 7] = np.nan
    path = save(tmp_path, "hdf5", {"f": FREQUENCY, "L": level})
    options = {"frequency": "f", "level": "L", "angle": ANGLES.tolist(), "plane": PLANES}
    reading = read(path, axes=["plane", "angle", "frequency"], missing="keep", **options)
    assert np.isnan(reading.responses.level.sel(plane="horizontal", angle=30)).sum() == 1
    assert any("level missing at" in line and "horizontal 30°" in line for line in reading.report)


def test_right_and_down_can_be_positive(tmp_path):
    path = save(tmp_path, "v5.mat", {"f": FREQUENCY, "L": LEVEL[0]})
    options = {"frequency": "f", "level": "L", "axes": ["angle", "frequency"], "plane": "horizontal"}
    turned = read(path, angle=ANGLES.tolist(), positive_is={"horizontal": "right"}, **options)
    np.testing.assert_allclose(turned.responses.level.sel(plane="horizontal", angle=-30), LEVEL[0, 3])


@pytest.mark.parametrize("kind", KINDS)
def test_raw_files_stay_as_they_are_and_may_be_read_only(tmp_path, kind):
    path = save(tmp_path, kind, {"f": FREQUENCY, "L": LEVEL[0]})
    before = sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns
    path.chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    options = {"frequency": "f", "level": "L", "axes": ["angle", "frequency"], "plane": "horizontal"}
    try:
        assert 0 < anechain_arrays.anechain_identify(path).confidence <= POSSIBLE < LIKELY
        read(path, angle=ANGLES.tolist(), **options)
        assert list(tmp_path.iterdir()) == [path]
    finally:
        tmp_path.chmod(stat.S_IRWXU)
    assert (sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) == before


def test_what_is_no_container_is_no_traceback(tmp_path):
    path = tmp_path / "junk.mat"
    for content in (b"MATLAB 5.0 MAT-file", b"\x89HDF\r\n\x1a\n" + bytes(50), b"20 80\n"):
        path.write_bytes(content)
        assert anechain_arrays.anechain_identify(path).confidence < POSSIBLE
        with pytest.raises(InputError):
            read(path, frequency="f", level="L", axes=["angle", "frequency"], plane="horizontal", angle=[0])
    assert anechain_arrays.anechain_identify(tmp_path / "none.mat").confidence == NO


USUAL = {"frequency": "f", "level": "L", "angle": "a", "plane": "horizontal", "axes": ["angle", "frequency"]}


@pytest.mark.parametrize(
    "change",
    [
        {"pressure": "p"},
        {"level": None},
        {"imaginary": "i"},
        {"axes": ["angle"]},
        {"axes": ["angle", "angle", "frequency"]},
        {"axes": ["channel", "angle", "frequency"]},
        {"take": {"channel": 0}},
        {"plane": None},
        {"angle": None},
        {"azimuth": "az"},
        {"pattern": "{plane} {angle}"},
        {"level": {"horizontal": "h"}},
        {"level": {"horizontal": "h"}, "plane": None, "phase": "p"},
        {"axes": ["azimuth", "frequency"]},
        {"step": 7},
        {"up": (0, 0, 0)},
    ],
)
def test_options_that_make_no_sense(change):
    assert ArraysOptions(**USUAL)
    with pytest.raises(ValidationError):
        ArraysOptions(**(USUAL | change))


def test_every_option_is_described():
    assert all(one.description for one in ArraysOptions.model_fields.values())
