"""The outbox alone, in a real browser: what it keeps, what it sends, what it forgets."""

import base64
import hashlib
import io

import pytest
from PIL import Image

from inspections import workflow
from inspections.models import Finding, Photo, Submission
from tests.conftest import body, uuid_of

pytestmark = pytest.mark.browser


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A page of a signed-in driver; the worker is not needed here."""
    browser_page.add_init_script("delete Navigator.prototype.serviceWorker")
    sign_in(browser_page, cast.driver)
    browser_page.goto("/reports/")
    browser_page.wait_for_function("() => self.lastRun")
    return browser_page


def picture(colour="red"):
    out = io.BytesIO()
    Image.new("RGB", (60, 40), colour).save(out, "JPEG")
    return out.getvalue()


def save(page, author, key="1", photos=()):
    """Save a report with these photos on the phone; it is not sent yet."""
    told = body(author, key=key, photos=[str(uuid_of("photo", key, n)) for n in range(len(photos))])
    return page.evaluate(
        """async ([body, photos]) => {
          const rows = photos.map((data, n) => ({
            id: body.faults[0].photos[n], owner: body.faults[0].id, type: "image/jpeg",
            bytes: new Uint8Array(data).buffer,
          }));
          await Outbox.save({ id: body.id, body, photos: rows, about: { unit: body.unit } });
          return body.id;
        }""",
        [told, [list(data) for data in photos]],
    )


def mine(page):
    return page.evaluate("Outbox.mine()")


def test_words_and_photos_arrive_once_and_are_kept_a_week(page, cast):
    uuid = save(page, cast.driver, photos=[picture(), picture("blue")])
    assert [(row["state"], row["photos"]["all"]) for row in mine(page)] == [("queued", 2)]
    assert page.evaluate("Outbox.run()") == "done"
    assert page.evaluate("Outbox.run()") == "done"
    (row,) = mine(page)
    assert (row["id"], row["state"], row["photos"]) == (uuid, "received", {"all": 2, "sent": 2, "attention": 0})
    assert row["refs"] == [Finding.objects.get().ref]
    assert row["told"]["A"]["now"] == "U"
    assert Submission.objects.get().sha256 == row["sha256"]
    stored = set(Photo.objects.values_list("sha256_received", flat=True))
    assert stored == {hashlib.sha256(picture(colour)).hexdigest() for colour in ("red", "blue")}
    page.evaluate(
        """(id) => Store.change("reports", id, (row) => ({ ...row, received: Date.now() - 8 * 24 * 3600e3 }))""", uuid
    )
    page.evaluate("Outbox.run()")
    assert mine(page) == []
    assert page.evaluate("Store.all('photos')") == []


def test_saving_twice_is_one_report(page, cast):
    save(page, cast.driver)
    save(page, cast.driver)
    page.evaluate("Promise.all([Outbox.run(), Outbox.run(), Outbox.run()])")
    assert len(mine(page)) == Submission.objects.count() == 1


def test_seen_by_control_comes_back(page, cast, now):
    save(page, cast.driver)
    page.evaluate("Outbox.run()")
    assert mine(page)[0]["seen"] is None
    workflow.look(Finding.objects.get(), version=1, by=cast.controller, now=now)
    page.evaluate("Outbox.run()")
    (row,) = mine(page)
    assert row["seen"] == now.isoformat()
    assert row["states"][0].startswith("Seen by control")


def test_a_photo_the_logbook_lost_is_offered_again(page, cast):
    save(page, cast.driver, photos=[picture()])
    page.evaluate("Outbox.run()")
    Photo.objects.all().delete()
    page.evaluate("Outbox.run()")
    assert mine(page)[0]["photos"]["sent"] == 0
    page.evaluate("Outbox.run()")
    assert Photo.objects.get().state == "stored"
    assert mine(page)[0]["photos"]["sent"] == 1


def test_another_persons_reports_are_neither_shown_nor_sent(page, cast, sign_in):
    save(page, cast.driver)
    sign_in(page, cast.other_driver)
    page.goto("/reports/")
    page.wait_for_function("() => self.lastRun")
    assert mine(page) == []
    assert page.evaluate("Outbox.others()") == 1
    assert "1 report of another person waits on this phone." in page.inner_text("#phone-strip")
    assert not Submission.objects.exists()
    sign_in(page, cast.driver)
    page.goto("/reports/")
    page.wait_for_function("() => self.lastRun?.outcome === 'done'")
    assert Submission.objects.get().author == cast.driver


def test_a_change_of_person_in_another_tab_sends_nothing(page, cast, sign_in):
    page.evaluate("Outbox.run()")
    save(page, cast.driver, key="0")
    page.evaluate("Outbox.run()")
    save(page, cast.driver)
    sign_in(page, cast.other_driver)
    assert page.evaluate("Outbox.run()") != "done"
    assert Submission.objects.count() == 1


def test_signing_out_forgets_facts_and_keeps_what_is_not_sent(page, cast):
    page.evaluate("Outbox.refresh(true)")
    save(page, cast.driver, key="sent")
    page.evaluate("Outbox.run()")
    save(page, cast.driver, key="kept", photos=[picture()])
    page.evaluate("Outbox.forget()")
    assert page.evaluate("Store.all('facts')") == []
    assert page.evaluate("Outbox.person()") is None
    assert [row["id"] for row in page.evaluate("Store.all('reports')")] == [str(uuid_of("report", "kept"))]
    assert len(page.evaluate("Store.all('photos')")) == 1


def test_the_hand_over_file_holds_all_that_is_not_sent(page, cast):
    save(page, cast.driver, photos=[picture()])
    told = page.evaluate("Outbox.handOver().then((file) => file.text()).then(JSON.parse)")
    assert (told["v"], told["from"], len(told["reports"])) == (1, cast.driver.pk, 1)
    (report,) = told["reports"]
    raw = base64.b64decode(report["body"])
    assert hashlib.sha256(raw).hexdigest() == report["sha256"]
    assert base64.b64decode(report["photos"][0]["data"]) == picture()
