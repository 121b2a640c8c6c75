"""Settings for all tests."""

import gc
import os

# The tests run in as many processes as there are cores; threads of linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

# A shared machine can be slow at any moment; how long an example takes says nothing here. Examples are the same in each
# run, so that a change never fails for a case that it did not touch; `--hypothesis-profile=search` looks for others.
settings.register_profile("anechain", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None)
settings.load_profile("anechain")

LONGEST = (
    *("test_nothing_lost", "test_documentation", "test_recompute", "test_explain", "test_bad_input", "test_crate"),
    *("test_checking", "test_numbers_stage", "test_bundle", "test_conformance_suite", "test_capture_checks"),
    *("test_figures", "test_anechain_capture", "test_verify", "test_contract", "test_deviations", "test_demo_model"),
    *("test_demo_recordings", "test_anechain_sofa", "test_capture_uncertainty", "test_compare_distortion"),
    *("test_method_lock", "test_plan", "test_workflow", "test_capture_campaign"),
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Start with the longest files, so that no process is left with one of them at the end.

    With --no-loadscope-reorder, as the Makefile has it: the files with the most tests would come first otherwise.
    A test that starts three processes for each importer is a proof; authors of importers inherit it without this mark.
    """
    for item in items:
        if item.path.stem == "test_conformance" and item.originalname == "test_a_fresh_process_reads_the_same":
            item.add_marker(pytest.mark.proof)
    items.sort(key=lambda item: LONGEST.index(item.path.stem) if item.path.stem in LONGEST else len(LONGEST))


def pytest_collection_finish():
    """Take all tests out of garbage collection: they live to the end, and each collection would look at them again."""
    gc.collect()
    gc.freeze()
