"""Settings for all tests."""

from hypothesis import settings

# A shared machine can be slow at any moment; how long an example takes says nothing here.
settings.register_profile("anechain", deadline=None)
settings.load_profile("anechain")
