"""The project's settings as a server under test runs them: quick passwords, and what tests/faults/inside.py adds."""

from config.settings import *  # noqa: F403
from config.settings import MIDDLEWARE as OURS

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
MIDDLEWARE = ["tests.faults.inside.middleware", *OURS]
