"""The shipped ruleset, loaded once; the long profile of the property tests."""

import pytest
from hypothesis import HealthCheck, settings

from inspections.rules.ruleset import load, shipped_text

QUIET = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
settings.register_profile("short", max_examples=200, deadline=None, derandomize=True, suppress_health_check=QUIET)
settings.register_profile("long", max_examples=20_000, deadline=None, suppress_health_check=QUIET)
if settings.get_current_profile_name() not in ("short", "long"):
    settings.load_profile("short")


@pytest.fixture(scope="session")
def ruleset():
    return load(shipped_text())
