"""The shift pack from the rows: its page, what is in it, its log, its progress; cards in hand that are old."""

from datetime import UTC, datetime, timedelta
from io import BytesIO

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from pypdf import PdfReader

from fleet.models import Place
from inspections import cards, deferring, labels, log, workflow, working
from inspections.handover import shift_at, shift_of
from inspections.models import Deferral, Finding, LogEntry, Visit
from inspections.rules.limits import Limits
from tests.screens.desk import HOSTILE, copies, finding_of, looked, planned

pytestmark = pytest.mark.django_db
HOST = "https://ovr.example"
LATE = {"depot": "BRK", "day": "2026-11-24", "shift": "late"}


@pytest.fixture
def job(cast, railway, report, now):
    """A finding of 201 planned at Brackwater for the late shift of the day."""

    def make(depot="BRK", **more):
        return planned(cast, railway, finding_of(report(cast.driver, **more)), now, depot=depot)

    return make


@pytest.fixture
def pack(railway, now):
    """What the pack of Brackwater's late shift says."""

    def make(at=now, shift=None):
        return cards.pack_of(railway.places["BRK"], shift or shift_of("late", now.date()), now=at, host=HOST)[0]

    return make


def words_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


def fresh(finding):
    return Finding.objects.get(pk=finding.pk)


def test_a_pack_holds_the_depots_jobs_and_a_card_for_each_end(job, cast, client_of):
    seal, hook, elsewhere = (
        job(),
        job(part="hook", symptom="hook-knock"),
        job(depot="ELM", unit="301"),
    )
    other = job(unit="202", end="B", note=HOSTILE)
    response = client_of(cast.fitter).post("/work/pack.pdf", LATE)
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == 'inline; filename="pack-BRK-2026-11-24-late.pdf"'
    text = words_of(response.content)
    for said in ("Brackwater. Late shift, 24 November 2026", "Unit 201, A end", "Unit 202, B end", "Open jobs: 3"):
        assert said in text, said
    for finding in (seal, hook, other):
        assert text.count(finding.spoken_ref) >= 2
    assert elsewhere.spoken_ref not in text
    assert "<script>alert(1)</script>" in text


def test_a_pack_and_its_cards_are_logged_once_each(job, cast, client_of, now):
    job()
    job(unit="202")
    client = client_of(cast.fitter)
    client.post("/work/pack.pdf", LATE)
    first = job(part="hook", symptom="hook-knock")
    client.post("/work/pack.pdf", LATE)
    prints = [e.data for e in LogEntry.objects.filter(kind="card printed", subject="unit:201").order_by("seq")]
    assert [(said["end"], said["card"]) for said in prints] == [("A", 1), ("A", 2)]
    assert first.ref in prints[1]["refs"]
    packs = [e.data for e in LogEntry.objects.filter(kind="pack printed", subject="depot:BRK").order_by("seq")]
    assert [(said["jobs"], said["cards"], said["bands"]) for said in packs] == [
        (2, 2, {"undesirable": 2}),
        (3, 2, {"undesirable": 2, "intolerable": 1}),
    ]
    assert (packs[0]["day"], packs[0]["shift"]) == ("2026-11-24", "late")
    assert log.first_break() is None


def test_counts_are_against_the_last_pack(job, cast, client_of, pack):
    job()
    assert (pack().before, {one.change for one in pack().counts}) == ("", {None})
    client_of(cast.fitter).post("/work/pack.pdf", LATE)
    job(part="hook", symptom="hook-knock")
    assert {one.band: (one.count, one.change) for one in pack().counts} == {
        "Not graded": (0, 0),
        "Intolerable": (1, 1),
        "Undesirable": (1, 0),
        "Tolerable": (0, 0),
        "Negligible": (0, 0),
    }
    assert pack().before


def test_what_is_not_graded_or_overdue_stands_first(job, pack, now):
    job()
    hook = job(part="hook", symptom="hook-knock")
    ungraded = job(unit="202")
    Finding.objects.filter(pk=ungraded.pk).update(worst=None, current_grade=None)
    made = pack()
    assert [one.reference for one in made.first] == [ungraded.ref, hook.ref]
    assert [one.category for one in made.jobs] == ["", "Intolerable", "Undesirable"]
    assert [one.due for one in made.jobs] == ["", "not to wait", "by 25 Nov 05:48"]
    tomorrow = pack(now + timedelta(days=2))
    assert [one.due for one in tomorrow.jobs][2] == "overdue since 25 Nov 05:48"
    assert len(tomorrow.first) == 3


def test_jobs_begun_say_how_they_were_left(job, cast, pack, now):
    seal, hook = job(), job(part="hook", symptom="hook-knock")
    seal = workflow.take(seal, version=seal.version, by=cast.fitter, now=now)
    working.put_back(
        seal, version=seal.version, by=cast.fitter, now=now, parts_off="The ring", isolated="MRP cock", key="14, me"
    )
    workflow.take(hook, version=hook.version, by=cast.fitter, now=now)
    left = {one.job.reference: one.left for one in pack().unfinished}
    assert left[hook.ref] == "In work."
    said = "Parts off: The ring; Isolated: MRP cock; Key: 14, me; put back 24 Nov 2026, 06:00 by Fitter 1"
    assert left[seal.ref] == f"{said}."
    (card,) = pack().cards
    assert next(row for row in card.findings if row.reference == seal.ref).left == said


def test_earlier_shifts_are_carried_over_and_later_ones_wait(job, pack, now):
    finding = job()
    (row,) = pack().jobs
    assert (row.since, row.state) == ("", "")
    (row,) = pack(shift=shift_of("night", now.date())).jobs
    assert row.since == "planned 24 Nov, late"
    assert pack(shift=shift_at(now)).jobs == ()
    assert finding.visit.since > now


def test_units_due_in_say_what_is_open_on_them(job, cast, report, pack):
    job()
    finding_of(report(cast.driver, part="hook", symptom="hook-knock"))
    assert pack().due_in == ("201, 24 Nov 14:00, road 3: 2 open, 1 of them not planned here, worst intolerable.",)


def test_a_finding_on_a_vehicle_of_another_unit_has_no_card_and_is_listed(job, railway, pack):
    finding = job()
    end = finding.end
    end.unit, end.letter = None, ""
    end.save()
    made = pack()
    assert made.cards == ()
    assert [(row.reference, row.card) for row in made.jobs] == [(finding.ref, -1)]


def test_the_page_says_how_much_there_is_and_how_long(job, cast, client_of):
    job()
    job(end="?", part="cover", symptom="cover-open")
    page = client_of(cast.fitter).get("/work/pack/?depot=BRK&day=2026-11-24&shift=late").content.decode()
    assert "2 jobs" in page
    assert "2 cards, about 1 second." in page
    assert 'value="2026-11-24"' in page and 'value="late"' in page


def test_an_empty_depot_is_said_on_the_page_and_on_paper(cast, railway, client_of):
    client = client_of(cast.fitter)
    page = client.get("/work/pack/?depot=ELM").content.decode()
    assert "No open jobs at this depot for this shift." in page
    text = words_of(client.post("/work/pack.pdf", {**LATE, "depot": "ELM"}).content)
    assert "No open jobs at this depot for this shift." in text


def test_no_depot_at_all_is_said(cast, client_of):
    assert not Place.objects.exists()
    assert "No depot is on our list yet." in client_of(cast.fitter).get("/work/pack/").content.decode()


@pytest.mark.parametrize(
    "changed",
    [{"depot": ""}, {"depot": "THO"}, {"shift": "noon"}, {"day": "2026-13-01"}, {"day": ""}, {"day": "9999-12-31"}],
)
def test_no_such_shift_or_depot_is_said_and_nothing_is_printed(job, cast, client_of, changed):
    job()
    response = client_of(cast.fitter).post("/work/pack.pdf", {**LATE, **changed}, follow=True)
    assert "Choose the depot and the shift" in response.content.decode()
    assert not LogEntry.objects.filter(kind__in=["pack printed", "card printed"]).exists()


def test_progress_is_told_line_by_line_before_the_pack(job, cast, client_of):
    job()
    job(unit="202")
    response = client_of(cast.fitter).post("/work/pack.pdf", {**LATE, "progress": "yes"})
    assert response.streaming and response["Content-Encoding"] == "identity"
    chunks = list(response.streaming_content)
    assert chunks[:4] == [b"1 4\n", b"2 4\n", b"3 4\n", b"4 4\n"]
    assert chunks[4] == f"pdf {len(chunks[5])}\n".encode()
    assert "Unit 202, A end" in words_of(chunks[5])


@pytest.mark.parametrize(("who", "status"), [("fitter", 200), ("controller", 200), ("manager", 403), ("driver", 403)])
def test_who_may_print_a_pack(job, cast, client_of, who, status):
    job()
    client = client_of(getattr(cast, who))
    assert client.post("/work/pack.pdf", LATE).status_code == status
    assert client.get("/work/pack/").status_code == status
    assert client.get("/work/pack.pdf").status_code == 405
    link = 'href="/work/pack/?depot=BRK"'
    assert (link in client.get("/work/?depot=BRK").content.decode()) == (status == 200)


def test_queries_do_not_grow_with_the_cards(job, railway, pack):
    first, second = job(), job(unit="202")
    job(end="B")  # neither end of 201 can be used: its assistance plan is asked for
    pack()
    counts = []
    for more in (0, 8):
        for row in copies(first, more, list(railway.ends.values())):
            visit = {"201": first.visit, "202": second.visit}.get(row.unit.number) or Visit.objects.create(
                unit=row.unit, depot=railway.places["BRK"], since=first.visit.since, shift="late"
            )
            Finding.objects.filter(ref=row.ref).update(visit=visit)
        with CaptureQueriesContext(connection) as found:
            made = pack()
        counts.append(len(found))
    assert len(made.cards) == 8
    assert counts[0] == counts[1]


# Cards in hand that no longer say what is known: what happened after the print -> whether it is old.
def more_seen(finding, cast, railway, report, now):
    report(cast.other_driver, kind="still there", of=finding.ref)


def restricted(finding, cast, railway, report, now):
    workflow.restrict(end=finding.end, unit=None, limits=Limits(rescue="no"), why="x", by=cast.controller, now=now)


def labelled(finding, cast, railway, report, now):
    labels.hang(
        number="417", end=finding.end, unit=None, shows="Do not couple", restriction=None, by=cast.fitter, now=now
    )


def isolated(finding, cast, railway, report, now):
    labels.isolate(kind="mrp-cock", end=finding.end, unit=None, where="cock 3", key="14", by=cast.fitter, now=now)


def another_fault(finding, cast, railway, report, now):
    planned(cast, railway, finding_of(report(cast.driver, part="hook", symptom="hook-knock")), now)


def planned_elsewhere(finding, cast, railway, report, now):
    workflow.plan(
        fresh(finding), version=fresh(finding).version, by=cast.controller, now=now, depot=railway.places["ELM"],
        since=now + timedelta(days=1), shift="early", road="",
    )  # fmt: skip


def left_half_done(finding, cast, railway, report, now):
    finding = workflow.take(fresh(finding), version=fresh(finding).version, by=cast.fitter, now=now)
    working.put_back(finding, version=finding.version, by=cast.fitter, now=now, parts_off="The ring")


def only_taken(finding, cast, railway, report, now):
    workflow.take(fresh(finding), version=fresh(finding).version, by=cast.fitter, now=now)


def other_end(finding, cast, railway, report, now):
    planned(cast, railway, finding_of(report(cast.driver, unit="202", end="B")), now)


@pytest.mark.parametrize(
    ("happens", "old"),
    [
        (more_seen, True),
        (restricted, True),
        (labelled, True),
        (isolated, True),
        (another_fault, True),
        (planned_elsewhere, True),
        (left_half_done, True),
        (only_taken, False),
        (other_end, False),
    ],
)
def test_a_printed_card_is_old_once_it_would_say_something_else(
    job, cast, railway, client_of, report, now, happens, old
):
    finding = job()
    client = client_of(cast.fitter)
    client.post(f"/visits/{finding.visit_id}/A/card.pdf")
    assert "The printed card is old." not in client.get("/work/?depot=BRK").content.decode()
    happens(finding, cast, railway, report, now)
    told = cards.last_prints([Finding.objects.select_related("unit", "visit").get(pk=finding.pk)], now)
    assert told[finding.pk].changed is old
    depot = Finding.objects.get(pk=finding.pk).visit.depot.code
    assert ("The printed card is old." in client.get(f"/work/?depot={depot}").content.decode()) == old
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert ("Print it again." in page) == old


def test_a_deferral_that_runs_out_makes_the_card_old(job, cast, now):
    finding = job()
    Deferral.objects.create(
        finding=finding,
        category=2,
        why="x",
        by=cast.controller,
        since=now,
        agreed=now,
        until=now + timedelta(hours=2),
    )
    cards.print_card(finding.visit, "A", by=cast.fitter, now=now, host=HOST)
    rows = Finding.objects.select_related("unit", "visit").filter(pk=finding.pk)
    assert not cards.last_prints(rows, now + timedelta(hours=1))[finding.pk].changed
    assert cards.last_prints(rows, now + timedelta(hours=3))[finding.pk].changed
    (left,) = deferring.all_left(now + timedelta(hours=3))
    assert left.why


def test_prints_of_many_findings_take_a_fixed_number_of_queries(job, cast, now):
    finding = job()
    cards.print_card(finding.visit, "A", by=cast.fitter, now=now, host=HOST)
    counts = []
    for more in (0, 20):
        copies(finding, more)
        rows = list(Finding.objects.filter(visit=finding.visit).select_related("unit", "visit"))
        with CaptureQueriesContext(connection) as found:
            told = cards.last_prints(rows, now)
        counts.append(len(found))
    assert counts[0] == counts[1]
    assert list(told) == [finding.pk], "only those that were printed"
    assert told[finding.pk].changed


def test_nothing_printed_costs_one_query(job, now, django_assert_num_queries):
    finding = Finding.objects.select_related("unit", "visit").get(pk=job().pk)
    with django_assert_num_queries(1):
        assert cards.last_prints([finding], now) == {}


def test_where_limits_come_from_labels_deferral_repeat_and_missing_plan(job, cast, railway, report, now):
    finding = job()
    looked(cast, finding_of(report(cast.driver, end="B")), now)
    row = workflow.restrict(
        end=finding.end, unit=None, limits=Limits(couple="not", rescue="no"), why="x", by=cast.controller, now=now
    )
    labels.hang(
        number="417", end=finding.end, unit=None, shows="Do not couple.", restriction=row, by=cast.fitter, now=now
    )
    labels.isolate(kind="mrp-cock", end=finding.end, unit=None, where="cock 3", key="14", by=cast.fitter, now=now)
    Deferral.objects.create(
        finding=finding, category=2, why="x", interim="looked at daily", by=cast.controller, since=now, agreed=now,
        until=datetime(2026, 11, 25, 6, 0, tzinfo=UTC), events=["next-coupling"],
    )  # fmt: skip
    card = cards.card_of(finding.visit, "A", now=now, host=HOST).card
    sources = {limit.what: limit.sources for limit in card.limits}
    assert sources["Do not couple at this end"] == (
        f"report {finding.spoken_ref}",
        "restriction 24 Nov 2026, label 417",
    )
    assert card.labels == ("417 at the A end: Do not couple",)
    (isolation,) = [one for one in card.isolations if one.since]
    assert (isolation.key, isolation.since) == ("14", "cock 3, 24 Nov 2026, 06:00, Fitter 1")
    (told,) = card.findings
    assert told.deferral.startswith("until 25 Nov 2026, 06:00, or ")
    assert "in the meantime looked at daily" in told.deferral
    assert card.warning.startswith("No assistance plan, and neither end can be used")
    again = job()
    repeats = {row.reference: row.repeat for row in cards.card_of(again.visit, "A", now=now, host=HOST).card.findings}
    assert repeats[again.ref] == "2nd in 28 days on this part of this end"
