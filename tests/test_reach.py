"""Which values a cause can affect: compared with the values that a change really affects."""

import numpy as np
import pytest

import valid_datasets
from anechain import methods as registry
from anechain.acoustics.directivity.curve_averages import DerivedCurve
from anechain.acoustics.directivity.curves import CurveSet
from anechain.acoustics.directivity.orbit_interpolation import OrbitInterpolation
from anechain.acoustics.directivity.weights import OrbitWeights
from anechain.audit.causes import NOT_STATED, Cause
from anechain.audit.reach import Scope, reached_by_directions, reaches
from anechain.stages import derive

CHOICES = {
    "smoothing": 0.1,
    "early_reflections_total": "reflection_groups",
    "rear_wall": "three",
    "interpolate_angles": True,
}
ANGLES = np.union1d(np.setdiff1d(np.arange(-170.0, 181.0, 10.0), [20.0, -140.0]), [17.0, 24.0, -143.0, -136.0])
"""Two directions have to be interpolated, so that every method has something to do."""


def other(result):
    """What another version of a method could return: everything a little different."""
    if isinstance(result, DerivedCurve):
        return result._replace(power=None if result.power is None else result.power * 1.1)
    if isinstance(result, OrbitWeights):
        return result._replace(weight=result.weight**1.1)
    if isinstance(result, OrbitInterpolation):
        return result._replace(level=np.where(result.interpolated[:, np.newaxis], result.level + 1.0, result.level))
    if isinstance(result, CurveSet):
        for values in (*result.levels.values(), *result.indices.values()):
            values += 0.5
        return result
    return result + 0.5


def lines(parameters):
    """Values of every curve and index of one device."""
    known = {"methods": registry.versions(derive.USES), **CHOICES, **parameters}
    curves = derive.curve_dataset(valid_datasets.responses(ANGLES), valid_datasets.sphere(), known)
    rows = {}
    for variable, dim in (("level", "curve"), ("directivity_index", "index")):
        rows |= {str(name): np.asarray(curves[variable].sel({dim: name})) for name in curves[dim].values}
    return rows


def kind_of(name):
    return "index" if "_index" in name or name == "two_orbit_error" else "curve"


def changed(before, after):
    assert set(before) == set(after) and len(before) == 23
    return {name for name in before if not np.allclose(before[name], after[name], rtol=0, atol=1e-9)}


def reached(cause, names):
    return {name for name in names if reaches(cause, kind_of(name), name, Scope())}


@pytest.fixture(autouse=True)
def _registry_as_before(monkeypatch):
    monkeypatch.setattr(registry, "_registry", registry.methods())


@pytest.mark.parametrize("id_", derive.USES)
def test_a_raised_method_reaches_what_another_version_of_it_changes(id_):
    before = lines({})
    latest = max(registry.methods()[id_])
    first = registry.methods()[id_][latest].function

    @registry.method(id_, version=latest + 1, title="Another version", source="none")
    def second(*arguments, **options):
        return other(first(*arguments, **options))

    if "uncertainty" in id_:
        # It is not called where no uncertainty is stated, and where one is, it gives no level.
        assert not reached(Cause("method", id_, latest, latest + 1, "derive"), before)
        return
    found = changed(before, lines({}))
    said = reached(Cause("method", id_, latest, latest + 1, "derive"), before)
    assert found <= said
    # The indices are differences of curves, so that a shift of all directions alike is not seen in them.
    assert said == found or id_ in ("curve-set", "fractional-octave-smoothing", "orbit-interpolation")
    assert bool(found) == (id_ != "resolution-limit")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("rear_wall", "all"),
        ("early_reflections_total", "curves"),
        ("smoothing", None),
    ],
)
def test_a_parameter_reaches_what_another_value_of_it_changes(name, value):
    before = lines({})
    found = changed(before, lines({name: value}))
    said = reached(Cause("parameter", name, CHOICES[name], value, "derive"), before)
    assert found and found <= said
    if name == "rear_wall":
        assert said == found


def test_a_direction_reaches_the_curves_it_goes_into():
    responses = valid_datasets.responses()
    options = {name: CHOICES[name] for name in ("early_reflections_total", "rear_wall")}
    known = {"methods": registry.versions(derive.USES), **CHOICES, "smoothing": None, "interpolate_angles": False}
    before = derive.curve_dataset(responses, None, known)
    for plane, angle in (("horizontal", 20.0), ("vertical", -60.0), ("vertical", 50.0), ("horizontal", 180.0)):
        louder = responses.copy(deep=True)
        louder["level"].loc[{"plane": plane, "angle": angle}] += 1.0
        after = derive.curve_dataset(louder, None, known)
        found = {
            str(name)
            for variable, dim in (("level", "curve"), ("directivity_index", "index"))
            for name in before[dim].values
            if not np.allclose(before[variable].sel({dim: name}), after[variable].sel({dim: name}), rtol=0, atol=1e-9)
        }
        name = f"{plane} {angle:g}°"
        assert found == reached_by_directions([responses, louder], [options, options], [name]) and found
    assert reached_by_directions([responses] * 2, [options] * 2, ["vertical 180°"]) == set()


def test_an_unknown_method_and_an_unknown_parameter_may_reach_everything():
    for kind in ("method", "parameter"):
        cause = Cause(kind, "never-heard-of", NOT_STATED, 1, "derive")
        assert reaches(cause, "curve", "on_axis", Scope()) and reaches(cause, "index", "sound_power_index", Scope())


def test_what_is_not_used_reaches_nothing():
    plain = Scope(smoothed=False, interpolated=False)
    for name in ("fractional-octave-smoothing", "orbit-interpolation"):
        assert not reaches(Cause("method", name, 1, 2, "derive"), "curve", "on_axis", plain)
        assert reaches(Cause("method", name, 1, 2, "derive"), "curve", "on_axis", Scope())
