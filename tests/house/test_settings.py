"""Settings are read strictly: a wrong value or a misspelt name stops the start with a sentence."""

import os
import subprocess
import sys

import pytest

PRODUCTION = {
    "HTTPS": "yes",
    "ALLOWED_HOSTS": "logbook.example",
    "CSRF_TRUSTED_ORIGINS": "https://logbook.example",
    "SECRET_KEY": "k3" * 10 + "Zq7!" * 10,
}


def manage(tmp_path, *words, **environ):
    """Run manage.py with a bare environment; gives (exit code, everything printed)."""
    bare = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "MEDIA_ROOT": str(tmp_path / "media")}
    bare["DATABASE_URL"] = f"sqlite:///{tmp_path}/logbook.sqlite3"
    run = subprocess.run(
        [sys.executable, "manage.py", *words],
        env={**bare, **environ},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return run.returncode, run.stdout + run.stderr


@pytest.mark.parametrize(
    ("environ", "sentence"),
    [
        ({"DEBUG": "flase"}, "DEBUG is 'flase'; it must be yes or no."),
        ({"HTTPS": "true"}, "HTTPS is 'true'; it must be yes or no."),
        ({"DATABSE_URL": "sqlite:///x"}, "DATABSE_URL; did you mean DATABASE_URL"),
        ({"ALOWED_HOSTS": "x"}, "ALOWED_HOSTS; did you mean ALLOWED_HOSTS"),
        ({"SECRET_KEYS": "x"}, "SECRET_KEYS; did you mean SECRET_KEY"),
        ({"DATABASE_URL": "mysql://x/y"}, "DATABASE_URL starts with 'mysql'"),
        ({"SECRET_KEY": "short"}, "SECRET_KEY must have at least 50 characters"),
        ({"SECRET_KEY": "a" * 60}, "not all alike"),
        ({"ALLOWED_HOSTS": "logbook.example"}, "HTTPS=yes"),
        ({**PRODUCTION, "DEBUG": "yes"}, "DEBUG=yes"),
        ({**PRODUCTION, "CSRF_TRUSTED_ORIGINS": "logbook.example"}, "CSRF_TRUSTED_ORIGINS has 'logbook.example'"),
        ({"MEDIA_ROOT": __file__}, "which is not a folder"),
        ({"TIME_ZONE": "Europe/Lodnon"}, "TIME_ZONE"),
        ({"EMAIL_URL": "mail.example"}, "EMAIL_URL starts with ''"),
        ({"EMAIL_URL": "smtp://mail.example:x"}, "EMAIL_URL has a port that is no number."),
        ({"EMAIL_URL": "smtp:"}, "EMAIL_URL names no host."),
        ({"EMAIL_TO": "control"}, "EMAIL_TO has 'control'"),
    ],
)
def test_wrong_value_stops_the_start(tmp_path, environ, sentence):
    code, printed = manage(tmp_path, "check", **environ)
    assert code != 0
    assert sentence in printed
    assert "Traceback" not in printed


def test_nothing_set_is_enough_for_this_machine(tmp_path):
    assert manage(tmp_path, "check") == (0, "System check identified no issues (0 silenced).\n")


def test_deploy_check_is_clean_with_production_settings(tmp_path):
    code, printed = manage(tmp_path, "check", "--deploy", "--fail-level", "WARNING", **PRODUCTION)
    assert (code, printed) == (0, "System check identified no issues (0 silenced).\n")
