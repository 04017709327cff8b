"""A real server, a proxy that fails on request, a phone that is killed: what is saved must arrive exactly once."""

# Environment of a server under test, read by tests/faults/inside.py.
DYING = "LOGBOOK_TEST_DYING"
MUTANT = "LOGBOOK_TEST_MUTANT"
PASSWORD = "correct horse battery staple"  # of everybody in tests/conftest.py, without importing that
