"""What differs between two receipts."""

import pytest

from anechain.audit.causes import NOT_STATED, differing_steps
from anechain.receipts.receipt import Input, make_receipt, seal_receipt


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
    inputs = [Input(role, "3" * 64, seal_receipt(ingest, "4" * 64)) for role in ("responses.nc", *extra)]
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
        curves = seal_receipt(chain(derive_parameters={"rear_wall": rear_wall}), "8" * 64)
        return make_receipt(
            "compare", 1, {}, [Input(f"{device}/curves.nc", "9" * 64, curves) for device in ("rowan", "alder")]
        )

    causes, _ = differing_steps(compared("three"), compared("all"), "")
    assert sorted((cause.name, device) for cause, device in causes) == [("rear_wall", "alder"), ("rear_wall", "rowan")]


def test_software_is_told_apart_even_where_the_stamps_agree(monkeypatch):
    from anechain.receipts import receipt as receipts

    old = chain()
    monkeypatch.setattr(receipts, "_software", lambda: (("numpy", "0.1"),))
    causes, software = differing_steps(old, chain(), "rowan")
    assert causes == [] and ("numpy", "0.1") in {(one.name, one.new) for one in software}
