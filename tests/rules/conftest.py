"""The shipped ruleset, loaded once, and short ways to say what was seen."""

import pytest

from inspections.rules.ruleset import load, shipped_text


@pytest.fixture(scope="session")
def ruleset():
    return load(shipped_text())
