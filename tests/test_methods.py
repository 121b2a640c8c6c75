"""The registry of methods: every version by itself, the newest in force unless another one is chosen."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from numpy.typing import ArrayLike

from anechain import methods as registry
from anechain.methods import Method, method, methods, use_method_versions, versions


@pytest.fixture(autouse=True)
def _registry_as_before(monkeypatch):
    monkeypatch.setattr(registry, "_registry", methods())


def register(function, version=1, **more):
    return method("trial", version=version, title="Trial", source="none", **more)(function)


def half(x):
    """Half of it."""
    return x / 2


def rounded_half(x):
    return x // 2


def test_a_registered_function_does_what_it_did():
    registered = register(half)
    assert registered(3) == 1.5 and registered(x=3) == 1.5
    assert registered.__name__ == "half" and registered.__doc__ == half.__doc__
    assert methods()["trial"] == {1: Method("trial", 1, "Trial", "none", "published", "", half)}
    assert versions(["trial"]) == {"trial": 1}


def test_the_newest_version_is_in_force_in_whatever_order_they_are_registered():
    newest, older = register(half, version=2), register(rounded_half, version=1)
    assert newest(3) == older(3) == 1.5 and versions(["trial"]) == {"trial": 2}
    assert list(methods()["trial"]) == [1, 2]


def test_an_older_version_can_be_chosen_for_a_while():
    trial = register(half, version=2)
    register(rounded_half, version=1)
    with use_method_versions({"trial": 1}):
        assert trial(3) == 1 and versions(["trial"]) == {"trial": 1}
    assert trial(3) == 1.5
    with pytest.raises(ZeroDivisionError), use_method_versions({"trial": 1}):
        raise ZeroDivisionError
    assert trial(3) == 1.5 and versions(["trial"]) == {"trial": 2}


def test_the_choice_of_one_thread_is_not_that_of_another():
    trial = register(half, version=2)
    register(rounded_half, version=1)
    with ThreadPoolExecutor(1) as other, use_method_versions({"trial": 1}):
        assert (trial(3), other.submit(trial, 3).result()) == (1, 1.5)


@pytest.mark.parametrize("chosen", [{"trial": 3}, {"trial": 0}, {"no-such-method": 1}])
def test_what_is_not_registered_cannot_be_chosen(chosen):
    register(half)
    (id,) = chosen
    with pytest.raises(KeyError, match=f"no method {id} in version {chosen[id]}"), use_method_versions(chosen):
        pytest.fail("it was chosen")


def test_one_version_for_two_functions_is_refused():
    register(half)
    with pytest.raises(ValueError, match=r"method trial is registered twice.*half.*rounded_half"):
        register(rounded_half)
    assert methods()["trial"][1].function is half


def test_functions_of_one_name_in_two_modules_are_two():
    register(half)

    def other(x):
        return x

    other.__module__, other.__qualname__ = "elsewhere", half.__qualname__
    with pytest.raises(ValueError, match="registered twice"):
        register(other)


def test_a_module_imported_anew_may_register_again():
    register(half)
    again = type(half)(half.__code__, half.__globals__, half.__name__)
    again.__qualname__, again.__module__ = half.__qualname__, half.__module__
    register(again)
    assert methods()["trial"][1].function is again


def test_an_unknown_standing_is_refused():
    with pytest.raises(ValueError, match=r"source_status of trial is one of .*'recalled'.*, not 'hearsay'"):
        register(half, source_status="hearsay")
    assert "trial" not in methods()


def test_an_unknown_id_is_named():
    with pytest.raises(KeyError, match="no-such-method"):
        versions(["on-axis", "no-such-method"])


def test_every_method_says_where_it_comes_from():
    found = methods()
    assert list(found) == sorted(found) and len(found) >= 15
    for id, known in found.items():
        assert id == id.lower() and " " not in id and "_" not in id
        for version, one in known.items():
            assert (one.id, one.version) == (id, version) and isinstance(version, int) and version >= 1
            assert one.title and one.source and one.source_status in registry.SOURCE_STATUSES
            assert one.function.__doc__ and one.function.__module__.startswith("anechain.acoustics.")


def test_every_method_says_what_it_computes():
    for known in methods().values():
        for one in known.values():
            assert one.formula.strip() == one.formula != "", one.id


def test_parameters_are_choices_with_their_defaults():
    def trial(frequency, level: ArrayLike = (), band=(300.0, 3000.0), side=None, step=5.0, named="cut"):
        return frequency

    register(trial)
    assert methods()["trial"][1].parameters == {"band": "300, 3000", "side": "none", "step": "5", "named": "cut"}


def test_all_are_found_by_a_process_that_imported_none():
    code = "from anechain.methods import methods; print(*methods())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == list(methods())
