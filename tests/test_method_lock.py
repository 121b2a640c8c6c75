"""methods.lock: no method changes under an unchanged version."""

import importlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from anechain.errors import InputError
from anechain.method_lock import lock as locking
from anechain.method_lock.digest import result_digest
from anechain.methods import methods
from anechain.stages import derive
from frozen_inputs.calls import reference_calls


def test_the_lock_is_that_of_the_code():
    """Fails, naming the method and the function, when code changed and its version did not."""
    locked, current = locking.read_lock(), locking.current_lock(reference_calls())
    changes = locking.lock_changes(locked, current)
    assert not changes, "\n".join(["increase the version, or renew with `make lock`:", *map(str, changes)])
    assert current.keys() <= locked.keys(), "new and not locked yet: run `make lock`"


def test_every_method_has_a_reference_call_and_no_call_is_left_over():
    named = {what.rpartition(" version ")[0].removeprefix("method ") for what in locking.read_lock()}
    assert reference_calls().keys() == named >= methods().keys()


LISTS = "acoustics/directivity/direction_lists.py"


def changed_code(tmp_path, *changes, module="acoustics/directivity/curve_averages.py", package_name="anechain"):
    """Compare the lock, in a process of its own, with a copy of the code in which some places are changed."""
    package = Path(importlib.import_module(package_name).__file__).parent
    shutil.copytree(package, tmp_path / package_name, ignore=shutil.ignore_patterns("__pycache__"))
    source = tmp_path / package_name / module
    text = source.read_text()
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
        text = text.replace(old, new)
    source.write_text(text)
    code = (
        "from anechain.method_lock import lock as locking\n"
        "from frozen_inputs.calls import reference_calls\n"
        "print(*locking.lock_changes(locking.read_lock(), locking.current_lock(reference_calls())), sep='\\n')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": os.pathsep.join([str(tmp_path), *filter(None, sys.path)]), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip().splitlines()


@pytest.mark.proof
def test_a_constant_that_changes_is_named_with_every_method_it_reaches(tmp_path):
    lines = changed_code(tmp_path, ('"listening_window": 0.12,', '"listening_window": 0.13,'), module=LISTS)
    named = {line.split(":")[0] for line in lines}
    assert {
        "method in-room-estimate version 1",
        "method curve-set version 1",
        f"stage derive version {derive.VERSION}",
    } <= named
    assert not any("listening-window" in name for name in named)
    (line,) = [line for line in lines if line.startswith("method in-room-estimate")]
    assert "anechain.acoustics.directivity.direction_lists.IN_ROOM_SHARES" in line and "its result changed" in line


@pytest.mark.proof
def test_a_function_deep_below_a_method_is_named(tmp_path):
    base = "np.asarray(10.0 ** (np.asarray(level"
    lines = changed_code(tmp_path, (base, base.replace("10.0", "10.1")), module="acoustics/curve/levels.py")
    (line,) = [line for line in lines if line.startswith("method listening-window")]
    assert "its result changed" in line
    assert any("anechain.acoustics.curve.levels.power_of_level" in line for line in lines)


@pytest.mark.proof
def test_comments_docstrings_and_annotations_do_not_count(tmp_path):
    commented = (
        "    return _mean_power(orbits, LISTENING_WINDOW)",
        "    # why\n    return _mean_power(orbits, LISTENING_WINDOW)",
    )
    reworded = "with the shares of :data:`IN_ROOM_SHARES`.", "by :data:`IN_ROOM_SHARES`."
    assert changed_code(tmp_path, commented, reworded) == []


@pytest.mark.proof
def test_a_refactoring_is_told_from_a_change_of_result(tmp_path):
    rewritten = (
        "    return _mean_power(orbits, LISTENING_WINDOW)",
        "    wanted = LISTENING_WINDOW\n    return _mean_power(orbits, wanted)",
    )
    lines = changed_code(tmp_path, rewritten)
    (line,) = [line for line in lines if line.startswith("method listening-window")]
    assert "its result for the frozen input did not change" in line


@pytest.mark.proof
@pytest.mark.parametrize(
    ("place", "changed", "what", "part"),
    [
        (
            ("anechain", "figure_of_merit/number_builder.py"),
            ("        value=value,", "        value=value + 1.0 if isinstance(value, float) else value,"),
            "stage numbers",
            "figure_of_merit.number_builder.make_number",
        ),
        (
            ("anechain", "importing/source_datasets.py"),
            ("dataset[variable] + step", "dataset[variable] + step + 3.0"),
            "stage ingest",
            "importing.source_datasets._with_steps",
        ),
        (
            ("anechain_uff", "spectra.py"),
            ("level_and_phase(values, ", "level_and_phase(1.4 * values, "),
            "importer uff",
            "anechain_uff.spectra.level_and_phase_of",
        ),
    ],
    ids=["+1 in every number", "+3 dB in every level", "+3 dB in an importer"],
)
def test_a_changed_result_of_a_stage_or_importer_is_named(tmp_path, place, changed, what, part):
    lines = changed_code(tmp_path, changed, package_name=place[0], module=place[1])
    (line,) = [line for line in lines if line.startswith(f"{what} version")]
    assert part in line and line.endswith("its result changed")


@pytest.mark.proof
def test_renewing_refuses_a_result_that_changed_under_its_version(tmp_path):
    target = tmp_path / "methods.lock"
    assert any("method on-axis version 1: new" in line for line in locking.renew_lock(reference_calls(), target))
    assert locking.renew_lock(reference_calls(), target) == ["nothing has changed"]
    target.write_text(
        target.read_text().replace(locking.read_lock(target)["method on-axis version 1"]["digest"], "0" * 64)
    )
    before = target.read_bytes()
    with pytest.raises(InputError, match="method on-axis version 1: its result changed"):
        locking.renew_lock(reference_calls(), target)
    assert target.read_bytes() == before


def test_a_version_that_is_no_longer_kept_is_named():
    locked = {
        "method on-axis version 0": {"digest": "0", "parts": {}},
        "stage derive version 0": {"digest": "0", "parts": {}},
    }
    (change,) = locking.lock_changes(locked, {})
    assert "on-axis version 0 (no longer kept)" in str(change)


def test_the_float_policy_forgives_the_last_bits_and_nothing_more():
    assert result_digest([1.0, 85.123456789012]) == result_digest([1.0, 85.123456789013])
    assert result_digest([1.0]) != result_digest([1.00000001])
    assert result_digest({"a": 1e-15}) == result_digest({"a": 0.0}) != result_digest({"a": 1e-9})
    assert result_digest([float("nan")]) != result_digest([0.0])
