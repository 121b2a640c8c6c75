import hashlib
import json
import os
import shutil
import warnings
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import sofar
from pydantic import ValidationError

import anechain_sofa
import physics
from anechain.acoustics.directivity.directions import (
    PLANES,
    angle_between,
    orbit_vectors,
    spherical_coordinates,
    unit_vectors,
)
from anechain.acoustics.directivity.sphere import sphere_mean_level
from anechain.errors import InputError
from anechain.hooks import CERTAIN, NO, POSSIBLE
from anechain_sofa.options import SofaOptions

FREQUENCY = np.array([100.0, 1000.0, 10000.0])
WORDS = {"+x": (1, 0, 0), "-x": (-1, 0, 0), "+y": (0, 1, 0), "-y": (0, -1, 0), "+z": (0, 0, 1), "-z": (0, 0, -1)}
FRAMES = [
    ("+x", "+z"),
    ("+z", "+y"),
    ("-y", "+z"),
    ("-x", "-z"),
    ("+y", "-x"),
    ((1, 1, 0), (0, 0, 1)),
    ("+x", (1, 0, 2)),
]


# Sources, as functions of unit vectors in our frame: +x the reference axis, +y left, +z up.


def skewed(vectors):
    """A monopole and three dipoles of unlike strength: left and right, up and down, front and rear all differ."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    first = 1 + 0.4 * x + 0.25j * y - 0.15 * z + 0.1 * y
    return np.stack([first, 2 * first, first * np.exp(-1j * 0.7)], axis=-1)


def piston(vectors):
    """Directivity of circular pistons of ka 1, 2 and 3 (Beranek and Mellow, eq. 4.30), front and rear alike."""
    theta = angle_between(vectors, [1.0, 0, 0])
    return np.stack([physics.piston_directivity(ka)(theta) + 0j for ka in (1, 2, 3)], axis=-1)


def grid(step=10, keep=None):
    azimuth, elevation = np.meshgrid(np.arange(0, 360, step), np.arange(-90, 91, step))
    once = (np.abs(elevation) < 90) | (azimuth == 0)
    vectors = unit_vectors(azimuth[once], elevation[once])
    return vectors if keep is None else vectors[keep(vectors)]


def two_orbits():
    angles = physics.orbit_angles(10)
    vertical = angles[(angles != 0) & (angles != 180)]
    return np.vstack([orbit_vectors("horizontal", angles), orbit_vectors("vertical", vertical)])


def vector(axis):
    return np.array(WORDS[axis] if isinstance(axis, str) else axis, float)


def in_frame(vectors, axis, up):
    """Where a file has the directions whose loudspeaker points along `axis` with its upper side to `up`."""
    x = vector(axis) / np.linalg.norm(vector(axis))
    z = vector(up) - (vector(up) @ x) * x
    z /= np.linalg.norm(z)
    return vectors @ np.stack([x, np.cross(z, x), z])


def write(path, sofa, **changes):
    """Write with sofar, then change attributes (name to text) or values (name to array) behind its back."""
    for name in [name for name in vars(sofa) if sofa._convention.get(name, {}).get("type") == "string"]:
        sofa.delete(name)  # sofar 1.3 cannot write text with netCDF4 1.7.5
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=UserWarning)  # an older convention, which is meant
        sofar.write_sofa(path, sofa)
    with netCDF4.Dataset(path, "a") as file:
        for name, value in changes.items():
            variable, _, attribute = name.replace("Data_", "Data.").partition("__")
            if variable == "GLOBAL":
                file.setncattr(attribute, value)
            elif attribute:
                file[variable].setncattr(attribute, value)
            else:
                file[variable][:] = value
    return path


def replace(file, name, dimensions, values):
    """Give a variable of an open file other dimensions."""
    kept = {attribute: file[name].getncattr(attribute) for attribute in file[name].ncattrs()}
    file.renameVariable(name, "Replaced")
    variable = file.createVariable(name, "f8", dimensions)
    variable.setncatts(kept)
    variable[:] = values


def place(sofa, name, vectors, kind="cartesian"):
    if kind == "cartesian":
        values, units = vectors, "metre"
    else:
        azimuth, elevation, radius = spherical_coordinates(vectors)
        angles = np.stack([np.mod(azimuth, 360), elevation], axis=-1)
        values = np.concatenate([np.deg2rad(angles) if kind == "radian" else angles, radius[..., None]], axis=-1)
        units = "degree, degree, metre"
    setattr(sofa, name, values)
    setattr(sofa, f"{name}_Type", "cartesian" if kind == "cartesian" else "spherical")
    setattr(sofa, f"{name}_Units", units)


def directivity(path, vectors, pressure, kind="spherical", axis="+x", up="+z", version="1.1", radius=2.0, **changes):
    """A FreeFieldDirectivityTF file: receivers at `vectors` of our frame, in a file frame of its own."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=UserWarning)
        sofa = sofar.Sofa("FreeFieldDirectivityTF", version=version)
    place(sofa, "ReceiverPosition", radius * in_frame(vectors, axis, up), kind)
    sofa.SourceView, sofa.SourceUp = vector(axis), vector(up)
    sofa.N = FREQUENCY
    pressure = np.atleast_3d(pressure) if np.ndim(pressure) == 3 else pressure[None]
    sofa.Data_Real, sofa.Data_Imag = pressure.real, pressure.imag
    sofa.GLOBAL_Title, sofa.GLOBAL_License, sofa.GLOBAL_Organization = "Rowan 5", "CC0", "Village hall workshop"
    if kind == "radian":
        changes.setdefault("ReceiverPosition__Units", "radian, radian, metre")
    return write(path, sofa, **changes)


def general(path, vectors, pressure, convention="GeneralTF", version=None, kind="cartesian", **changes):
    sofa = sofar.Sofa(convention, version=version or "latest", verify=False)
    place(sofa, "ReceiverPosition", vectors, kind)
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = [0, 0, 0], "cartesian", "metre"
    sofa.N = FREQUENCY
    sofa.Data_Real, sofa.Data_Imag = pressure.real[None], pressure.imag[None]
    return write(path, sofa, **changes)


def read(path, **options):
    return anechain_sofa.anechain_read([path], SofaOptions(**options))


def refused(path, **options):
    with pytest.raises(InputError) as caught:
        read(path, **options)
    assert all(problem.where == str(path) for problem in caught.value.problems)
    return str(caught.value)


def assert_orbits(responses, source, within=1e-9, planes=PLANES, angles=None):
    """Levels and phases against the closed form at the two orbits' directions."""
    for plane in planes:
        at = responses.angle.values if angles is None else np.asarray(angles, float)
        true = source(orbit_vectors(plane, at))
        found = responses.sel(plane=plane, angle=at)
        assert found.level.values == pytest.approx(physics.level(true), abs=within)
        if "phase" in responses:
            assert np.exp(1j * np.deg2rad(found.phase.values)) == pytest.approx(true / np.abs(true), abs=1e-9)


def said(reading, *words):
    return any(all(word in line for word in words) for line in reading.report)


# What a file says is what is read.


@pytest.mark.parametrize("kind", ["spherical", "cartesian", "radian"])
@pytest.mark.parametrize(("axis", "up"), FRAMES)
def test_orbits_come_out_of_every_frame(tmp_path, kind, axis, up):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), kind, axis, up))
    assert reading.responses.sizes == {"plane": 2, "angle": 36, "frequency": 3}
    assert reading.responses.frequency.values.tolist() == FREQUENCY.tolist()
    assert_orbits(reading.responses, skewed)
    assert (reading.responses.measured.values == 1).all()
    assert said(reading, "convention: FreeFieldDirectivityTF 1.1 (AES69, SOFA 2.1)")
    assert said(reading, "reference axis", "from SourceView")
    assert said(reading, "614 unique directions of 614 in the file")
    assert said(reading, "distance: 2 m")
    assert not said(reading, "interpolated")


def test_the_sphere_comes_with_its_weights(tmp_path):
    vectors = grid(5)
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), axis="+z", up="+y"))
    sphere = reading.sphere
    at = unit_vectors(sphere.azimuth.values, sphere.elevation.values)
    assert sphere.level.values == pytest.approx(physics.level(skewed(at)), abs=1e-9)
    assert float(sphere.weight.sum()) == pytest.approx(1, abs=1e-12)
    # Mean square of a + b.v over the sphere is |a|^2 + |b|^2 / 3.
    mean = 10 * np.log10(1 + (0.4**2 + 0.25**2 + 0.1**2 + 0.15**2) / 3)
    assert sphere_mean_level(sphere.level.values, sphere.weight.values)[0] == pytest.approx(mean, abs=0.001)
    assert said(reading, "full sphere", "7.1°")


def test_attributes_say_where_the_data_come_from(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)))
    expected = {
        "level_kind": "relative",
        "distance": 2.0,
        "title": "Rowan 5",
        "origin": "Village hall workshop",
        "licence": "CC0",
        "source_convention": "AES69 FreeFieldDirectivityTF 1.1",
    }
    assert {name: reading.responses.attrs[name] for name in expected} == expected
    assert reading.sphere.attrs == reading.responses.attrs
    assert said(reading, "levels are relative")


def test_pascals_become_sound_pressure_levels(tmp_path):
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors))
    reading = read(path, quantity="pascal")
    assert reading.responses.attrs["level_kind"] == "spl"
    # 1.4 - 0 on the axis, times the reference of ISO 1683.
    on_axis = reading.responses.level.sel(plane="horizontal", angle=0).values[0]
    assert on_axis == pytest.approx(20 * np.log10(1.4 / 20e-6), abs=1e-9)


@pytest.mark.parametrize("suffix", [".sofa", ".nc", ""])
def test_the_very_file_is_read_and_left_as_it_is(tmp_path, suffix):
    vectors = grid()
    written = directivity(tmp_path / "written.sofa", vectors, skewed(vectors))
    # A neighbour of the same stem must not be read in its place.
    directivity(tmp_path / "rowan.sofa", vectors, 5 * skewed(vectors))
    path = tmp_path / f"rowan{suffix}"
    shutil.copy(written, path)
    path.chmod(0o444)
    before = path.read_bytes()
    reading = read(path)
    assert anechain_sofa.anechain_identify(path).confidence == CERTAIN
    assert_orbits(reading.responses, skewed)
    assert path.read_bytes() == before
    assert len(list(tmp_path.iterdir())) == len({path, written, tmp_path / "rowan.sofa"})


def test_seventy_directions_are_two_orbits_without_a_sphere(tmp_path):
    vectors = two_orbits()
    assert len(vectors) == 70
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)))
    assert_orbits(reading.responses, skewed)
    assert reading.sphere is None
    assert said(reading, "70 unique directions of 70 in the file")
    assert said(reading, "no power over the full sphere: the grid has a gap of")


def test_seventy_two_directions_are_seventy(tmp_path):
    # 0 and 180 degrees given on both orbits, once with another value: 0.1 dB and its mean square.
    vectors = np.vstack([two_orbits(), orbit_vectors("vertical", [0.0, 180.0])])
    pressure = skewed(vectors)
    same = read(directivity(tmp_path / "same.sofa", vectors, pressure))
    assert_orbits(same.responses, skewed)
    assert said(same, "70 unique directions of 72 in the file")
    assert said(same, "2 directions are repeated with the same values")
    pressure[-2] *= 2
    differing = read(directivity(tmp_path / "differing.sofa", vectors, pressure))
    assert said(differing, "1 of 2 repeated directions differ from the first", "6.02 dB", "receiver 70")
    level = differing.responses.level.sel(angle=0).values
    assert level == pytest.approx(np.tile(physics.level(skewed(vectors[-2])), (2, 1)) + 10 * np.log10(2.5), abs=1e-9)


def test_off_grid_directions_are_interpolated_and_named(tmp_path):
    # Whole grid turned about the vertical by 5 degrees: half-way for the horizontal orbit.
    vectors = grid()
    c, s = np.cos(np.deg2rad(5)), np.sin(np.deg2rad(5))
    moved = vectors @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    reading = read(directivity(tmp_path / "rowan.sofa", moved, piston(moved) * np.exp(0.3j)))
    responses = reading.responses
    error = responses.level.values - physics.level(
        np.stack([piston(orbit_vectors(plane, responses.angle.values)) for plane in PLANES])
    )
    # ka 1, 2, 3; measured 0.009, 0.041 and 0.167 dB.
    assert (np.abs(error).max(axis=(0, 1)) < [0.0095, 0.043, 0.175]).all()
    assert said(reading, "horizontal orbit: 0 of 36")
    assert said(reading, "horizontal orbit, interpolated", "-170°", "180°")
    assert said(reading, "up to 5.00° from the nearest grid point")
    assert np.isnan(responses.phase.sel(plane="horizontal").values).all()
    at_poles = responses.phase.sel(plane="vertical", angle=[-90, 90]).values
    assert at_poles == pytest.approx(np.rad2deg(0.3), abs=1e-9)


def test_an_incomplete_sphere_names_its_hole_and_invents_nothing(tmp_path):
    vectors = grid(keep=lambda v: v[:, 2] > np.sin(np.deg2rad(-40.1)))
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)))
    assert reading.sphere is None
    assert said(reading, "no power over the full sphere", "a gap of 100.0°", "elevation -90°")
    assert said(reading, "vertical orbit, missing", "-130°, -120°, -110°, -100°, -90°, -80°, -70°, -60°, -50°")
    responses = reading.responses
    lacking = responses.angle.values[(responses.angle.values < -45) & (responses.angle.values > -135)]
    assert np.isnan(responses.level.sel(plane="vertical", angle=lacking).values).all()
    assert not responses.measured.sel(plane="vertical", angle=lacking).values.any()
    assert_orbits(responses, skewed, planes=["horizontal"])
    assert_orbits(responses, skewed, planes=["vertical"], angles=np.arange(-40, 180, 10))


def test_a_wider_gap_may_be_allowed(tmp_path):
    vectors = grid(30)
    path = directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors))
    assert read(path).sphere is None
    wide = read(path, max_gap=45)
    assert wide.sphere is not None
    assert said(wide, "vertical orbit, interpolated")
    assert read(path, step=30).responses.sizes["angle"] == 12


def test_directions_without_data_are_left_out(tmp_path):
    vectors = grid()
    pressure = skewed(vectors)
    lost = [int(np.argmin(angle_between(vectors, unit_vectors(azimuth, 0)))) for azimuth in (90, 40)]
    pressure[lost[0]] = np.nan
    pressure[lost[1]] = 0
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, pressure))
    assert said(reading, "2 of 614 directions have no value", f"receiver {lost[1]}", f"receiver {lost[0]}")
    assert said(reading, "no power over the full sphere", "gap of 2")
    assert said(reading, "horizontal orbit: 34 of 36")
    assert said(reading, "horizontal orbit, missing", "40°, 90°")
    measured = reading.responses.measured.sel(plane="horizontal", angle=[40, 50, 90]).values
    assert measured.tolist() == [0, 1, 0]


def test_a_band_that_is_not_a_number_stays_missing(tmp_path):
    vectors = grid()
    pressure = skewed(vectors)
    pressure[:, 1] = np.nan
    pressure[3, 2] = np.nan
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, pressure))
    assert said(reading, "values missing in all directions at 1000 Hz")
    assert said(reading, "values missing in some directions at 10000 Hz")
    assert np.isnan(reading.responses.level.sel(frequency=1000).values).all()
    assert np.isfinite(reading.responses.level.sel(frequency=100).values).all()
    assert np.isnan(reading.sphere.level.sel(frequency=10000).values).sum() == 1


def test_magnitudes_only_have_no_phase(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, np.abs(skewed(vectors)) + 0j))
    assert "phase" not in reading.responses
    assert_orbits(reading.responses, lambda v: np.abs(skewed(v)))
    assert said(reading, "phase dropped", "magnitudes only")


def test_zero_hertz_is_dropped(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), N=[0.0, 500, 1000]))
    assert reading.responses.frequency.values.tolist() == [500, 1000]
    assert said(reading, "0 Hz dropped")


def test_an_unusual_unit_of_frequency_is_told(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), N__Units="Hertz"))
    assert said(reading, "N:Units is 'Hertz'")


def test_the_older_convention_is_read(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), version="1.0"))
    assert_orbits(reading.responses, skewed)
    assert said(reading, "convention: FreeFieldDirectivityTF 1.0")


# What a file does not say is declared.


@pytest.mark.parametrize("version", ["1.0", "2.0"])
@pytest.mark.parametrize("kind", ["cartesian", "spherical"])
def test_general_transfer_functions_need_an_axis(tmp_path, version, kind):
    vectors = grid()
    placed = in_frame(vectors, "+z", "+x")
    path = general(tmp_path / "rowan.sofa", 1.5 * placed, skewed(vectors), version=version, kind=kind)
    words = refused(path)
    assert "there is no SourceView" in words and "there is no SourceUp" in words
    assert "declare reference_axis" in words and "declare up" in words
    assert "there is no SourceUp" in refused(path, reference_axis="+z")
    reading = read(path, reference_axis="+z", up="+x")
    assert_orbits(reading.responses, skewed)
    assert said(reading, "reference axis: [0, 0, 1]", "declared in the options")
    assert reading.responses.attrs["distance"] == pytest.approx(1.5)


def test_the_options_override_the_file_and_say_so(tmp_path):
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", in_frame(vectors, "-y", "+z"), skewed(vectors))
    reading = read(path, reference_axis=[0, -2, 0])
    assert_orbits(reading.responses, skewed)
    assert said(reading, "reference axis: [0, -2, 0]", "declared in the options, overriding SourceView [1, 0, 0]")


def test_an_axis_along_up_is_refused(tmp_path):
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors))
    assert "parallel" in refused(path, reference_axis="+z")


def test_unit_vectors_are_no_distance(tmp_path):
    vectors = grid()
    path = general(tmp_path / "rowan.sofa", vectors, skewed(vectors))
    reading = read(path, reference_axis="+x", up="+z")
    assert "distance" not in reading.responses.attrs
    assert said(reading, "unit vectors")


def test_unequal_distances_are_told(tmp_path):
    vectors = grid()
    path = general(tmp_path / "rowan.sofa", np.linspace(1, 2, len(vectors))[:, None] * vectors, skewed(vectors))
    reading = read(path, reference_axis="+x", up="+z")
    assert said(reading, "distances differ", "6.0 dB")
    assert "distance" not in reading.responses.attrs


def test_a_source_position_off_the_centre_of_equidistant_receivers_is_left_out(tmp_path):
    # The convention's own default, one metre to the front, that writers leave in place.
    vectors = grid()
    path = general(tmp_path / "rowan.sofa", vectors, skewed(vectors), SourcePosition=[1.0, 0, 0])
    reading = read(path, reference_axis="+x", up="+z")
    assert_orbits(reading.responses, skewed)
    assert said(reading, "SourcePosition", "is ignored")


def test_receivers_around_a_source_elsewhere_are_seen_from_the_source(tmp_path):
    vectors = grid()
    place = np.array([3.0, 4.0, 1.0])
    path = general(tmp_path / "rowan.sofa", 2 * vectors + place, skewed(vectors), SourcePosition=place)
    reading = read(path, reference_axis="+x", up="+z")
    assert_orbits(reading.responses, skewed)
    assert said(reading, "directions are relative to SourcePosition [3, 4, 1]")


def test_receivers_turn_with_the_listener(tmp_path):
    vectors = grid()
    # ReceiverPosition is local to the listener, who looks along -y here: the loudspeaker points there too.
    path = directivity(
        tmp_path / "rowan.sofa", vectors, skewed(vectors), ListenerView=[0, -1, 0], SourceView=[0, -1, 0]
    )
    reading = read(path)
    assert_orbits(reading.responses, skewed)
    assert said(reading, "rotated by ListenerView")


# Several for each direction.


def with_two(tmp_path):
    vectors = grid()
    path = tmp_path / "rowan.sofa"
    sofa = sofar.Sofa("FreeFieldDirectivityTF")
    place(sofa, "ReceiverPosition", vectors, "spherical")
    sofa.N = FREQUENCY
    both = np.stack([skewed(vectors), piston(vectors) * np.exp(0.1j)])
    sofa.Data_Real, sofa.Data_Imag = both.real, both.imag
    write(path, sofa)
    with netCDF4.Dataset(path, "a") as file:
        file.createDimension("letters", 7)
        file.createVariable("EmitterDescriptions", "S1", ("M", "letters"))[:] = np.array(
            [list("woofer\0"), list("tweeter")], "S1"
        )
    return path


def test_of_several_one_is_chosen_from_a_list(tmp_path):
    path = with_two(tmp_path)
    words = refused(path)
    assert "0: measurement 0 (woofer); 1: measurement 1 (tweeter)" in words
    assert "option measurement" in words
    assert_orbits(read(path, measurement=0).responses, skewed)
    second = read(path, measurement=1)
    assert_orbits(second.responses, lambda v: piston(v) * np.exp(0.1j))
    assert said(second, "number 1 is read: measurement 1 (tweeter)")
    assert "0 to 1" in refused(path, measurement=2)


def test_receivers_that_move_between_measurements_are_those_of_the_chosen_one(tmp_path):
    vectors = grid()
    sofa = sofar.Sofa("GeneralTF")
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = [0, 0, 0], "cartesian", "metre"
    placed = [in_frame(vectors, "+y", "+z"), 2 * in_frame(vectors, "+z", "+x")]
    place(sofa, "ReceiverPosition", placed[0])
    sofa.N = FREQUENCY
    both = np.stack([skewed(vectors)] * 2)
    sofa.Data_Real, sofa.Data_Imag = both.real, both.imag
    path = write(tmp_path / "rowan.sofa", sofa)
    with netCDF4.Dataset(path, "a") as file:
        replace(file, "ReceiverPosition", ("R", "C", "M"), np.stack(placed, axis=-1))
    assert_orbits(read(path, measurement=0, reference_axis="+y", up="+z").responses, skewed)
    second = read(path, measurement=1, reference_axis="+z", up="+x").responses
    assert_orbits(second, skewed)
    assert second.attrs["distance"] == pytest.approx(2)


def turntable(tmp_path):
    """One microphone; the loudspeaker turns about the vertical, then lies on its side and turns again."""
    directions = two_orbits()
    views, ups = [], []
    for x, y, z in directions:
        # The loudspeaker's own frame such that the fixed microphone, along +x, lies at (x, y, z) in it.
        if abs(z) < 1e-9:
            view, up = [x, -y, 0], [0, 0, 1]
        else:
            view, up = [x, -z, 0], [z, x, 0]
        views.append(view)
        ups.append(up)
    sofa = sofar.Sofa("FreeFieldDirectivityTF")
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = [3, 0, 0], "cartesian", "metre"
    sofa.SourceView, sofa.SourceUp = np.array(views), np.array(ups)
    sofa.N = FREQUENCY
    pressure = skewed(directions)[:, None]
    sofa.Data_Real, sofa.Data_Imag = pressure.real, pressure.imag
    return write(tmp_path / "turntable.sofa", sofa)


def test_a_turntable_is_read_from_its_views(tmp_path):
    path = turntable(tmp_path)
    reading = read(path, directions="measurements")
    assert_orbits(reading.responses, skewed)
    assert said(reading, "SourceView and SourceUp differ between measurements")
    assert reading.responses.attrs["distance"] == pytest.approx(3)
    assert "only one receiver" in refused(path)
    assert "70 measurements" in refused(path)


def listener_layout(tmp_path, vectors, delay=0.0):
    """SimpleFreeFieldHRIR as some write loudspeakers: positions over M, one impulse per direction."""
    sofa = sofar.Sofa("SimpleFreeFieldHRIR")
    place(sofa, "SourcePosition", 1.4 * vectors, "spherical")
    responses = np.zeros((len(vectors), 2, 64))
    responses[:, 0, 5] = np.abs(skewed(vectors)[:, 0])
    responses[:, 1, 0] = 1
    sofa.Data_IR = responses
    sofa.Data_Delay = np.array([[delay, 0.0]])
    sofa.Data_SamplingRate = 48000
    sofa.ReceiverPosition = np.array([[0, 0.09, 0], [0, -0.09, 0]])
    return write(tmp_path / "listener.sofa", sofa)


def test_a_listeners_layout_is_read_only_when_told(tmp_path):
    vectors = grid()
    path = listener_layout(tmp_path, vectors, delay=2.5)
    verdict = anechain_sofa.anechain_identify(path)
    assert 0 < verdict.confidence < POSSIBLE
    assert "describes a listener, not a loudspeaker" in verdict.reason
    assert "directions: sources" in refused(path)
    assert "0: receiver 0; 1: receiver 1" in refused(path, directions="sources")
    reading = read(path, directions="sources", measurement=0)
    responses = reading.responses
    assert responses.frequency.values == pytest.approx(np.arange(1, 33) * 750.0)
    level = physics.level(skewed(orbit_vectors("horizontal", responses.angle.values))[:, :1])
    assert responses.level.sel(plane="horizontal").values == pytest.approx(np.broadcast_to(level, (36, 32)), abs=1e-9)
    # Five samples in the record and two and a half before it.
    turn = np.exp(1j * np.deg2rad(responses.phase.values[0, 0]))
    assert turn == pytest.approx(np.exp(-2j * np.pi * responses.frequency.values * 7.5 / 48000), abs=1e-9)
    assert said(reading, "reference axis", "from ListenerView")
    assert said(reading, "64 samples at 48000 Hz", "without window or padding", "2.5")


@pytest.mark.parametrize("convention", ["GeneralFIR", "GeneralFIR-E", "GeneralFIRE"])
def test_impulse_responses_over_receivers(tmp_path, convention):
    # A decaying exponential a^n has the spectrum (1 - a^N) / (1 - a z^-1) at the transform's frequencies.
    vectors, a = grid(), 0.5
    with_emitters = convention != "GeneralFIR"
    sofa = sofar.Sofa("GeneralFIR-E" if with_emitters else "GeneralFIR")
    place(sofa, "ReceiverPosition", 2 * vectors)
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = [0, 0, 0], "cartesian", "metre"
    record = (np.abs(skewed(vectors)[:, 0])[:, None] * a ** np.arange(32))[None]
    sofa.Data_IR = record[..., None] if with_emitters else record
    sofa.Data_SamplingRate = 48000
    sofa.Data_Delay = np.zeros((1, len(vectors), 1) if with_emitters else (1, len(vectors)))
    path = write(tmp_path / "rowan.sofa", sofa)
    if convention == "GeneralFIRE":  # its forerunner, with the samples last; sofar reads it and no longer writes it
        with netCDF4.Dataset(path, "a") as file:
            file.SOFAConventions, file.SOFAConventionsVersion = convention, "1.0"
            replace(file, "Data.IR", ("M", "R", "E", "N"), record[:, :, None])
    reading = read(path, reference_axis="+x", up="+z")
    frequency = reading.responses.frequency.values
    assert frequency == pytest.approx(np.arange(1, 17) * 1500.0)
    shape = (1 - a**32) / (1 - a * np.exp(-2j * np.pi * frequency / 48000))
    assert_orbits(reading.responses, lambda v: np.abs(skewed(v)[:, :1]) * shape)
    assert said(reading, "differs from the convention", "deprecated") == (convention == "GeneralFIRE")


def test_one_of_several_emitters_is_taken(tmp_path):
    vectors = grid()
    sofa = sofar.Sofa("GeneralTF-E")
    place(sofa, "ReceiverPosition", 2 * vectors)
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = [0, 0, 0], "cartesian", "metre"
    sofa.EmitterPosition = np.array([[0, 0, 0], [0, 0, 0.2]])
    sofa.N = FREQUENCY
    both = np.stack([skewed(vectors), piston(vectors) * 1j], axis=-1)[None]
    sofa.Data_Real, sofa.Data_Imag = both.real, both.imag
    path = write(tmp_path / "rowan.sofa", sofa)
    assert "0: emitter 0; 1: emitter 1" in refused(path, reference_axis="+x", up="+z")
    reading = read(path, reference_axis="+x", up="+z", measurement=1)
    assert_orbits(reading.responses, lambda v: piston(v) * 1j)


# What cannot be believed.


def test_a_lost_imaginary_part_is_refused(tmp_path):
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", vectors, (skewed(vectors) - 1).real + 0j)
    assert "the imaginary part has been lost" in refused(path)
    reading = read(path, magnitude_only=True)
    assert said(reading, "its magnitude is used, as declared")
    assert "phase" not in reading.responses


def test_a_needless_declaration_is_told(tmp_path):
    vectors = grid()
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)), magnitude_only=True)
    assert said(reading, "magnitude_only has no effect")
    assert "phase" in reading.responses


UNBELIEVABLE = {
    "radians labelled degree": ("radian", {"ReceiverPosition__Units": "degree, degree, metre"}, "look like radians"),
    "degrees labelled radian": ("spherical", {"ReceiverPosition__Units": "radian, radian, metre"}, "look like degrees"),
    "no such unit": ("spherical", {"ReceiverPosition__Units": "gon, gon, metre"}, "ReceiverPosition:Units is 'gon"),
    "centimetres": ("cartesian", {"ReceiverPosition__Units": "centimetre"}, "ReceiverPosition:Units is 'centimetre'"),
    "coefficients": ("spherical", {"ReceiverPosition__Type": "spherical harmonics"}, "not directions"),
    "frequencies fall": ("spherical", {"N": [100, 1000, 500]}, "N does not rise: 500 Hz follows 1000 Hz"),
    "frequency repeated": ("spherical", {"N": [100, 1000, 1000]}, "N does not rise"),
    "negative frequency": ("spherical", {"N": [-100, 100, 1000]}, "negative frequencies, the lowest -100 Hz"),
    "frequency not a number": ("spherical", {"N": [100, np.nan, 1000]}, "not finite numbers"),
    "radians per second": ("spherical", {"N__Units": "radian per second"}, "N:Units is 'radian per second'"),
    "view of no length": ("spherical", {"SourceView": [0, 0, 0]}, "SourceView has no length"),
    "view not a number": ("spherical", {"SourceView": [np.nan, 0, 0]}, "SourceView is not finite"),
    "up along the axis": ("spherical", {"SourceUp": [2, 0, 0]}, "parallel"),
    "a room": ("spherical", {"GLOBAL__RoomType": "shoebox"}, "a loudspeaker in a room"),
    "a newer version": ("spherical", {"GLOBAL__SOFAConventionsVersion": "7.0"}, "version 7.0; known: 1.0, 1.1"),
    "no SOFA": ("spherical", {"GLOBAL__Conventions": "CF-1.8"}, "Conventions is not SOFA"),
}


@pytest.mark.parametrize("case", UNBELIEVABLE)
def test_what_cannot_be_believed_is_refused(tmp_path, case):
    kind, changes, words = UNBELIEVABLE[case]
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors), kind, **changes)
    assert words in refused(path)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda p: p.__setitem__((4, 1), np.nan), "1 positions that are not finite"),
        (lambda p: p.__setitem__((4, 2), 0.0), "1 of 614 directions have no distance from the loudspeaker"),
        (lambda p: p.__setitem__((4, 2), -2.0), "negative radius"),
        (lambda p: p.__setitem__((slice(None), 1), 90 - p[:, 1]), "not an angle from the pole"),
    ],
)
def test_impossible_positions_are_refused(tmp_path, damage, words):
    vectors = grid()
    path = directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors))
    with netCDF4.Dataset(path, "a") as file:
        positions = np.asarray(file["ReceiverPosition"][:])
        damage(positions)
        file["ReceiverPosition"][:] = positions
    assert words in refused(path)


def test_a_narrow_scan_in_whole_degrees_is_no_radian(tmp_path):
    azimuth, elevation = (x.ravel() for x in np.meshgrid(np.arange(-4.0, 5), np.arange(-1.0, 2)))
    vectors = unit_vectors(azimuth, elevation)
    reading = read(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)), step=1)
    assert said(reading, "horizontal orbit: 9 of 360")


@pytest.mark.parametrize("value", [0.0, np.nan])
def test_no_data_at_all_is_refused(tmp_path, value):
    vectors = grid()
    assert "everywhere" in refused(directivity(tmp_path / "rowan.sofa", vectors, np.full((614, 3), value + 0j)))


def test_all_problems_are_told_at_once(tmp_path):
    vectors = grid()
    path = directivity(
        tmp_path / "rowan.sofa", vectors, skewed(vectors), N=[3, 2, 1], SourceView=[0, 0, 0], N__Units="kHz"
    )
    words = refused(path)
    assert "SourceView has no length" in words and "N does not rise" in words and "'kHz'" in words


def test_orbits_that_were_not_measured_are_refused(tmp_path):
    vectors = unit_vectors(np.arange(30, 60, 1.0), np.full(30, 45.0))
    assert "no direction on or near an orbit" in refused(directivity(tmp_path / "rowan.sofa", vectors, skewed(vectors)))


def test_room_data_are_refused(tmp_path):
    sofa = sofar.Sofa("SingleRoomSRIR")
    path = write(tmp_path / "hall.sofa", sofa)
    verdict = anechain_sofa.anechain_identify(path)
    assert verdict.confidence == NO
    assert "describes a room" in verdict.reason
    assert "describes a room" in refused(path)


def test_one_file_makes_one_device(tmp_path):
    paths = [tmp_path / "a.sofa", tmp_path / "b.sofa"]
    with pytest.raises(InputError) as caught:
        anechain_sofa.anechain_read(paths, SofaOptions())
    assert [problem.where for problem in caught.value.problems] == [str(path) for path in paths]


# Recognising files.


@pytest.mark.parametrize(
    "content",
    [
        b"x",
        b"\x89HDF\r\n\x1a\n",
        b"\x89HDF\r\n\x1a\n" + bytes(500),
        b"CDF\x01" + bytes(60),
        bytes(range(256)) * 40,
        b"20 80.1\n",
    ],
)
def test_junk_is_no_file_of_ours_and_no_traceback(tmp_path, content):
    path = tmp_path / "junk.sofa"
    path.write_bytes(content)
    assert anechain_sofa.anechain_identify(path).confidence < POSSIBLE
    assert refused(path)


def test_any_other_netcdf_file_is_not_ours(tmp_path):
    path = tmp_path / "other.nc"
    with netCDF4.Dataset(path, "w") as file:
        file.createDimension("x", 3)
    verdict = anechain_sofa.anechain_identify(path)
    assert verdict.confidence == NO
    assert "not SOFA" in verdict.reason


def test_a_missing_file_is_no_traceback(tmp_path):
    assert anechain_sofa.anechain_identify(tmp_path / "gone.sofa").confidence == NO
    assert "cannot be read" in refused(tmp_path / "gone.sofa")


def test_a_file_cut_short_is_refused_at_every_length(tmp_path):
    vectors = two_orbits()
    whole = directivity(tmp_path / "whole.sofa", vectors, skewed(vectors)).read_bytes()
    path = tmp_path / "cut.sofa"
    for number, length in enumerate([*range(1, 120, 17), *range(120, len(whole), len(whole) // 50), len(whole) - 1]):
        path = tmp_path / f"cut{number}.sofa"
        path.write_bytes(whole[:length])
        assert anechain_sofa.anechain_identify(path).confidence < POSSIBLE
        assert "truncated" in refused(path)


def test_every_option_is_described():
    description = anechain_sofa.anechain_describe()
    assert description.options is SofaOptions
    assert all(field.description for field in SofaOptions.model_fields.values())


@pytest.mark.parametrize(
    "options",
    [
        {"reference_axis": "front"},
        {"reference_axis": [0, 0, 0]},
        {"up": [1, 2]},
        {"step": 7},
        {"step": 0},
        {"measurement": -1},
        {"stepp": 5},
    ],
)
def test_options_that_make_no_sense(options):
    with pytest.raises(ValidationError):
        SofaOptions(**options)


# Real files.


def reference_data(pattern, digest=None):
    folder = os.environ.get("ANECHAIN_REFERENCE_DATA")
    if not folder:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set: folder of the open reference data")
    for path in sorted(Path(folder).glob(pattern)):
        if digest is None or hashlib.sha256(path.read_bytes()).hexdigest() == digest:
            return path
    pytest.skip(f"ANECHAIN_REFERENCE_DATA does not hold {pattern}")


@pytest.fixture(scope="module")
def open_sphere():
    """A real two-way loudspeaker on a 1 degree sphere (open data, CC BY-NC; carried by sparrowpy 1.1.1's sources)."""
    folder = os.environ.get("ANECHAIN_REGISTRY_DATA")
    if not folder:
        pytest.skip(
            "ANECHAIN_REGISTRY_DATA is not set: folder of the test data in sparrowpy 1.1.1's source distribution"
        )
    digest = "d66826918696086899bc2b7cb533a695f457c57e91c70760e75b1b05328e442a"
    for path in sorted(Path(folder).glob("*.sofa")):
        if path.stat().st_size > 1_000_000 and hashlib.sha256(path.read_bytes()).hexdigest() == digest:
            return path
    pytest.skip("the folder ANECHAIN_REGISTRY_DATA does not hold the 1 degree sphere")


def directivity_table():
    """Columns f, on axis, true index, then left, right, up, down and back re on axis, from order-20 harmonics."""
    lines = reference_data("CHECKS.txt").read_text(encoding="utf-8").splitlines()
    rows = [[float(word) for word in line.split()] for line in lines if line[:10].strip().replace(".", "").isdigit()]
    table = np.array(rows)
    assert table.shape == (31, 8)
    return table


def test_a_sphere_without_a_view_is_refused(open_sphere):
    assert anechain_sofa.anechain_identify(open_sphere).confidence == CERTAIN
    assert "there is no SourceView" in refused(open_sphere)


@pytest.fixture(scope="module")
def real(open_sphere):
    # The publisher has the reference axis along +z. Up is +x: the vertical orbit then is that of the harmonics.
    return read(open_sphere, reference_axis="+z", up="+x")


def test_a_real_sphere_gives_its_on_axis_curve(real):
    # Relative data: up to a constant. The other set prints four decimals.
    on_axis = json.loads(reference_data("*/curve_set.json").read_text(encoding="utf-8"))["on_axis"]
    known = np.array([np.nan if value is None else value for value in on_axis])
    difference = real.responses.level.sel(plane="horizontal", angle=0).values - known
    assert np.isnan(difference).tolist() == np.isnan(known).tolist() == (real.responses.frequency.values == 25).tolist()
    assert np.nanmax(difference) - np.nanmin(difference) < 2e-4


def test_a_real_sphere_gives_its_true_directivity_index(real):
    # Voronoi weights against Parseval's sum over harmonics of order 20 of the same loudspeaker. The file turned out to
    # be as smooth as the harmonics (largest difference measured 0.0005 dB, the table's last digit): no allowance for
    # smoothing is needed.
    table = directivity_table()
    sphere = real.sphere
    on_axis = real.responses.level.sel(plane="horizontal", angle=0).values
    index = on_axis - sphere_mean_level(sphere.level.values, sphere.weight.values)
    assert index == pytest.approx(table[:, 2], abs=1e-3, nan_ok=True)


def test_a_real_sphere_gives_its_levels_across_and_behind(real):
    table, level = directivity_table(), real.responses.level
    on_axis = level.sel(plane="horizontal", angle=0).values
    for column, plane, angle in ((5, "vertical", 90), (6, "vertical", -90), (7, "horizontal", 180)):
        assert level.sel(plane=plane, angle=angle).values - on_axis == pytest.approx(
            table[:, column], abs=1e-3, nan_ok=True
        )
    # The two publications of this loudspeaker are mirror images: with the same axis and up, left here is right there.
    # Nothing in either file tells which is right.
    for column, angle in ((3, -90), (4, 90)):
        found = level.sel(plane="horizontal", angle=angle).values - on_axis
        assert found == pytest.approx(table[:, column], abs=1e-3, nan_ok=True)


def test_a_real_sphere_reports_what_it_lacks(real):
    assert real.sphere.sizes == {"direction": 64442, "frequency": 31}
    assert said(real, "64442 unique directions of 64442 in the file")
    assert said(real, "values missing in all directions at 25 Hz")
    assert said(real, "phase dropped")
    assert said(real, "unit vectors")
    assert said(real, "SourcePosition", "is ignored")
    assert not said(real, "interpolated")


DODECAHEDRON = "a49876c307a1ef9fd2eb6b111b6ee1bce9e782cbaf0fda3660a3fcfff8ecceb3"
HEAD = "e7035994f5fd754058424c061380ee92b1d5ed58fccef2887a4266916616acdf"


def test_a_real_file_that_lost_its_imaginary_part():
    path = reference_data("*/*.sofa", DODECAHEDRON)
    assert anechain_sofa.anechain_identify(path).confidence == CERTAIN
    assert "it contains 3 responses for each direction" in refused(path)
    assert "imaginary part has been lost" in refused(path, measurement=0)
    assert "imaginary part has been lost" in refused(path, measurement=1)
    reading = read(path, measurement=2)
    level = reading.responses.level
    # The low unit is published alike in all 614 directions.
    assert level.values == pytest.approx(np.broadcast_to(level.values[0, 0], level.shape), abs=1e-9)
    true = sphere_mean_level(reading.sphere.level.values, reading.sphere.weight.values)
    assert true == pytest.approx(level.values[0, 0], abs=1e-9)
    assert said(reading, "614 unique directions of 614 in the file")
    assert said(reading, "horizontal orbit: 36 of 36")
    assert said(reading, "vertical orbit: 36 of 36")
    assert said(reading, "N:Units is 'Hertz'")
    assert said(reading, "distance: 2 m")
    # 36 on each orbit, with the poles 0 and 180 degrees on both.
    orbits = np.vstack([orbit_vectors(plane, level.angle.values) for plane in PLANES])
    assert len(np.unique(np.round(orbits, 6) + 0.0, axis=0)) == 70


def test_a_real_head_is_read_only_when_told():
    path = reference_data("*/*.sofa", HEAD)
    verdict = anechain_sofa.anechain_identify(path)
    assert 0 < verdict.confidence < POSSIBLE
    assert "describes a listener, not a loudspeaker" in refused(path)
    reading = read(path, directions="sources", measurement=0)
    assert reading.sphere is None
    # Measured from -40 degrees upwards.
    assert said(reading, "no power over the full sphere", "a gap of 100.0°", "elevation -90°")
    assert said(reading, "vertical orbit, missing", "-50°")
    assert said(reading, "710 unique directions of 710 in the file")
    assert reading.responses.attrs["distance"] == pytest.approx(1.4)
    frequency = reading.responses.frequency.values
    assert frequency == pytest.approx(np.arange(1, 257) * 44100 / 512)
    # The left ear hears the left side louder, by more than 10 dB over the band above 2 kHz.
    level = reading.responses.level.sel(plane="horizontal").isel(frequency=frequency > 2000)
    left, right = (level.sel(angle=angle).values for angle in (90, -90))
    assert np.nanmean(left) - np.nanmean(right) > 10
