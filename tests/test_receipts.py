import hashlib
import json
import subprocess

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.receipts.receipt import (
    Input,
    check_form,
    check_structure,
    make_receipt,
    raw_inputs,
    seal_of,
    seal_receipt,
    stamp_of,
)

RAW = Input("raw:rowan 0.csv", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")

# The stamp of this step by other means than ours: the text typed by hand after RFC 8785 (members in order of their
# names, no white space, 20.0 written 20), and its SHA-256 from `printf '%s' '...' | sha256sum` (GNU coreutils).
TYPED = (
    '{"inputs":[{"role":"raw:rowan 0.csv",'
    '"sha256":"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"}],'
    '"method":"ingest","parameters":{"band":[20,20000],"importer":"delimited","smoothing":null,"valid":true},"version":1}'
)
TYPED_SHA256 = "40ba092bb4790e047f1ac238c4e34c8a47b08272a3226bea99345bb10368314c"
PARAMETERS = {"valid": True, "smoothing": None, "importer": "delimited", "band": [20.0, 20000]}


def sealed(receipt, **changes):
    """What someone gets who changes a receipt and makes its seal anew."""
    changed = {**receipt, **changes}
    return {**changed, "seal": seal_of(changed)}


def example():
    return json.loads(json.dumps(seal_receipt(artefacts.receipt(), "4" * 64)))


def step_of(receipt, method):
    return next(step for step in receipt["steps"].values() if step["method"] == method)


def test_a_stamp_by_hand():
    receipt = make_receipt("ingest", 1, PARAMETERS, [RAW])
    assert receipt["stamp"] == TYPED_SHA256
    assert list(receipt["steps"]) == [TYPED_SHA256]


def test_the_hand_made_stamp_with_sha256sum():
    try:
        done = subprocess.run(["sha256sum"], input=TYPED.encode(), capture_output=True, check=True)
    except FileNotFoundError:
        pytest.skip("no sha256sum on this machine")
    assert done.stdout.split()[0].decode() == TYPED_SHA256


def test_the_seal_by_hand():
    receipt = example()
    text = json.dumps(
        {key: value for key, value in receipt.items() if key != "seal"}, sort_keys=True, ensure_ascii=False
    )
    compact = json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert receipt["seal"] == hashlib.sha256(compact.encode()).hexdigest()


@given(st.permutations(range(5)))
def test_order_of_inputs_does_not_count(order):
    inputs = [Input(f"raw:{number}", f"{number}" * 64) for number in range(5)]
    assert make_receipt("m", 1, {}, [inputs[at] for at in order]) == make_receipt("m", 1, {}, inputs)


@pytest.mark.parametrize(
    "change",
    [
        {"method": "derive"},
        {"version": 2},
        {"parameters": {**PARAMETERS, "valid": False}},
        {"inputs": [Input(RAW.role, "0" * 64)]},
        {"inputs": [Input("raw:rowan 10.csv", RAW.sha256)]},
        {"inputs": []},
    ],
)
def test_whatever_is_stamped_changes_the_stamp(change):
    plain = {"method": "ingest", "version": 1, "parameters": PARAMETERS, "inputs": [RAW]}
    assert make_receipt(**{**plain, **change})["stamp"] != TYPED_SHA256


@pytest.mark.parametrize(
    "parameters",
    [
        {"a": (1, 2.5, ("x", None))},
        {"a": np.array([1, 2.5]), "b": np.float64(0.1), "c": np.int64(-3), "d": np.bool_(True), "e": np.str_("t")},
        {"a": np.float32(0.5), "b": [np.int32(4)], "c": {"d": np.float64(-0.0)}},
        {"a": 1e16, "b": 1e20, "c": 2.0**53, "d": 1e21, "e": 5e-324, "f": 20.0},
    ],
)
def test_kept_and_hashed_form_agree(parameters):
    receipt = make_receipt("m", 1, parameters, [])
    step = receipt["steps"][receipt["stamp"]]
    again = json.loads(json.dumps(seal_receipt(receipt, "0" * 64)))
    assert stamp_of(step) == receipt["stamp"]
    assert check_structure(seal_receipt(receipt, "0" * 64)) == []
    assert make_receipt("m", 1, step["parameters"], [])["stamp"] == receipt["stamp"]
    assert json.dumps(again["steps"], sort_keys=True) == json.dumps(receipt["steps"], sort_keys=True)


def test_numpy_and_plain_numbers_have_one_stamp():
    assert (
        make_receipt("m", 1, {"a": np.float64(20), "b": (np.int64(1),)}, [])["stamp"]
        == make_receipt("m", 1, {"a": 20, "b": [1]}, [])["stamp"]
    )


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), np.float64("nan"), 2**53, 10**400, b"x", {1: 2}, "\ud800", {3}]
)
def test_what_json_cannot_say_is_no_parameter(value):
    with pytest.raises(ValueError):
        make_receipt("m", 1, {"a": value}, [])


def test_inputs_that_cannot_be():
    made = seal_receipt(make_receipt("m", 1, {}, [RAW]), "0" * 64)
    for inputs, said in [
        ([RAW, Input(RAW.role, "0" * 64)], "same role"),
        ([Input("raw:x", "E3B0" * 16)], "not a SHA-256"),
        ([Input("raw:x", "")], "not a SHA-256"),
        ([Input("curves.nc", "0" * 64)], "are without a receipt"),
        ([Input("raw:x", "0" * 64, made)], "are without a receipt"),
    ]:
        with pytest.raises(ValueError, match=said):
            make_receipt("m", 1, {}, inputs)


def test_the_way_back_to_the_raw_files():
    receipt = example()
    assert raw_inputs(receipt) == {"raw/rowan/0 & 10 <grad>.csv": "1" * 64}
    assert check_structure(receipt) == [] and check_form(receipt) == []
    derive = step_of(receipt, "derive")
    assert receipt["steps"][derive["made_by"]["a.nc"]]["method"] == "ingest"
    assert derive["software"]["numpy"] == np.__version__


def test_every_change_without_care_breaks_the_seal():
    for change in changes().values():
        receipt = example()
        change(receipt)
        assert check_structure(receipt)
        if not check_form(receipt):
            assert any("seal" in line for line in check_structure(receipt))


def changes():
    def parameter(receipt):
        step_of(receipt, "derive")["parameters"]["smoothing"] = 0.5

    def version(receipt):
        step_of(receipt, "ingest")["version"] += 1

    def method(receipt):
        step_of(receipt, "ingest")["method"] = "in"

    def input_hash(receipt):
        step_of(receipt, "ingest")["inputs"][0]["sha256"] = "a" * 64

    def role(receipt):
        step_of(receipt, "ingest")["inputs"][0]["role"] = "raw:other.csv"

    def root(receipt):
        receipt["stamp"] = step_of(receipt, "derive")["made_by"]["a.nc"]

    def no_root(receipt):
        receipt["stamp"] = "a" * 64

    def key(receipt):
        receipt["steps"]["b" * 64] = receipt["steps"].pop(receipt["stamp"])

    def maker(receipt):
        step_of(receipt, "derive")["made_by"]["a.nc"] = "c" * 64

    def own_maker(receipt):
        step_of(receipt, "derive")["made_by"]["a.nc"] = receipt["stamp"]

    def no_maker(receipt):
        step_of(receipt, "derive")["made_by"] = {}

    def maker_of_nothing(receipt):
        step_of(receipt, "derive")["made_by"]["b.nc"] = step_of(receipt, "derive")["made_by"]["a.nc"]

    def maker_of_raw(receipt):
        step_of(receipt, "ingest")["made_by"]["raw:raw/rowan/0 & 10 <grad>.csv"] = receipt["stamp"]

    def dropped(receipt):
        del receipt["steps"][step_of(receipt, "derive")["made_by"]["a.nc"]]

    def superfluous(receipt):
        receipt["steps"] |= make_receipt("m", 1, {}, [])["steps"]

    def unordered(receipt):
        step = step_of(receipt, "ingest")
        step["inputs"].insert(0, {"role": "raw:z", "sha256": "d" * 64})

    def twice(receipt):
        step = step_of(receipt, "ingest")
        step["inputs"].append(step["inputs"][0])

    def software(receipt):
        step_of(receipt, "ingest")["software"]["numpy"] = "9.9"

    def content(receipt):
        receipt["content"] = "a" * 64

    return dict(locals())


# Nothing stamps these two, and a receipt alone does not know its file: only the seal sees them.
UNSEEN_IF_SEALED = {"software", "content"}


@pytest.mark.parametrize("name", sorted(changes()))
def test_changes_under_a_new_seal(name):
    receipt = example()
    changes()[name](receipt)
    wrong = check_structure(sealed(receipt))
    assert not any("seal" in line for line in wrong)
    assert bool(wrong) == (name not in UNSEEN_IF_SEALED)


def stamped(**members):
    """A receipt of one step with all hashes right, whatever the step says."""
    step = {"method": "m", "version": 1, "parameters": {}, "inputs": [], "made_by": {}, "software": {}, **members}
    stamp = stamp_of(step)
    return seal_receipt({"receipt": 1, "stamp": stamp, "steps": {stamp: step}}, "0" * 64)


@pytest.mark.parametrize(
    ("members", "said"),
    [
        ({"inputs": [{"role": "raw:b", "sha256": "1" * 64}, {"role": "raw:a", "sha256": "1" * 64}]}, "not in order"),
        (
            {"inputs": [{"role": "raw:a", "sha256": "1" * 64}, {"role": "raw:a", "sha256": "2" * 64}]},
            "have the same role",
        ),
        ({"inputs": [{"role": "curves.nc", "sha256": "1" * 64}]}, "made_by is wrong for curves.nc"),
        (
            {"inputs": [{"role": "raw:a", "sha256": "1" * 64}], "made_by": {"raw:a": "1" * 64}},
            "made_by is wrong for raw:a",
        ),
        ({"inputs": [{"role": "a", "sha256": "1" * 64}], "made_by": {"a": "1" * 64}}, "that made a is missing"),
        ({"made_by": {"a": "1" * 64}}, "not among its inputs"),
    ],
)
def test_links_that_cannot_be_under_right_hashes(members, said):
    assert check_structure(stamped()) == []
    assert said in "\n".join(check_structure(stamped(**members)))


def misshapen():
    good = example()
    stamp = good["stamp"]
    step = good["steps"][stamp]
    steps = good["steps"]

    def with_step(**members):
        return {**good, "steps": {**steps, stamp: {**step, **members}}}

    return [
        *(None, 1, "x", [], {}, {"receipt": 2}, {"receipt": True}, {"receipt": 1}),
        *({key: value for key, value in good.items() if key != left} for left in good),
        {**good, "more": 1},
        *(
            {**good, key: bad}
            for key in ("stamp", "content", "seal", "file")
            for bad in (None, 1, "A" * 64, "a" * 63, [])
        ),
        *({**good, "steps": bad} for bad in (None, [], "x", {"x": step}, {stamp: None}, {stamp: []})),
        *({**good, "steps": {stamp: {key: v for key, v in step.items() if key != left}}} for left in step),
        with_step(more=1),
        *(with_step(**{key: bad}) for key in step for bad in (None, 1.5, True)),
        with_step(inputs=[None]),
        with_step(inputs=[{"role": 1, "sha256": "0" * 64}]),
        with_step(inputs=[{"role": "raw:x", "sha256": "0"}]),
        with_step(inputs=[{"role": "raw:x", "sha256": "0" * 64, "more": 1}]),
        with_step(made_by={"a.nc": None}),
        with_step(software={"numpy": 2}),
        with_step(parameters={"a": float("nan")}),
        with_step(method="\ud800"),
    ]


@pytest.mark.parametrize("number", range(len(misshapen())))
def test_misshapen_receipts_are_named_and_never_raise(number):
    receipt = misshapen()[number]
    assert check_form(receipt) and check_structure(receipt) == check_form(receipt)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from([*example(), "x"]) | st.text(), inner),
    )
)
def test_anything_else_is_no_receipt(value):
    assert check_structure(value)


def test_a_long_chain_and_a_long_circle():
    def step(before):
        inputs = [{"role": "a", "sha256": "0" * 64}] if before else []
        made_by = {"a": before} if before else {}
        return {"method": "m", "version": 1, "parameters": {}, "inputs": inputs, "made_by": made_by, "software": {}}

    names = [f"{number:064x}" for number in range(2000)]
    steps = {name: step(names[at - 1] if at else None) for at, name in enumerate(names)}
    receipt = {"receipt": 1, "stamp": names[-1], "content": "0" * 64, "steps": steps}
    assert not any("circle" in line or "depend" in line for line in check_structure(sealed(receipt)))
    steps[names[0]] = step(names[-1])
    assert "its steps form a circle" in check_structure(sealed(receipt))
