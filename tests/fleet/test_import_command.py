"""manage.py import_couplings: what it says, and its exit code."""

import io
from datetime import UTC, datetime

import pytest
from django.core.management import CommandError, call_command

from fleet.cells import MAX_NAMED
from fleet.models import Coupling
from tests.fleet.coupling_files import GOOD, file, row


def run(*arguments, **options):
    """The command: what it says, what it complains of, and its exit code."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    try:
        call_command("import_couplings", *map(str, arguments), stdout=out, stderr=err, **options)
    except CommandError as error:
        err.write(str(error))
        code = error.returncode
    return out.getvalue(), err.getvalue(), code


@pytest.fixture
def csv_file(tmp_path):
    def make(*lines):
        path = tmp_path / "couplings.csv"
        path.write_bytes(file(*lines))
        return path

    return make


def test_command_writes_and_says_so(railway, csv_file):
    path = csv_file(GOOD)
    dry = run(path, "--source", "recorder", "--dry-run")
    assert dry == (
        "1 row read: 1 new, 0 here already, 0 told when they parted, 0 bad.\nNothing was written.\n",
        "",
        0,
    )
    assert not Coupling.objects.exists()
    out, err, code = run(path, "--source", "recorder", "--progress")
    assert out == "1 row read: 1 new, 0 here already, 0 told when they parted, 0 bad.\nAll is written.\n"
    assert err == "\r1 row read   \r1 row compared   \r1 row written   \n"
    assert code == 0
    assert Coupling.objects.get().source == "recorder"
    out, err, code = run(path, "--source", "recorder")
    assert "0 new, 1 here already" in out
    assert "Nothing was written." in out
    assert (err, code) == ("", 0)


def test_command_names_bad_rows_and_fails(railway, csv_file):
    out, err, code = run(csv_file(GOOD, row(place="XXX"), row(source_ref="r3", stage="x")), "--source", "recorder")
    assert code == 1
    assert "3 rows read: 1 new, 0 here already, 0 told when they parted, 2 bad." in out
    assert "line 3, place: there is no place with the code “XXX”\nline 4, stage: “x” is none of" in err
    assert err.endswith("Nothing was written: put the bad rows right, then import the whole file again.")
    assert not Coupling.objects.exists()
    faults = [row(source_ref=f"x{n}", stage="?") for n in range(MAX_NAMED + 7)]
    assert "… and 7 more." in run(csv_file(*faults), "--source", "recorder")[1]


def test_command_reads_standard_input(railway, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(file(row(at="2026-07-01T12:00")))))
    assert run("-", "--source", "recorder", "--zone", "Europe/London")[2] == 0
    assert Coupling.objects.get().at == datetime(2026, 7, 1, 11, tzinfo=UTC)


@pytest.mark.parametrize("zone", ["Nowhere", "Europe", "../x", ""])
def test_command_refuses_a_zone_that_is_none(railway, csv_file, zone):
    _, err, code = run(csv_file(GOOD), "--zone", zone)
    assert "argument --zone" in err
    assert code == 1


def test_command_says_that_a_file_cannot_be_read(railway, tmp_path):
    for path, words in [(tmp_path / "none.csv", "No such file"), (tmp_path, "Is a directory")]:
        _, err, code = run(path, "--source", "recorder")
        assert err == f"{path} cannot be read: {words if path == tmp_path else 'No such file or directory'}. " + (
            "Nothing was written."
        )
        assert code == 1
