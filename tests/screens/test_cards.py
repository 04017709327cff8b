"""The work card from the rows: its content for one and three findings, its version, the log of its printing."""

from datetime import UTC, datetime
from hashlib import sha256
from io import BytesIO
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from PIL import Image
from pypdf import PdfReader

from fleet.models import Coupling, CouplingSide
from inspections import cards, log, photos, workflow
from inspections.models import LogEntry, Observation, Photo, Visit
from inspections.reports.work_card import CardLimit
from inspections.rules.limits import Limits
from tests.conftest import PASSWORD
from tests.screens.desk import HOSTILE, copies, entries, finding_of, later, planned, taken

pytestmark = pytest.mark.django_db
HOST = "HTTPS://OVR.EXAMPLE"


@pytest.fixture
def job(cast, railway, report, now):
    """A finding of 201 planned at Brackwater."""

    def make(**more):
        return planned(cast, railway, finding_of(report(cast.driver, **more)), now)

    return make


def made(finding, now, letter="A"):
    return cards.card_of(finding.visit, letter, now=now, host=HOST).card


def text_of(response):
    """The words of a PDF, spaces and line ends alike."""
    pages = PdfReader(BytesIO(response.content)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_a_card_of_one_finding(job, cast, client_of):
    finding = job(note="Bit of rubber hanging out.", place="THO")
    response = client_of(cast.fitter).post(f"/visits/{finding.visit_id}/A/card.pdf")
    assert response.status_code == 200
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == 'inline; filename="card-201-A.pdf"'
    text = text_of(response)
    for said in (
        finding.spoken_ref,
        "5 Upper air seal",
        "The rubber is torn or has a flap",
        "Undesirable",
        "Thornhope",
        "Driver 1",
        "Bit of rubber hanging out.",
        "Brackwater, road 3, 24 November 2026, late shift",
        "Fit a new seal ring, no grease.",
        "at most 0.2 bar",
        "Seal ring",
        "Leak test gauge",
        "version 1",
    ):
        assert said in text, said


def test_the_values_of_the_card(job, railway, cast, now):
    finding = job()
    workflow.restrict(
        end=railway.ends["201 A"], unit=None, limits=Limits(rescue="no"), why="x", by=cast.controller, now=now
    )
    card = made(finding, now)
    assert (card.unit, card.end, card.drawing, card.version) == ("201", "A", "P", 1)
    assert card.link == f"HTTPS://OVR.EXAMPLE/F/{finding.ref}"
    assert card.limits == (
        CardLimit("Do not couple at this end", (f"report {finding.spoken_ref}",)),
        CardLimit("Do not rely on this end for rescue", ("restriction 24 Nov 2026, no label",)),
    )
    assert card.printed.utcoffset() is not None
    (row,) = card.findings
    assert (row.reference, row.slot, row.category) == (finding.ref, "air-upper", "Undesirable")
    assert row.limits == ("Do not couple at this end",)
    assert row.examine_by.isoformat() == "2026-11-25T05:48:00+00:00"
    assert [test.limit for test in row.tests] == ["passed or failed", "at most 0.2 bar in 5 min"]
    assert row.steps[0].warning == "Air stays in cylinder and hose after the cock is shut"
    assert row.steps[1].write == "Scoring (mm)"
    assert (row.parts, row.tools, row.photo() or b"", row.check) == (
        ("Seal ring",),
        ("Soap solution", "Leak test gauge"),
        b"",
        "",
    )
    assert any("fingers" in c or "Vent it" in c for c in card.cautions)
    assert not any("Use the phone only" in c for c in card.cautions), "a driver's caution"


def test_a_card_of_three_findings_one_with_its_end_not_known(job, cast, client_of, now):
    seal, hook, unknown = (
        job(),
        job(part="hook", symptom="hook-knock"),
        job(end="?", part="cover", symptom="cover-open"),
    )
    other_end = job(end="B")
    assert len({f.visit_id for f in (seal, hook, unknown, other_end)}) == 1
    text = text_of(client_of(cast.controller).post(f"/visits/{seal.visit_id}/A/card.pdf"))
    for finding in (seal, hook, unknown):
        assert finding.spoken_ref in text
    assert other_end.spoken_ref not in text
    card = made(seal, now)
    assert [row.reference for row in card.findings][0] == hook.ref, "worst first"
    assert {row.reference for row in made(seal, now, "B").findings} == {unknown.ref, other_end.ref}
    lead = next(row for row in card.findings if row.reference == hook.ref)
    assert lead.steps[0].do.startswith("Find out which it is: ")
    assert "lock gauge" in lead.check
    assert (lead.examine_by, lead.limits[0]) == (None, "Not to wait")


def test_isolations_past_work_and_mates(job, cast, railway, client_of, now, report):
    first = taken(cast, railway, finding_of(report(cast.driver, symptom="seal-missing")), now)
    posted = entries(first, found="seal-missing", action="Seal refitted", **{"test-brake-continuity": "yes"})
    client_of(cast.fitter).post(f"/findings/{first.ref}/close/", {**posted, "step": "sign", "password": PASSWORD})
    coupling = Coupling.objects.create(
        uuid=uuid4(), at=datetime(2026, 11, 20, 7, 0, tzinfo=UTC), source="t", source_ref="1", received=now
    )
    for end in ("201 A", "301 B"):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[end], at=coupling.at)
    card = made(job(symptom="seal-missing"), now)
    assert [i.what for i in card.isolations] == [
        "Main reservoir cock to be shut as a recorded, labelled isolation, with a continuity test both ways"
    ]
    assert card.mates == ("301 B, 20 Nov 2026",)
    assert len(card.findings[0].past) == 1
    assert card.findings[0].past[0].endswith(": Seal refitted at Brackwater")


def test_the_photo_of_the_finding_is_on_its_card(job, cast, now):
    finding = job()
    out = BytesIO()
    Image.new("RGB", (64, 48), (120, 90, 60)).save(out, "JPEG")
    photos.receive(
        uuid=uuid4(),
        owner=Observation.objects.get().uuid,
        data=out.getvalue(),
        claimed_sha256=sha256(out.getvalue()).hexdigest(),
        by=cast.driver,
        now=now,
    )
    (row,) = made(finding, now).findings
    assert Image.open(BytesIO(row.photo())).size == (64, 48)


def test_a_photo_whose_file_is_missing_leaves_the_outline(job, cast, client_of, now):
    finding = job()
    Photo.objects.create(
        uuid=uuid4(), owner=Observation.objects.get().uuid, sha256_received="0" * 64, sha256_stored="0" * 64,
        state="stored", by=cast.driver, received=now,
    )  # fmt: skip
    (row,) = made(finding, now).findings
    assert row.photo() is None
    response = client_of(cast.fitter).post(f"/visits/{finding.visit_id}/A/card.pdf")
    assert "Seen facing the end" in text_of(response)


def test_hostile_words_are_printed_as_words(job, cast, client_of):
    finding = job(note=HOSTILE)
    response = client_of(cast.fitter).post(f"/visits/{finding.visit_id}/A/card.pdf")
    assert "<script>alert(1)</script>" in text_of(response)


def test_each_print_is_logged_and_the_version_counts_changes(job, cast, client_of, now):
    finding = job()
    client = client_of(cast.fitter)
    url = f"/visits/{finding.visit_id}/A/card.pdf"
    for _ in range(2):
        assert "version 1" in text_of(client.post(url))
    workflow.raise_category(finding, version=finding.version, by=cast.controller, now=now, to=3, why="Hangs.")
    assert "version 2" in text_of(client.post(url))
    prints = [
        entry.data for entry in LogEntry.objects.filter(subject="unit:201", kind="card printed").order_by("seq")
    ]
    assert [entry["card"] for entry in prints] == [1, 1, 2]
    assert prints[0]["refs"] == {finding.ref: finding.version}
    assert (prints[0]["visit"], prints[0]["end"]) == (finding.visit_id, "A")
    assert LogEntry.objects.filter(kind="card printed").first().actor == cast.fitter
    assert log.first_break() is None


def test_the_finding_says_when_its_card_is_out_of_date(job, cast, client_of, report, now):
    finding = job()
    client = client_of(cast.fitter)
    client.post(f"/visits/{finding.visit_id}/A/card.pdf")
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "Card version 1 was printed" in page
    assert "Work card printed, version 1, by you" in page
    report(cast.other_driver, kind="still there", of=finding.ref)
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "This changed after card version 1 was printed. Print it again." in page


@pytest.mark.parametrize(
    ("who", "status"), [("fitter", 200), ("controller", 200), ("manager", 403), ("driver", 403), ("outsider", 403)]
)
def test_who_may_print(job, cast, client_of, who, status):
    finding = job()
    url = f"/visits/{finding.visit_id}/A/card.pdf"
    assert client_of(getattr(cast, who)).post(url).status_code == status
    assert LogEntry.objects.filter(kind="card printed").count() == (status == 200)
    assert client_of(getattr(cast, who)).get(url).status_code == 405


def test_nothing_to_print_is_404_and_logs_nothing(job, cast, client_of):
    finding = job()
    client = client_of(cast.fitter)
    for url in (f"/visits/{finding.visit_id}/B/card.pdf", "/visits/999/A/card.pdf"):
        assert client.post(url).status_code == 404
    assert not LogEntry.objects.filter(kind="card printed").exists()


def test_queries_do_not_grow_with_the_findings(job, cast, now):
    finding = job()
    visit = Visit.objects.select_related("unit", "depot").get(pk=finding.visit_id)
    made(finding, now)
    counts = []
    for more in (0, 11):
        copies(finding, more)
        with CaptureQueriesContext(connection) as found:
            card = cards.card_of(visit, "A", now=later(now, hours=1), host=HOST).card
        counts.append(len(found))
    assert len(card.findings) == 12
    # Mates are looked for where a mode asks for them: the same two queries whatever the number.
    assert counts[1] == counts[0]
