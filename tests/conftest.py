"""Settings for all tests."""

from hypothesis import settings

# A shared machine can be slow at any moment; how long an example takes says nothing here.
settings.register_profile("anechain", deadline=None)
settings.load_profile("anechain")

LONGEST = (
    *("test_workflow", "test_nothing_lost", "test_capture_campaign", "test_explain", "test_bundle"),
    *("test_verify", "test_recompute", "test_method_lock", "test_crate", "test_demo_model", "test_demo_recordings"),
    *("test_developers_guide", "test_conformance", "test_figures", "test_compression_stage", "test_numbers_stage"),
)


def pytest_collection_modifyitems(items):
    """Start with the longest files, so that no process is left with one of them at the end.

    With --no-loadscope-reorder, as the Makefile has it: the files with the most tests would come first otherwise.
    """
    items.sort(key=lambda item: LONGEST.index(item.path.stem) if item.path.stem in LONGEST else len(LONGEST))
