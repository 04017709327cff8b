"""Couplings from a CSV file: what is written, that twice is once, and two imports at once."""

import sqlite3
import time
import tracemalloc
from datetime import UTC, datetime, timedelta
from random import Random
from threading import Barrier, Thread
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile, TemporaryUploadedFile
from django.db import IntegrityError, connection

from fleet import coupling_rows
from fleet.cells import MAX_LINE, MAX_NAMED
from fleet.coupling_rows import FormerName
from fleet.models import Coupling, CouplingSide
from fleet.railway import build
from tests.fleet.coupling_files import GOOD, HEAD, NOW, file, load, many, row, second, stored

LONDON = ZoneInfo("Europe/London")


def test_what_is_good_is_written_as_it_says(railway):
    done = load(
        file(
            GOOD,
            b'"r2",2026-11-24 06:30:15.250+02:00, vehicle 301A ,"401 B",'
            b'could not couple,contact,,"2026-11-24T04:32Z"',
        )
    )
    assert (done.read, done.new, done.here, done.updated, done.bad) == (2, 2, 0, 0, 0)
    assert done.written
    first, other = Coupling.objects.order_by("source_ref")
    assert (first.source, first.source_ref, first.received) == ("recorder", "r1", NOW)
    assert (first.at, first.parted, first.place) == (
        datetime(2026, 11, 24, 5, tzinfo=UTC),
        None,
        railway.places["SKJ"],
    )
    assert (first.outcome, first.stage) == ("coupled", "full")
    assert other.at == datetime(2026, 11, 24, 4, 30, 15, 250_000, tzinfo=UTC)
    assert (other.outcome, other.stage, other.place) == ("could not couple", "contact", None)
    assert other.parted == datetime(2026, 11, 24, 4, 32, tzinfo=UTC)
    for coupling, names in [(first, ["201 A", "202 B"]), (other, ["301 A", "401 B"])]:
        assert [str(side.end) for side in coupling.sides.order_by("end")] == names
        assert {side.at for side in coupling.sides.all()} == {coupling.at}


def test_the_result_says_what_to_look_at_again(railway):
    done = load(file(GOOD, row(at="2025-01-02T03:04Z", end_1="301 A", parted="2025-01-02T04:00Z")))
    assert done.earliest == datetime(2025, 1, 2, 3, 4, tzinfo=UTC)
    assert done.latest == datetime(2026, 11, 24, 5, tzinfo=UTC)
    assert done.ends == {railway.ends[name].pk for name in ("201 A", "202 B", "301 A")}
    again = load(file(GOOD))
    assert (again.earliest, again.latest, again.ends) == (None, None, frozenset())


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + file(GOOD),
        file(GOOD).replace(b",", b";"),
        file(GOOD).replace(b"\n", b"\r\n"),
        file(GOOD).removesuffix(b"\n"),
        file(GOOD) + b"\n  \r\n\n",
        file(GOOD, head=HEAD.upper().replace(b",", b" , ")),
        file(b'"' + GOOD.replace(b",", b'","') + b'"'),
        file(GOOD.removesuffix(b",SKJ,"), head=HEAD.removesuffix(b",place,parted")),
        b"source_ref;at;place;stage;outcome;end_2;end_1\nr1;2026-11-24T05:00Z;SKJ;full;coupled;202 B;201 A\n",
        file(GOOD + b",recorder", head=HEAD + b",source"),
    ],
    ids=[
        "mark",
        "semicolons",
        "crlf",
        "no last end",
        "blank lines",
        "capitals",
        "quotes",
        "fewer",
        "order",
        "source",
    ],
)
def test_the_ways_to_write_the_same(railway, data):
    done = load(data, source="" if b"source\n" in data else "recorder")
    assert (done.faults, done.new, done.written) == ((), 1, True)


@pytest.mark.parametrize(
    "cells",
    [
        {"source_ref": "r" * 60},
        {"at": "2026-11-24T06:00:00Z"},
        {"at": "2026-11-24T20:00+14:00"},
        {"at": "2000-01-01T00:00Z"},
        {"parted": "2026-11-24T05:30:00Z"},
        {"stage": "locked"},
        {"stage": "air", "outcome": "could not couple"},
        {"stage": "none", "outcome": "could not couple"},
    ],
)
def test_what_just_passes(railway, cells):
    assert load(file(row(**cells))).written


def test_a_comma_in_quotes_leaves_the_columns_alone(railway):
    assert load(file(row(source_ref='"a,b;""c"""'))).new == 1
    assert Coupling.objects.get().source_ref == 'a,b;"c"'


def test_a_header_alone_is_a_day_without_couplings(railway):
    done = load(file())
    assert (done.read, done.bad, done.written) == (0, 0, False)


def test_every_fault_of_a_row_is_named_and_every_row(railway):
    done = load(file(row(at="?", end_1="999 A", place="XXX"), GOOD, row(source_ref="r3", stage="?", outcome="?")))
    assert [str(fault).split(":")[0] for fault in done.faults] == [
        "line 2, at",
        "line 2, end_1",
        "line 2, place",
        "line 4, outcome",
        "line 4, stage",
    ]
    assert (done.read, done.new, done.bad, done.fault_count) == (3, 1, 2, 5)


def test_faults_beyond_the_list_are_counted(railway):
    done = load(file(*[row(source_ref=f"x{n}", stage="?", outcome="?") for n in range(MAX_NAMED)]))
    assert (len(done.faults), done.fault_count, done.bad) == (MAX_NAMED, 2 * MAX_NAMED, MAX_NAMED)


def test_a_message_shows_no_more_than_a_part_of_a_cell(railway):
    reason = load(second(stage="x" * 3000)).faults[0].reason
    assert "x" * 40 + "…" in reason
    assert len(reason) < 120


@pytest.mark.parametrize(
    ("source", "column", "words"),
    [
        ("", "source", "Name the source"),
        ("=1+1", "", "starts like a formula"),
        ("x" * 21, "", "longer than 20 characters"),
        ("re\ncorder", "", "(U+000A)"),
    ],
)
def test_the_source_is_named_and_good(railway, source, column, words):
    done = load(file(GOOD), source=source)
    assert [fault.column for fault in done.faults] == [column]
    assert words in done.faults[0].reason


@pytest.mark.parametrize(("source", "words"), [("", "empty"), ("x" * 21, "longer than 20"), ("+1", "formula")])
def test_sources_in_the_file_are_checked(railway, source, words):
    done = load(file(GOOD + b"," + source.encode(), head=HEAD + b",source"), source="")
    assert [(fault.line, fault.column) for fault in done.faults] == [(2, "source")]
    assert words in done.faults[0].reason


def test_the_same_reference_of_two_sources_is_two_couplings(railway):
    data = file(GOOD + b",east", row(source_ref="r1") + b",west", head=HEAD + b",source")
    assert load(data, source="").new == 2
    assert load(data, source="").here == 2


# In Europe/London the hour from 01:00 comes twice on 25 October 2026 and not at all on 29 March 2026.
@pytest.mark.parametrize(
    ("at", "utc", "words"),
    [
        ("2026-07-01T12:00", "2026-07-01T11:00", None),
        ("2026-01-01T12:00", "2026-01-01T12:00", None),
        ("2026-10-25T00:59", "2026-10-24T23:59", None),
        ("2026-10-25T01:00", None, "01:00 came twice that day in Europe/London: give the offset, +01:00 or +00:00"),
        ("2026-10-25T01:30", None, "01:30 came twice"),
        ("2026-10-25T01:30+01:00", "2026-10-25T00:30", None),
        ("2026-10-25T01:30+00:00", "2026-10-25T01:30", None),
        ("2026-10-25T02:00", "2026-10-25T02:00", None),
        ("2026-03-29T00:59", "2026-03-29T00:59", None),
        ("2026-03-29T01:00", None, "there was no such time"),
        ("2026-03-29T01:30", None, "went past 01:30 that day"),
        ("2026-03-29T02:00", "2026-03-29T01:00", None),
    ],
)
@pytest.mark.parametrize("column", ["at", "parted"])
def test_times_of_a_declared_zone(railway, at, utc, words, column):
    cells = {"at": "2025-12-01T00:00Z", column: at}
    done = load(file(row(**cells)), zone=LONDON)
    if words:
        assert [fault.column for fault in done.faults] == [column]
        assert words in done.faults[0].reason
    else:
        assert getattr(Coupling.objects.get(), column) == datetime.fromisoformat(utc).replace(tzinfo=UTC)


def test_the_same_again_changes_nothing(railway):
    data = file(GOOD, row(parted="2026-11-24T05:45Z"))
    load(data)
    before = stored()
    done = load(data, now=NOW + timedelta(days=1))
    assert (done.read, done.new, done.here, done.updated, done.bad, done.written) == (2, 0, 2, 0, 0, False)
    assert stored() == before
    assert load(file(row(end_1="202 B", end_2="201 A", parted="2026-11-24T05:45:00+00:00"))).here == 1


def test_new_rows_beside_known_ones_are_written(railway):
    load(file(GOOD))
    done = load(file(GOOD, row()))
    assert (done.new, done.here, done.written) == (1, 1, True)
    assert (Coupling.objects.count(), CouplingSide.objects.count()) == (2, 4)


@pytest.mark.parametrize(
    ("cells", "column", "words"),
    [
        ({"at": "2026-11-24T05:31Z"}, "at", "with 2026-11-24T05:30:00+00:00"),
        ({"at": "2026-11-24T05:30:00.000001Z"}, "at", "with 2026-11-24T05:30:00+00:00"),
        ({"parted": "2026-11-24T05:51Z"}, "parted", "with 2026-11-24T05:50:00+00:00"),
        ({"place": "BRK"}, "place", "with SKJ"),
        ({"place": ""}, "place", "with SKJ"),
        ({"stage": "air"}, "stage", "with full"),
        ({"stage": "air", "outcome": "could not couple"}, "stage", "with full"),
        ({"end_1": "201 B"}, "end_1", "with 201 A and 202 B"),
        ({"end_2": "301 B"}, "end_1", "with 201 A and 202 B"),
        ({"end_1": "vehicle 202A"}, "end_1", "with 201 A and 202 B"),
    ],
)
def test_a_known_reference_with_another_content_is_a_bad_row(railway, cells, column, words):
    load(file(row(parted="2026-11-24T05:50Z")))
    before = stored()
    done = load(file(GOOD, row(**({"parted": "2026-11-24T05:50Z"} | cells))))
    assert (done.new, done.bad, done.written) == (1, 1, False)
    assert (done.faults[0].line, done.faults[0].column) == (3, column)
    assert f"“r2” is here already, {words}" in done.faults[0].reason
    assert stored() == before


def test_faults_come_in_the_order_of_their_lines(railway):
    """Whether the row was bad by itself or beside what is stored."""
    load(file(GOOD, row()))
    done = load(file(row(place="BRK"), row(source_ref="r3", place="XXX"), GOOD.replace(b"SKJ", b"BRK")))
    assert [fault.line for fault in done.faults] == [2, 3, 4]
    assert done.bad == 3


def test_when_they_parted_may_come_later_once(railway):
    load(file(GOOD, row()))
    (first, _), sides = stored()
    done = load(file(GOOD, row(parted="2026-11-24T05:50Z")), now=NOW + timedelta(days=1))
    assert (done.new, done.here, done.updated, done.written) == (0, 1, 1, True)
    assert done.earliest == datetime(2026, 11, 24, 5, 30, tzinfo=UTC)
    assert done.latest == datetime(2026, 11, 24, 5, 50, tzinfo=UTC)
    assert stored()[0][0] == first
    assert stored()[1] == sides
    told = Coupling.objects.get(source_ref="r2")
    assert (told.parted, told.received) == (datetime(2026, 11, 24, 5, 50, tzinfo=UTC), NOW)
    before = stored()
    assert load(file(GOOD, row())).here == 2, "the older file contradicts nothing"
    assert load(file(row(parted="2026-11-24T05:55Z"))).bad == 1
    assert stored() == before


def test_a_row_that_completes_and_contradicts_is_bad(railway):
    load(file(row()))
    done = load(file(row(parted="2026-11-24T05:50Z", place="BRK")))
    assert [fault.column for fault in done.faults] == ["parted", "place"]
    assert Coupling.objects.get().parted is None


def test_a_dry_run_says_the_same_and_writes_nothing(railway):
    load(file(row()))
    before = stored()
    data = file(GOOD, row(parted="2026-11-24T05:50Z"))
    dry = load(data, dry_run=True)
    assert not dry.written
    assert stored() == before
    wet = load(data)
    assert wet.written
    for field in ("read", "new", "here", "updated", "bad", "faults", "fault_count", "earliest", "latest", "ends"):
        assert getattr(dry, field) == getattr(wet, field), field


def test_names_of_the_day(railway):
    """Until June 201 A was what is 301 B now, and 301 B was not in use."""
    swapped = datetime(2026, 6, 1, tzinfo=UTC)
    former = [
        FormerName("201 A", railway.ends["301 B"].pk, swapped),
        FormerName("301 B", None, swapped),
        FormerName("777 A", railway.ends["401 A"].pk, swapped),
        FormerName("201 A", railway.ends["401 B"].pk, swapped - timedelta(days=365)),
    ]
    data = file(
        row(source_ref="oldest", at="2025-05-31T23:59:59Z"),
        row(source_ref="old", at="2026-05-31T23:59:59Z"),
        row(source_ref="new", at="2026-06-01T00:00:00Z"),
        row(source_ref="gone", at="2026-05-01T00:00Z", end_1="777 A"),
    )
    assert load(data, former=former).written
    sides = CouplingSide.objects.exclude(end=railway.ends["202 B"])
    assert {side.coupling.source_ref: str(side.end) for side in sides.select_related("coupling", "end__unit")} == {
        "oldest": "401 B",
        "old": "301 B",
        "new": "201 A",
        "gone": "401 A",
    }
    bad = file(row(end_1="777 A"), row(source_ref="r3", at="2026-05-01T00:00Z", end_1="301 B"))
    reasons = [fault.reason for fault in load(bad, former=former).faults]
    assert reasons == ["unit “777” had no end A on that day", "unit “301” had no end B on that day"]


def test_what_is_written_within_is_kept_or_lost_with_the_rows(railway):
    def fails(imported):
        assert Coupling.objects.count() == imported.new == 1
        raise RuntimeError("no")

    with pytest.raises(RuntimeError):
        load(file(GOOD), within=fails)
    assert not Coupling.objects.exists()
    told = []
    load(file(GOOD), within=told.append)
    load(file(GOOD), within=told.append)
    load(file(row()), within=told.append, dry_run=True)
    assert [imported.new for imported in told] == [1]


def test_rows_are_those_of_the_railway(db):
    """The couplings of the invented railway, through a file and back."""
    made = build(units=6, years=1, now=NOW, seed=1)
    *fleet, couplings, sides = made.tables()
    exchanged = made.changes[-1].at  # from then on the rows' names are no longer those of the day
    couplings, sides = ([row for row in rows if row.at < exchanged] for rows in (couplings, sides))
    for table in fleet:
        type(table[0]).objects.bulk_create(table)
    pairs = {one.coupling.pk: (one.end, other.end) for one, other in zip(sides[::2], sides[1::2], strict=True)}
    lines = [
        f"{c.source_ref},{c.at.isoformat()},{pairs[c.pk][0]},{pairs[c.pk][1]},{c.outcome},{c.stage},"
        f"{c.place.code},{c.parted.isoformat() if c.parted else ''}".encode()
        for c in couplings
    ]
    assert len(lines) > 800
    assert load(file(*lines), source="driver's record").new == len(lines)
    fields = ("at", "parted", "place_id", "stage", "outcome", "source", "source_ref")
    kept = sorted(Coupling.objects.values_list(*fields), key=lambda row: row[-1])
    assert kept == sorted([tuple(getattr(c, f) for f in fields) for c in couplings], key=lambda row: row[-1])
    kept = sorted(CouplingSide.objects.values_list("coupling__source_ref", "end_id", "at"))
    assert kept == sorted((side.coupling.source_ref, side.end_id, side.at) for side in sides)
    assert Coupling.objects.values("uuid").distinct().count() == len(lines)


def test_queries_grow_with_batches_and_not_with_rows(railway, django_assert_num_queries):
    data = many(1000)
    assert load(data).new == 1000
    before = stored()
    with django_assert_num_queries(2 + 2 * 2):
        assert load(data).here == 1000
    assert stored() == before
    writing = 4 if connection.vendor == "postgresql" else 6  # savepoint and release, two batches; SQLite's cache
    with django_assert_num_queries(2 + 2 * 2 + writing):
        assert load(many(1000, parted="2026-11-24T05:59Z")).updated == 1000


def test_progress_is_told(railway):
    told = []
    load(many(1200), progress=lambda step, rows: told.append((step, rows)))
    assert told == [
        ("read", 1000),
        ("read", 1200),
        *[("compared", rows) for rows in (500, 1000, 1200)],
        *[("written", rows) for rows in (500, 1000, 1200)],
    ]


def test_a_file_has_an_end(railway, monkeypatch):
    monkeypatch.setattr(coupling_rows, "MAX_LINES", 3)
    assert load(many(2)).written
    done = load(many(3))
    assert str(done.faults[0]) == "line 4: the file has more than 3 lines: split it"
    assert not done.written


class Endless:
    """100 MB without a line's end behind some first bytes; knows how much was asked of it."""

    def __init__(self, first):
        self.first, self.left, self.served = first, 100_000_000, 0

    def readline(self, limit):
        if self.first:
            line, _, self.first = self.first.partition(b"\n")
            return line + b"\n"
        given = min(limit, self.left)
        self.left -= given
        self.served += given
        return b"x" * given


@pytest.mark.parametrize(("first", "line"), [(b"", 1), (HEAD + b"\n", 2), (file(GOOD), 3)])
def test_a_line_of_100_mb_is_refused_at_once(railway, first, line):
    stream = Endless(first)
    load(file(GOOD), dry_run=True)
    tracemalloc.start()
    start = time.perf_counter()
    done = load(stream)
    seconds = time.perf_counter() - start
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert str(done.faults[0]) == f"line {line}: it is longer than {MAX_LINE} bytes, far more than a row"
    assert stream.served == MAX_LINE + 1
    assert seconds < 1
    assert peak < 1_000_000
    assert not Coupling.objects.exists()


def test_an_uploaded_file_is_read_as_it_comes(railway):
    assert load(SimpleUploadedFile("a.csv", file(GOOD))).new == 1
    with TemporaryUploadedFile("b.csv", "text/csv", 0, None) as upload:
        upload.write(file(GOOD, row()))
        upload.seek(0)
        done = load(upload)
    assert (done.new, done.here) == (1, 1)


def test_no_spoilt_file_stops_the_reader_or_is_written_in_part(railway):
    """Bytes of a good file changed, lost and doubled 300 times: each file is whole or refused."""
    random = Random(7)
    good = file(GOOD, *(row(source_ref=f"r{n}", at=f"2026-11-23T{n:02}:15Z") for n in range(3, 9)))
    refused = 0
    for _ in range(300):
        data = bytearray(good)
        for _ in range(random.randint(1, 3)):
            at = random.randrange(len(data))
            data[at : at + random.randint(0, 2)] = random.choice(
                [b"", b",", b'"', b"\n", b"\r", b"\0", b"\xff", b"=", b"9", random.randbytes(2)]
            )
        done = load(bytes(data), dry_run=True)
        assert done.new + done.bad >= done.read
        assert bool(done.faults) == bool(done.bad)
        refused += bool(done.bad)
    assert 150 < refused < 300


def test_overtaken_by_the_same_rows_it_changes_nothing(railway):
    """Another import of the file comes between comparing and writing."""
    told = []

    def meanwhile(step, rows):
        if step == "compared" and not told:
            told.append(load(file(GOOD, row())))

    done = load(file(GOOD, row()), progress=meanwhile)
    assert (told[0].new, told[0].written) == (2, True)
    assert (done.new, done.here, done.bad, done.written) == (0, 2, 0, False)
    assert Coupling.objects.count() == 2


def test_overtaken_by_other_rows_it_names_them(railway):
    def meanwhile(step, rows):
        if step == "compared" and not Coupling.objects.exists():
            load(file(row(place="BRK")))

    done = load(file(GOOD, row()), progress=meanwhile)
    assert (done.new, done.bad, done.written) == (1, 1, False)
    assert (done.faults[0].line, done.faults[0].column) == (3, "place")
    assert Coupling.objects.count() == 1


def test_overtaken_by_when_they_parted(railway):
    load(file(row()))
    said = iter(["2026-11-24T05:40Z"])

    def meanwhile(step, rows):
        for parted in said if step == "compared" else ():
            load(file(row(parted=parted)))

    done = load(file(GOOD, row(parted="2026-11-24T05:50Z")), progress=meanwhile)
    assert [fault.column for fault in done.faults] == ["parted"]
    assert Coupling.objects.get().parted == datetime(2026, 11, 24, 5, 40, tzinfo=UTC)


def test_what_the_database_refuses_for_good_is_raised(railway):
    """A constraint that no second look resolves."""

    def within(imported):
        Coupling.objects.create(
            uuid=uuid4(), at=NOW, source="recorder", source_ref=Coupling.objects.get().source_ref, received=NOW
        )

    with pytest.raises(IntegrityError):
        load(file(GOOD), within=within)
    assert not Coupling.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_four_imports_at_once_are_one(railway):
    data, together, results = many(600), Barrier(4), []

    def one():
        together.wait()
        try:
            results.append(load(data))
        finally:
            connection.close()

    threads = [Thread(target=one) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(done.new for done in results) == [0, 0, 0, 600]
    assert sorted(done.here for done in results) == [0, 600, 600, 600]
    assert (Coupling.objects.count(), CouplingSide.objects.count()) == (600, 1200)


@pytest.mark.skipif(connection.vendor != "sqlite", reason="readers never wait for writers elsewhere")
@pytest.mark.django_db(transaction=True)
def test_pages_are_read_while_many_rows_are_written(railway):
    def within(imported):
        other = sqlite3.connect(connection.settings_dict["NAME"], timeout=0)
        seen.append(other.execute("SELECT count(*) FROM fleet_coupling").fetchone()[0])
        other.close()

    seen = []
    assert load(many(6000), within=within).written
    assert seen == [0]
