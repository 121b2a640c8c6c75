"""What differs between two receipts, and which values it can reach: the reach is found by experiment."""

import numpy as np
import pytest

import valid_datasets
from anechain import methods as registry
from anechain.acoustics.directivity.curve_averages import DerivedCurve
from anechain.acoustics.directivity.curves import CurveSet
from anechain.acoustics.directivity.orbits import OrbitInterpolation
from anechain.acoustics.directivity.weights import OrbitWeights
from anechain.audit.causes import NOT_STATED, Cause, Scope, differing_steps, reached_by_directions, reaches
from anechain.receipts.receipt import Input, bound, make_receipt
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
    curves = derive.derived(valid_datasets.responses(ANGLES), valid_datasets.sphere(), known)
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
    first = registry.methods()[id_][1].function

    @registry.method(id_, version=2, title="Another version", source="none")
    def second(*arguments, **options):
        return other(first(*arguments, **options))

    if "uncertainty" in id_:
        # It is not called where no uncertainty is stated, and where one is, it gives no level.
        assert not reached(Cause("method", id_, 1, 2, "derive"), before)
        return
    found = changed(before, lines({}))
    said = reached(Cause("method", id_, 1, 2, "derive"), before)
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
    before = derive.derived(responses, None, known)
    for plane, angle in (("horizontal", 20.0), ("vertical", -60.0), ("vertical", 50.0), ("horizontal", 180.0)):
        louder = responses.copy(deep=True)
        louder["level"].loc[{"plane": plane, "angle": angle}] += 1.0
        after = derive.derived(louder, None, known)
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


# Receipts.


def chain(derive_version=1, derive_parameters=None, ingest_parameters=None, raw=None, stage=1, extra=()):
    """A derivation of one import of raw files."""
    files = {"raw/a.txt": "1" * 64, "raw/b.txt": "2" * 64} if raw is None else raw
    parameters = {"device": "rowan", "importer": "delimited", "importer_version": "1", "contract": "responses/1"}
    ingest = make_receipt(
        "ingest",
        stage,
        parameters | (ingest_parameters or {}),
        [Input(f"raw:{path}", sha256) for path, sha256 in files.items()],
    )
    inputs = [Input(role, "3" * 64, bound(ingest, "4" * 64)) for role in ("responses.nc", *extra)]
    chosen = {"rear_wall": "three", "methods": {"on-axis": 1}} | (derive_parameters or {})
    return make_receipt("derive", derive_version, chosen, inputs)


def told(old, new):
    causes, _ = differing_steps(old, new, "rowan")
    assert all(device == "rowan" for _, device in causes)
    return [(one.kind, one.name, one.old, one.new, one.step) for one, _ in causes]


def test_nothing_differs_between_a_receipt_and_itself():
    assert differing_steps(chain(), chain(), "rowan") == ([], [])


@pytest.mark.parametrize(
    ("options", "cause"),
    [
        ({"derive_version": 2}, ("stage", "derive", 1, 2, "derive")),
        ({"stage": 2}, ("stage", "ingest", 1, 2, "ingest")),
        ({"derive_parameters": {"rear_wall": "all"}}, ("parameter", "rear_wall", "three", "all", "derive")),
        ({"derive_parameters": {"methods": {"on-axis": 2}}}, ("method", "on-axis", 1, 2, "derive")),
        (
            {"derive_parameters": {"methods": {"on-axis": 1, "trial": 1}}},
            ("method", "trial", NOT_STATED, 1, "derive"),
        ),
        ({"ingest_parameters": {"importer_version": "2"}}, ("importer", "delimited", "1", "2", "ingest")),
        (
            {"ingest_parameters": {"contract": "responses/2"}},
            ("contract", "ingest", "responses/1", "responses/2", "ingest"),
        ),
        (
            {"ingest_parameters": {"responses": {"options": {"columns": {"level": 2}}}}},
            ("parameter", "responses", NOT_STATED, {"options": {"columns": {"level": 2}}}, "ingest"),
        ),
        (
            {"raw": {"raw/a.txt": "1" * 64, "raw/b.txt": "5" * 64}},
            ("raw files", "raw", {"raw/b.txt": "2" * 64}, {"raw/b.txt": "5" * 64}, "ingest"),
        ),
        ({"raw": {"raw/a.txt": "1" * 64}}, ("raw files", "raw", {"raw/b.txt": "2" * 64}, {}, "ingest")),
        ({"extra": ("sphere.nc",)}, ("input", "derive", [], ["sphere.nc"], "derive")),
    ],
)
def test_one_difference_is_one_cause(options, cause):
    assert told(chain(), chain(**options)) == [cause]


def test_nested_options_are_told_by_their_path():
    def with_level(column, skip):
        return {"responses": {"options": {"columns": {"level": column}, "skip": skip}}}

    found = told(chain(ingest_parameters=with_level(2, 1)), chain(ingest_parameters=with_level(3, 1)))
    assert found == [("parameter", "responses.options.columns.level", 2, 3, "ingest")]


def test_a_private_importer_is_no_raw_file():
    files = {"raw/a.txt": "1" * 64, "rings.py": "6" * 64}
    old = chain(raw=files, ingest_parameters={"private_importers": ["rings.py"]})
    new = chain(raw=files | {"rings.py": "7" * 64}, ingest_parameters={"private_importers": ["rings.py"]})
    assert told(old, new) == [("importer code", ".", {"rings.py": "6" * 64}, {"rings.py": "7" * 64}, "ingest")]


def test_what_is_shared_is_told_once_for_each_device():
    def compared(rear_wall):
        curves = bound(chain(derive_parameters={"rear_wall": rear_wall}), "8" * 64)
        return make_receipt(
            "compare", 1, {}, [Input(f"{device}/curves.nc", "9" * 64, curves) for device in ("rowan", "alder")]
        )

    causes, _ = differing_steps(compared("three"), compared("all"), "")
    assert sorted((cause.name, device) for cause, device in causes) == [("rear_wall", "alder"), ("rear_wall", "rowan")]


def test_software_is_told_apart_even_where_the_stamps_agree(monkeypatch):
    from anechain.receipts.receipt import receipt as receipts

    old = chain()
    monkeypatch.setattr(receipts, "_software", lambda: (("numpy", "0.1"),))
    causes, software = differing_steps(old, chain(), "rowan")
    assert causes == [] and ("numpy", "0.1") in {(one.name, one.new) for one in software}
