"""Settings for all tests."""

from hypothesis import settings

# A shared machine can be slow at any moment; how long an example takes says nothing here.
settings.register_profile("anechain", deadline=None)
settings.load_profile("anechain")

LONGEST = ("test_workflow", "test_nothing_lost", "test_bundling", "test_remaking", "test_crate", "test_demo_model")


def pytest_collection_modifyitems(items):
    """Start with the longest files, so that no process is left with one of them at the end."""
    items.sort(key=lambda item: LONGEST.index(item.path.stem) if item.path.stem in LONGEST else len(LONGEST))
