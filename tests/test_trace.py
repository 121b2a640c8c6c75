import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.receipts.receipt import Input, check_form, make_receipt, seal_receipt
from anechain.receipts.trace import receipt_tree


def example():
    return json.loads(json.dumps(seal_receipt(artefacts.receipt(), "4" * 64)))


def test_the_whole_way_back_is_told():
    receipt = example()
    derive, ingest = receipt["stamp"], next(stamp for stamp in receipt["steps"] if stamp != receipt["stamp"])
    software = ", ".join(f"{name} {version}" for name, version in sorted(receipt["steps"][derive]["software"].items()))
    assert receipt_tree(receipt) == [
        f"made by derive, version 3; stamp {derive}",
        f"  software: {software}",
        "  rear_wall: three",
        "  smoothing: 0.041666666666666664",
        f"  from a.nc  sha256 {'3' * 64}",
        f"    made by ingest, version 1; stamp {ingest}",
        f"      software: {software}",
        "      comment: ]]> --> </script> & ü 😀",
        "      importer: delimited",
        f"      from raw:raw/rowan/0 & 10 <grad>.csv  sha256 {'1' * 64}",
    ]


def test_a_step_in_two_places_is_told_once():
    shared = seal_receipt(make_receipt("ingest", 1, {"importer": "sofa"}, [Input("raw:a", "1" * 64)]), "2" * 64)
    inputs = [Input("responses.nc", "3" * 64, shared), Input("sphere.nc", "4" * 64, shared)]
    lines = receipt_tree(seal_receipt(make_receipt("derive", 1, {}, inputs), "5" * 64))
    assert sum("importer: sofa" in line for line in lines) == 1
    assert sum("raw:a" in line for line in lines) == 1
    assert [line.strip() for line in lines].count("(described above)") == 1
    assert lines.index("  from sphere.nc  sha256 " + "4" * 64) == len(lines) - 3


def test_a_long_value_is_cut():
    receipt = seal_receipt(make_receipt("m", 1, {"words": "x" * 1000, "list": ["y"] * 1000}, []), "0" * 64)
    assert all(len(line) < 400 for line in receipt_tree(receipt))
    assert sum(line.endswith("...") for line in receipt_tree(receipt)) == 2


def test_a_value_cannot_act_on_the_terminal_nor_forge_a_line():
    hostile = "\x1b[2J\r\nmade by nobody, version 9\u202e\x9b\u2028"
    inputs = [Input(f"raw:{hostile}", "1" * 64)]
    lines = receipt_tree(seal_receipt(make_receipt(hostile, 1, {hostile: hostile, "in": [hostile]}, inputs), "0" * 64))
    assert all(line.isprintable() for line in lines)
    assert not any(line.startswith("made by nobody") for line in lines)
    assert "raw:\\u001b[2J\\r\\nmade by nobody" in "\n".join(lines)


@pytest.mark.parametrize("circle", [True, False])
def test_long_chains_circles_and_gaps_are_told(circle):
    names = [f"{number:064x}" for number in range(2000)]
    steps = {
        name: {
            "method": "m",
            "version": 1,
            "parameters": {},
            "inputs": [{"role": "a", "sha256": "0" * 64}],
            "made_by": {"a": names[at - 1] if at or circle else "f" * 64},
            "software": {},
        }
        for at, name in enumerate(names)
    }
    lines = receipt_tree({"steps": steps, "stamp": names[-1]})
    assert sum("made by m" in line for line in lines) == len(names) + circle
    assert lines[-1].strip() == (
        "(described above)" if circle else f"made by a step that is missing from the receipt; stamp {'f' * 64}"
    )


@given(st.integers(0, 2**32))
def test_whatever_has_the_form_of_a_receipt_is_told(seed):
    """Links and hashes may be wrong in any way: an altered receipt is shown as well."""
    chance = random.Random(seed)
    receipt = example()
    hashes = [*receipt["steps"], "a" * 64]
    receipt["stamp"] = chance.choice(hashes)
    for step in receipt["steps"].values():
        step["made_by"] = {chance.choice(["a.nc", "b"]): chance.choice(hashes)}
        step["inputs"] *= chance.randrange(3)
    assert check_form(receipt) == []
    assert receipt_tree(receipt)[0].startswith("made by")
