"""`demo`, `verify_log` and `serve` as somebody runs them, each on a database of its own."""

import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import time
import urllib.error
import urllib.request
from contextlib import closing, contextmanager

import pytest
from django.contrib.auth.hashers import PBKDF2PasswordHasher

from tests.demo.conftest import ROOT, SMALL

DIGEST = re.compile(r"^digest [0-9a-f]{64}$", re.MULTILINE)


def digest_in(said):
    return DIGEST.search(said)[0]


def rows(home, query):
    with closing(sqlite3.connect(home.database)) as database:
        return database.execute(query).fetchall()


def change(home, *statements):
    with closing(sqlite3.connect(home.database)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()


def drop_triggers(home):
    named = rows(home, "SELECT name FROM sqlite_master WHERE type = 'trigger'")
    change(home, *(f"DROP TRIGGER {name}" for (name,) in named))


def test_two_empty_databases_give_the_same_digest(made, home):
    assert digest_in(home.run("demo", "--no-serve", *SMALL)) == digest_in(made.said)


def test_another_seed_and_another_now_give_another_digest(made, home):
    other = home.run("demo", "--no-serve", "--seed", "7", "--now", "2026-03-29T05:30:17+02:00", *SMALL)
    assert digest_in(other) != digest_in(made.said)
    assert "29 March 2026, 03:30 UTC" in other, "its present is said, since it is long gone"


def test_second_run_serves_what_is_there(made):
    before = made.database.stat().st_mtime_ns
    said = made.run("demo", "--no-serve")
    assert digest_in(said) == digest_in(made.said)
    assert "6 units, 1 year, seed 20261124" in said
    assert "Making" not in said
    assert made.database.stat().st_mtime_ns == before


def test_what_is_asked_of_a_second_run_is_not_silently_ignored(made):
    said = made.run("demo", "--no-serve", "--units", "7", "--now", "2026-11-24T06:00Z")
    assert "It is not made anew for another units without --rebuild." in said


def test_sign_in_names_and_the_password_that_opens_them(made):
    password = re.search(r"Password of all of them: (\S+)", made.said)[1]
    kept = made.folder / "demo-password"
    assert kept.read_text().strip() == password
    assert kept.stat().st_mode & 0o777 == 0o600
    assert len(password) >= 15
    hashes = rows(made, "SELECT username, password FROM auth_user")
    assert len(hashes) == 12
    assert len({hashed for _, hashed in hashes}) == 1
    assert PBKDF2PasswordHasher().verify(password, hashes[0][1])
    for name in ("driver1 … driver4", "fitter1 … fitter4", "controller1 … controller2", "manager1 … manager2"):
        assert name in made.said


def test_a_password_that_does_not_open_is_not_shown(copy):
    (copy.folder / "demo-password").write_text("not the one\n")
    said = copy.run("demo", "--no-serve")
    assert "not the one" not in said
    assert "--rebuild makes another" in said


def test_rebuild_makes_it_anew(copy, made):
    change(copy, "UPDATE auth_user SET first_name = 'Somebody'")
    assert digest_in(copy.run("demo", "--no-serve")) != digest_in(made.said)
    assert digest_in(copy.run("demo", "--no-serve", "--rebuild", *SMALL)) == digest_in(made.said)


@pytest.mark.parametrize("rebuild", [(), ("--rebuild",)])
def test_refuses_a_real_logbook(home, rebuild):
    home.run("migrate", "-v0")
    change(
        home,
        "INSERT INTO auth_user (password, is_superuser, username, last_name, email, is_staff, is_active, date_joined,"
        " first_name) VALUES ('!', 0, 'somebody', '', '', 0, 1, '2026-01-01', 'Some Body')",
    )
    said = home.run("demo", "--no-serve", *rebuild, *SMALL, ok=False)
    assert "Nothing was changed: this database holds users that are no demonstration." in said
    assert rows(home, "SELECT username FROM auth_user") == [("somebody",)]


@pytest.mark.parametrize("rebuild", [(), ("--rebuild",)])
def test_refuses_a_database_of_something_else(home, rebuild):
    change(home, "CREATE TABLE letters (text)")
    said = home.run("demo", "--no-serve", *rebuild, *SMALL, ok=False)
    assert "tables that are not the logbook's" in said
    assert rows(home, "SELECT name FROM sqlite_master") == [("letters",)]


def test_an_unfinished_one_is_not_served(copy):
    drop_triggers(copy)
    change(copy, "DELETE FROM inspections_logentry WHERE kind = 'demonstration finished'")
    assert "was not finished" in copy.run("demo", "--no-serve", ok=False)


@pytest.mark.parametrize(
    "words", [("--units", "2"), ("--years", "0"), ("--units", "many"), ("--now", "tomorrow"), ("--seed", "x")]
)
def test_values_that_make_no_railway_are_refused(home, words):
    said = home.run("demo", "--no-serve", *words, ok=False)
    assert f"argument {words[0]}" in said
    assert not home.database.exists() or not rows(home, "SELECT name FROM sqlite_master")


def test_log_is_whole(made):
    entries = rows(made, "SELECT count(*) FROM inspections_logentry")[0][0]
    assert f"{entries} entries, whole." in made.run("verify_log")


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE inspections_logentry SET payload = '{}' WHERE seq = 500", "entry 500 of .*: its content is not"),
        ("UPDATE inspections_logentry SET actor_id = 2 WHERE seq = 1", "entry 1 of .*: its content is not"),
        ("UPDATE inspections_logentry SET hash = 'x' || hash WHERE seq = 501", "entry 501 of .*: its content is not"),
        ("UPDATE inspections_logentry SET prev = 'x' || prev WHERE seq = 502", "entry 502 of .*: it does not follow"),
        ("DELETE FROM inspections_logentry WHERE seq = 500", "entry 500 of .*: entry 500 is missing"),
    ],
)
def test_a_changed_log_is_found(copy, statement, words):
    drop_triggers(copy)
    change(copy, statement)
    assert re.search(words, copy.run("verify_log", ok=False))


def test_the_log_cannot_be_changed_by_accident(copy):
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        change(copy, "UPDATE inspections_logentry SET payload = '{}' WHERE seq = 500")


def free_port():
    """An unusual port below the ephemeral ones that nobody listens on."""
    for port in range(23_471, 23_571):
        with closing(socket.socket()) as trial:
            if trial.connect_ex(("127.0.0.1", port)):
                return port
    raise RuntimeError("no free port")


def answer(port, path="/"):
    """(status, headers, body) of a page, redirects followed."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as response:  # noqa: S310
        return response.status, response.headers, response.read()


def wait_for(port, process):
    for _ in range(240):
        assert process.poll() is None, process.communicate()
        try:
            return answer(port)
        except urllib.error.URLError:
            time.sleep(0.25)
    raise AssertionError("the server does not answer")


@contextmanager
def served(home, *words):
    """(port, process) of a server on this database."""
    port = free_port()
    process = subprocess.Popen(
        home.command(*words, "--port", str(port)),
        cwd=ROOT,
        env=home.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        # Tests that a script runs in the background are started deaf to Ctrl-C, and what they start would be too.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        yield port, process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.mark.parametrize(("word", "how"), [("serve", signal.SIGTERM), ("demo", signal.SIGINT)])
def test_serves_on_loopback_and_stops_when_asked(collected, tmp_path, word, how):
    home = collected.copy_to(tmp_path)
    with served(home, word) as (port, process):
        status, headers, page = wait_for(port, process)
        assert status == 200
        assert b"Sign in" in page
        assert not headers["Server"]
        style = re.search(rb'href="(/static/css/logbook\.[0-9a-f]{12}\.css)"', page)[1].decode()
        status, headers, _ = answer(port, style)
        assert "max-age=315360000" in headers["Cache-Control"]
        process.send_signal(how)
        said, _ = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert f"http://127.0.0.1:{port}/" in said
    assert said.endswith("Stopped.\n")
    assert "Traceback" not in said
    assert "Collecting" not in said


def test_static_files_are_collected_before_the_first_page(made, tmp_path):
    home = made.copy_to(tmp_path)
    shutil.rmtree(tmp_path / "static", ignore_errors=True)
    with served(home, "serve") as (port, process):
        _, _, page = wait_for(port, process)
        style = re.search(rb'href="(/static/css/logbook\.[0-9a-f]{12}\.css)"', page)[1].decode()
        assert answer(port, style)[0] == 200
        process.terminate()
        said, _ = process.communicate(timeout=60)
    assert said.startswith("Collecting static files …\n")


def test_serve_does_not_migrate_by_itself(home):
    assert "Run: manage.py migrate" in home.run("serve", "--port", str(free_port()), ok=False)


def test_serve_refuses_a_log_that_could_be_changed(copy):
    drop_triggers(copy)
    assert "logbook.E001" in copy.run("serve", "--port", str(free_port()), ok=False)


def test_serve_says_when_the_port_is_taken(collected):
    port = free_port()
    with closing(socket.create_server(("127.0.0.1", port))):
        said = collected.run("serve", "--port", str(port), ok=False)
    assert f"Cannot listen on 127.0.0.1:{port}" in said
