"""The contract: what is right passes untouched; whatever is wrong is said in words, all of it at once."""

import os
import subprocess
import sys
import textwrap
from importlib.util import find_spec

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import anechain_schemas
from anechain.data import contract
from anechain.data.contract import describe, load, validate
from anechain.data.contract_spec import Contract
from anechain.data.rules import RULES
from anechain.errors import InputError, Problem
from valid_datasets import VALID, responses, with_one, with_values

WHERE = "raw/alder/orbits.ring"


def refused(dataset, name="responses"):
    with pytest.raises(InputError) as caught:
        validate(dataset, name, WHERE)
    problems = caught.value.problems
    assert all(problem.where == WHERE and problem.what and problem.expected and problem.fix for problem in problems)
    return problems


def the_problem(dataset, name="responses"):
    (problem,) = refused(dataset, name)
    return problem


def fields(name, *parts):
    """Specifications of the fields of a contract, by name."""
    return {field: spec for part in parts for field, spec in getattr(load(name), part).items()}


def arrays(name):
    return fields(name, "coordinates", "variables")


def attributes(name):
    """All but the one that says which contract it is: without that nothing else is looked at."""
    return {field: spec for field, spec in fields(name, "attributes").items() if field != "contract"}


def all_with(dataset, values):
    """The dataset with the first value of several arrays changed, all at once."""
    for field, value in values.items():
        dataset = with_one(dataset, field, value)
    return dataset


def in_turns(values):
    """Of the values to try for each field the first of all, then the second of all, until each was tried."""
    for turn in range(max((len(some) for some in values.values()), default=0)):
        yield {field: some[turn] for field, some in values.items() if turn < len(some)}


# What is right


@pytest.mark.parametrize("name", VALID)
def test_a_right_dataset_passes(name):
    validate(VALID[name](), name, WHERE)


@pytest.mark.parametrize("name", VALID)
def test_optional_arrays_and_attributes_may_be_absent(name):
    dataset = VALID[name]().drop_vars([field for field, spec in arrays(name).items() if not spec.required])
    absolute = dataset.attrs.get("level_kind") == "spl"
    for field, spec in attributes(name).items():
        # A sound pressure level has to say where it holds, and at what drive.
        if not spec.required and not (absolute and field in ("distance", "drive")):
            dataset.attrs.pop(field, None)
    validate(dataset, name, WHERE)


def test_one_plane_alone_and_odd_angles_pass():
    validate(responses(angles=[-30, 0, 7.5, 180], planes=["vertical"]), "responses", WHERE)


def test_numbers_that_netcdf_gives_back_as_numpys_pass():
    dataset = responses()
    dataset.attrs |= {"distance": np.float32(1), "drive": np.float64(2.83), "valid_low": 80}
    validate(dataset, "responses", WHERE)


@pytest.mark.parametrize("name", VALID)
@pytest.mark.parametrize("right", [True, False])
def test_validation_changes_nothing(name, right):
    dataset = VALID[name]()
    if not right:
        dataset.attrs["hue"] = "green"
        dataset = with_one(dataset, "frequency", -1.0)
    for field in dataset.variables:
        dataset[field].values.flags.writeable = False
    before = dataset.copy(deep=True)
    data = {field: dataset[field].values.tobytes() for field in dataset.variables}
    identities = {field: id(dataset[field].variable._data) for field in dataset.data_vars}
    if right:
        validate(dataset, name, WHERE)
    else:
        refused(dataset, name)
    assert dataset.identical(before)
    assert {field: dataset[field].values.tobytes() for field in dataset.variables} == data
    assert {field: id(dataset[field].variable._data) for field in dataset.data_vars} == identities
    assert {field: dataset[field].dtype for field in before.variables} == {f: before[f].dtype for f in before.variables}


def test_describing_leaves_the_dataset_given_as_it_was():
    bare = responses()
    bare["level"].attrs = {"note": "by hand"}
    del bare.attrs["contract"]
    before = bare.copy(deep=True)
    described = describe(bare, "responses")
    assert bare.identical(before)
    assert described.attrs["contract"] == "responses/1"
    assert described["level"].attrs == {"long_name": load("responses").variables["level"].about, "units": "dB"}


# Every field of every contract: all of a contract are made wrong at once, since all that is wrong is said at once


def test_there_is_a_right_dataset_of_every_contract():
    assert set(VALID) == {file.rsplit("-", 1)[0] for file in anechain_schemas.available()}


@pytest.mark.parametrize("name", VALID)
def test_every_required_attribute(name):
    dataset = VALID[name]()
    dataset.attrs = {"contract": dataset.attrs["contract"]}
    found = {problem.what: problem for problem in refused(dataset, name)}
    required = {field: spec for field, spec in attributes(name).items() if spec.required}
    assert set(found) == {f"attribute {field} is absent" for field in required}
    for field, spec in required.items():
        problem = found[f"attribute {field} is absent"]
        assert problem.expected == spec.expected() and spec.about in problem.fix


WRONG_KIND = {"text": [3, 1.5], "number": ["1", True, np.nan, np.inf, "loud"], "integer": ["1", 0.5, True, np.nan]}


def check_attributes(name, wrong):
    specs = attributes(name)
    for values in in_turns(wrong):
        dataset = VALID[name]()
        dataset.attrs |= values
        found = {problem.what: problem for problem in refused(dataset, name)}
        for field, value in values.items():
            assert found[f"attribute {field} is {value!r}"].expected == specs[field].expected()


@pytest.mark.parametrize("name", VALID)
def test_every_attribute_of_another_kind(name):
    check_attributes(name, {field: WRONG_KIND[spec.kind] for field, spec in attributes(name).items()})


def beyond(spec):
    """Values just outside each bound, and the bounds themselves where they are not allowed."""
    if spec.above is not None:
        yield from (spec.above, spec.above - 1e-9)
    if spec.at_least is not None:
        yield np.nextafter(spec.at_least, -np.inf) if spec.kind == "number" else spec.at_least - 1
    if spec.at_most is not None:
        yield np.nextafter(spec.at_most, np.inf) if spec.kind == "number" else spec.at_most + 1


def edges(spec):
    yield from (bound for bound in (spec.at_least, spec.at_most) if bound is not None)
    if spec.above is not None:
        yield np.nextafter(spec.above, np.inf)


def of_kind(spec, values):
    return [int(value) if spec.kind == "integer" else value for value in values]


@pytest.mark.parametrize("name", VALID)
def test_every_attributes_bounds(name):
    specs = attributes(name)
    check_attributes(
        name,
        {field: ["SPL", "diagonal"] if spec.choices else of_kind(spec, beyond(spec)) for field, spec in specs.items()},
    )
    allowed = {f: of_kind(spec, edges(spec)) for f, spec in specs.items() if not f.startswith("valid_")}
    for values in in_turns(allowed):
        dataset = VALID[name]()
        dataset.attrs |= values
        validate(dataset, name, WHERE)


@pytest.mark.parametrize("name", VALID)
@pytest.mark.parametrize("parts", [("coordinates",), ("variables",), ("coordinates", "variables")])
def test_every_required_array(name, parts):
    specs = {field: spec for field, spec in fields(name, *parts).items() if spec.required}
    assert set(refused(VALID[name]().drop_vars(specs), name)) >= {
        Problem(WHERE, f"{field} is absent", spec.about, f"return {field} in the importer")
        for field, spec in specs.items()
    }


@pytest.mark.parametrize("name", VALID)
def test_every_arrays_bounds(name):
    specs, valid, wrong = arrays(name), VALID[name](), {}
    for field, spec in specs.items():
        if spec.kind == "text":
            wrong[field] = [3, *(["diagonal", "Horizontal", ""] if spec.choices else [])]
            valid = with_values(valid, field, valid[field].values.astype(object))
        else:
            wrong[field] = [*beyond(spec), *([np.inf, -np.inf] if spec.kind == "number" else [])]
    for values in in_turns(wrong):
        found = refused(all_with(valid, values), name)
        for field, value in values.items():
            problem = next(p for p in found if p.what.startswith(f"{field} is "))
            assert (f"{value:g}" if isinstance(value, float) else str(value)) in problem.what
            assert problem.expected == specs[field].expected()


@pytest.mark.parametrize("name", VALID)
@pytest.mark.parametrize("type_", ["float32", "int64", str, object, complex, bool])
def test_every_number_is_of_one_type(name, type_):
    dataset = VALID[name]()
    numbers = [field for field, spec in arrays(name).items() if spec.kind == "number"]
    for field in numbers:
        dataset = with_values(dataset, field, dataset[field].values.astype(type_))
    found = {problem.what: problem for problem in refused(dataset, name)}
    for field in numbers:
        assert found[f"{field} is of type {dataset[field].dtype}"].expected.startswith("float64, a number")


@pytest.mark.parametrize("value", [0.5, 2, -1, np.inf])
def test_measured_is_nought_or_one(value):
    valid = responses()
    measured = valid["measured"].values.astype(type(value))
    measured[0, 3] = value
    problem = the_problem(with_values(valid, "measured", measured))
    assert problem.what == f"measured is {value} at horizontal -140°"
    assert problem.expected == "a whole number at least 0 and at most 1"


def test_measured_as_text_is_refused():
    valid = responses()
    problem = the_problem(with_values(valid, "measured", valid["measured"].values.astype(str)))
    assert problem.what == "measured is 1 at horizontal -170°, and 71 more values"


@pytest.mark.parametrize("name", VALID)
def test_missing_values_only_where_they_may_be(name):
    valid, specs = VALID[name](), arrays(name)

    def without(fields):
        dataset = valid
        for field in fields:
            values = valid[field].values.astype(object if specs[field].kind == "text" else float)
            values.flat[0] = None if specs[field].kind == "text" else np.nan
            dataset = with_values(dataset, field, values)
        return dataset

    optional = [field for field, spec in specs.items() if getattr(spec, "missing", False)]
    dataset = without(optional)
    dataset.attrs |= {"import_report": "1 level missing"} if "import_report" in dataset.attrs else {}
    validate(dataset, name, WHERE)
    needed = [field for field in specs if field not in optional]
    whats = [problem.what for problem in refused(without(needed), name)]
    for field in needed:
        assert any(what.startswith(f"{field} has 1 missing value") for what in whats)


@pytest.mark.parametrize("name", VALID)
@pytest.mark.parametrize("unit", [None, "kHz"])
def test_every_unit(name, unit):
    dataset = VALID[name]()
    units = {field: spec.unit for field, spec in arrays(name).items() if spec.unit}
    for field in units:
        del dataset[field].attrs["units"]
        dataset[field].attrs |= {} if unit is None else {"units": unit}
    found = {problem.what: (problem.expected, problem.fix) for problem in refused(dataset, name)}
    assert found == {
        f"{field} is in {unit or 'no unit'}": (right, f"convert {field} in the importer")
        for field, right in units.items()
    }


def on_several(name):
    """Variables of a contract with more than one dimension."""
    return {field: spec.dims for field, spec in load(name).variables.items() if len(spec.dims) > 1}


@pytest.mark.parametrize("name", filter(on_several, VALID))
def test_every_variables_dimensions(name):
    valid, several = VALID[name](), on_several(name)
    turned = valid.assign({field: valid[field].transpose() for field in several})
    fewer = valid.assign({field: valid[field].isel({dims[0]: 0}, drop=True) for field, dims in several.items()})
    for dataset in (turned, fewer):
        found = {problem.what: problem.expected for problem in refused(dataset, name)}
        for field, dims in several.items():
            assert found[f"{field} has {', '.join(dataset[field].dims)}"] == ", ".join(dims)


def test_a_coordinate_on_another_dimension():
    valid = VALID["sphere"]()
    turned = valid.drop_vars("azimuth").assign_coords(azimuth=("frequency", [0.0, 1.0, 2.0], {"units": "degree"}))
    problem = the_problem(turned, "sphere")
    assert problem.what == "azimuth has frequency" and problem.expected == "direction"


@pytest.mark.parametrize("name", VALID)
def test_unknown_fields_with_the_nearest_right_one(name):
    valid = VALID[name]()
    attribute, variable = next(iter(attributes(name))), next(iter(load(name).variables))
    valid.attrs[f"{attribute}s"] = "spl"
    valid = valid.assign({f"{variable}s": valid[variable]})
    valid = valid.assign_coords(frequencies=("frequency", valid["frequency"].values))
    found = {problem.what: problem.fix for problem in refused(valid, name)}
    assert found == {
        f"attribute {attribute}s is unknown": f"did you mean {attribute}?",
        f"variable {variable}s is unknown": f"did you mean {variable}?",
        "coordinate frequencies is unknown": "did you mean frequency?",
    }


def test_an_unknown_field_that_is_near_to_nothing():
    dataset = responses()
    dataset.attrs["hue"] = "green"
    problem = the_problem(dataset)
    assert problem.fix == "remove it in the importer" and "importer_version" in problem.expected


def test_a_value_out_of_range_is_located_and_counted():
    valid = responses()
    level = valid["level"].values.copy()
    level[1, 20, 1:] = 5000
    level[1, 30, 0] = -999
    problem = the_problem(with_values(valid, "level", level))
    assert problem == Problem(
        WHERE,
        "level is 5000 at vertical 30° 1000 Hz, and 2 more values",
        "a number at least -200 and at most 200 dB",
        "check the raw file there: the usual cause is a wrong column, unit or scale",
    )


def test_everything_wrong_is_said_at_once():
    dataset = with_one(responses(), "level", 5000.0).drop_vars("measured")
    dataset = with_one(dataset, "frequency", np.nan, at=1)
    dataset = with_values(dataset, "phase", dataset["phase"].values.astype("float32"))
    dataset["level_std"].attrs["units"] = "%"
    dataset.attrs |= {"level_kind": "loud", "hue": "green"}
    del dataset.attrs["title"]
    whats = [problem.what for problem in refused(dataset)]
    assert sorted(whats) == [
        "attribute hue is unknown",
        "attribute level_kind is 'loud'",
        "attribute title is absent",
        "frequency has 1 missing value",
        "level is 5000 at horizontal -170° 100 Hz",
        "level_std is in %",
        "measured is absent",
        "phase is of type float32",
    ]


def test_a_refusal_reads_as_text():
    dataset = responses()
    dataset.attrs["level_kind"] = "SPL"
    with pytest.raises(InputError) as caught:
        validate(dataset, "responses", WHERE)
    assert str(caught.value) == textwrap.dedent(
        f"""\
        {WHERE}: attribute level_kind is 'SPL'
            expected: spl or relative
            fix: state it in the campaign's setup or return it in the importer (spl: dB re 20 µPa; relative: dB re \
an unknown reference)"""
    )


def test_a_refusal_needs_a_reason():
    with pytest.raises(ValueError, match="at least one problem"):
        InputError([])


@pytest.mark.parametrize("name", VALID)
def test_an_empty_dataset(name):
    whats = [problem.what for problem in refused(xr.Dataset(), name)]
    every = fields(name, "coordinates", "variables", "attributes")
    required = [field for field, spec in every.items() if spec.required]
    assert len(whats) == len(required) and all(any(field in what for what in whats) for field in required)


@pytest.mark.parametrize("dimension", ["plane", "angle", "frequency"])
def test_a_dataset_without_values(dimension):
    assert any(
        " has no value" in p.what or "no direction" in p.what for p in refused(responses().isel({dimension: []}))
    )


# Versions


@pytest.mark.parametrize("stated", ["responses/99", "responses/0", "responses/x", "responses/", "responses/1.5"])
def test_an_unknown_version_is_refused(stated):
    dataset = responses()
    dataset.attrs["contract"] = stated
    problem = the_problem(dataset)
    assert problem.what == f"attribute contract is {stated!r}" and problem.expected == "responses/1"
    assert "the version of the software that wrote it" in problem.fix


@pytest.mark.parametrize("stated", [3, 1.5])
def test_a_contract_that_is_no_text_is_refused(stated):
    dataset = responses()
    dataset.attrs["contract"] = stated
    problem = the_problem(dataset)
    assert problem.what == f"attribute contract is {stated!r}" and problem.expected == "text"


@pytest.mark.parametrize("stated", ["curves/1", "", "responses", "1"])
def test_another_contract_is_refused(stated):
    dataset = responses()
    dataset.attrs["contract"] = stated
    assert the_problem(dataset).fix == "use a dataset of responses"


def test_an_older_version_is_judged_by_its_own_file(monkeypatch):
    """With a second version known, the data of the first are still held to the first."""
    first = anechain_schemas.text("responses-1.yaml")
    second = first.replace("version: 1", "version: 2").replace(
        "  datasets:\n", "  hall: {kind: text, about: x}\n  datasets:\n"
    )
    assert second != first
    texts = {"responses-1.yaml": first, "responses-2.yaml": second}
    monkeypatch.setattr(anechain_schemas, "available", lambda: ["responses-1", "responses-2"])
    monkeypatch.setattr(anechain_schemas, "text", texts.__getitem__)
    for cached in (contract.load, contract._compiled):
        cached.cache_clear()
    try:
        assert load("responses").name == "responses/2" and load("responses", 1).name == "responses/1"
        dataset = responses()
        assert the_problem(dataset).what == "attribute hall is absent"
        dataset.attrs["contract"] = "responses/1"
        validate(dataset, "responses", WHERE)
        dataset.attrs["contract"] = "responses/3"
        assert the_problem(dataset).expected == "responses/1 or responses/2"
    finally:
        for cached in (contract.load, contract._compiled):
            cached.cache_clear()


def test_loading_what_is_not_there():
    with pytest.raises(KeyError, match="no contract 'responses' version 9"):
        load("responses", 9)
    with pytest.raises(KeyError, match="no contract 'reflections'"):
        load("reflections")


# The contract files


@pytest.mark.parametrize("file", anechain_schemas.available())
def test_contract_files_are_whole(file):
    name, version = file.rsplit("-", 1)
    spec = load(name, int(version))
    assert spec.name == f"{name}/{version}"
    assert set(spec.rules) <= set(RULES)
    assert "contract" in spec.attributes
    dimensions = set(spec.coordinates) | {dim for one in spec.coordinates.values() for dim in one.dims or ()}
    assert {dim for one in spec.variables.values() for dim in one.dims} <= dimensions


def test_every_rule_is_used_by_a_contract():
    used = {rule for file in anechain_schemas.available() for rule in load(*file.rsplit("-", 1)[:1]).rules}
    assert used == set(RULES)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("  - frequency rises strictly", "  - frequency falls"), "frequency falls"),
        (("about: Frequency", "abuot: Frequency"), "abuot"),
        (("kind: number", "kind: numeral"), "numeral"),
    ],
)
def test_a_contract_file_that_is_wrong_is_refused(monkeypatch, change, said):
    text = anechain_schemas.text("responses-1.yaml").replace(*change, 1)
    monkeypatch.setattr(anechain_schemas, "text", lambda name: text)
    with pytest.raises((KeyError, ValueError), match=said):
        contract.load.__wrapped__("responses")


def test_allowed_in_words():
    spec = Contract.model_validate(
        {
            "contract": "trial",
            "version": 1,
            "about": "",
            "coordinates": {},
            "variables": {},
            "attributes": {
                "a": {"kind": "text", "about": ""},
                "b": {"kind": "number", "about": "", "above": 0, "at_most": 100, "unit": "m"},
                "c": {"kind": "integer", "about": "", "at_least": 0},
                "d": {"kind": "text", "about": "", "choices": ["spl", "relative"]},
                "e": {"kind": "number", "about": "", "at_least": 0, "unit": "1"},
            },
        }
    )
    assert [one.expected() for one in spec.attributes.values()] == [
        "text",
        "a number above 0 and at most 100 m",
        "a whole number at least 0",
        "spl or relative",
        "a number at least 0",
    ]


# What could switch validation off


def test_the_environment_cannot_switch_validation_off():
    code = """
        import pandera.config
        assert not pandera.config.CONFIG.validation_enabled, "the switch no longer exists: the test proves nothing"
        from anechain.data.contract import validate
        from anechain.errors import InputError
        from valid_datasets import responses, with_one
        validate(responses(), "responses", "here")
        try:
            validate(with_one(responses(), "level", 5000.0), "responses", "here")
        except InputError as refusal:
            print(refusal)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)],
        env=os.environ
        | {
            "PANDERA_VALIDATION_ENABLED": "False",
            "PANDERA_VALIDATION_DEPTH": "SCHEMA_ONLY",
            "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
        },
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "level is 5000" in done.stdout


@pytest.mark.skipif(find_spec("dask") is None, reason="dask is not installed, so no data are in chunks")
def test_chunked_data_are_looked_at_too():
    assert "level is 5000" in str(refused(with_one(responses(), "level", 5000.0).chunk({"angle": 7}))[0])


# Any right dataset passes; one change for the worse is found


@st.composite
def right(draw):
    """Orbits of a source at the centre of both, some directions not measured."""
    angles = draw(st.lists(st.integers(-1799, 1800), min_size=1, max_size=12, unique=True).map(sorted))
    planes = draw(st.sampled_from([["horizontal"], ["vertical"], ["horizontal", "vertical"]]))
    dataset = responses(np.array(angles) / 10, planes)
    measured = dataset["measured"].values.copy()
    unmeasured = draw(st.lists(st.integers(0, measured.size - 1), max_size=measured.size - 1, unique=True))
    measured.flat[unmeasured] = 0
    dataset = with_values(dataset, "measured", measured)
    for name in ("level", "phase", "level_std"):
        dataset = with_values(dataset, name, np.where(measured[..., None] == 1, dataset[name].values, np.nan))
    return dataset


@given(right())
@settings(max_examples=25, deadline=None)
def test_any_right_dataset_passes(dataset):
    validate(dataset, "responses", WHERE)


MUTATIONS = {
    "frequency twice": lambda d: with_one(d, "frequency", 100.0, at=1),
    "frequency below zero": lambda d: with_one(d, "frequency", -1.0),
    "angle below": lambda d: with_one(d, "angle", -180.0),
    "angle missing": lambda d: with_one(d, "angle", np.nan),
    "plane": lambda d: with_values(d, "plane", ["round"] * d.sizes["plane"]),
    "level too high": lambda d: with_one(d, "level", 200.1),
    "level infinite": lambda d: with_one(d, "level", -np.inf),
    "silent gap": lambda d: with_one(d, "level", np.nan, at=3 * int(np.argmax(d["measured"].values))),
    "deviation": lambda d: with_one(d, "level_std", -0.1),
    "phase": lambda d: with_one(d, "phase", 180.1),
    "measured": lambda d: with_one(d, "measured", 2),
    "nothing measured": lambda d: with_values(d, "measured", d["measured"].values * 0),
    "level unit": lambda d: d.assign(level=d["level"].assign_attrs(units="Pa")),
    "no level": lambda d: d.drop_vars("level"),
    "no distance": lambda d: d.drop_attrs(deep=False).assign_attrs(
        {k: v for k, v in d.attrs.items() if k != "distance"}
    ),
    "band": lambda d: d.assign_attrs(valid_low=16_000.0),
    "distance": lambda d: d.assign_attrs(distance=0.0),
    "kind": lambda d: d.assign_attrs(level_kind="loud"),
    "turned": lambda d: d.assign(level=d["level"].transpose()),
}


@given(right(), st.sampled_from(sorted(MUTATIONS)))
@settings(max_examples=60, deadline=None)
def test_any_right_dataset_with_one_thing_wrong_fails(dataset, mutation):
    refused(MUTATIONS[mutation](dataset))
