"""A manager sees who is signed in and ends a lost phone's sign-ins: that person's, all of them, nobody else's."""

from datetime import timedelta
from importlib import import_module

import pytest
from django.conf import settings
from django.contrib.auth.models import User
from django.contrib.sessions.backends.base import UpdateError
from django.contrib.sessions.models import Session
from django.db import DatabaseError, connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inspections import log, sign_ins
from inspections.models import LogEntry
from tests.conftest import PASSWORD
from tests.screens.desk import ESCAPED, HOSTILE

URL = "/people/"


def end(visitor, person):
    return visitor.post(f"/people/{person.pk}/end-sessions/")


def words(response):
    return " ".join(response.content.decode().split())


@pytest.fixture
def manager(client_of, cast):
    return client_of(cast.manager)


def ended():
    return [(e.subject, e.actor.username, e.data["count"]) for e in LogEntry.objects.filter(kind="sign-ins ended")]


def test_the_list_says_who_is_signed_in_how_often_and_until_when(manager, client_of, cast):
    for _ in range(2):
        client_of(cast.driver)
    response = manager.get(URL)
    counts = {row["person"].username: row["sign_ins"].count for row in response.context["rows"]}
    assert counts == {user.username: 0 for user in User.objects.all()} | {"driver1": 2, "manager1": 1}
    page = words(response)
    assert "2 sign-ins, the last runs out" in page
    assert '<td data-label="Does">Fitter and checker</td>' in page
    assert '<td data-label="Does">Nothing here yet</td>' in page  # the visitor
    assert "Never" in page


def test_the_last_of_them_is_the_one_that_is_named(manager, client_of, cast):
    client_of(cast.driver)
    own_phone = client_of(cast.driver).session
    own_phone.set_expiry(settings.OWN_PHONE_COOKIE_AGE)
    own_phone.save()
    known = sign_ins.of_everybody(timezone.now())[cast.driver.pk]
    assert known.count == 2
    assert known.until > timezone.now() + timedelta(days=29)


def test_ending_signs_that_person_out_everywhere_and_nobody_else(manager, client_of, cast):
    phone, shared, other = client_of(cast.driver), client_of(cast.driver), client_of(cast.other_driver)
    assert [visitor.get("/units/").status_code for visitor in (phone, shared, other)] == [200] * 3
    response = end(manager, cast.driver)
    assert (response.status_code, response.headers["Location"]) == (302, URL)
    for visitor in (phone, shared):
        answer = visitor.get("/units/")
        assert (answer.status_code, answer.headers["Location"]) == (302, "/sign-in/?next=/units/")
    assert other.get("/units/").status_code == 200
    assert "2 sign-ins of Driver 1 ended. What is not sent stays on the phone." in words(manager.get(URL))
    assert ended() == [(f"person:{cast.driver.pk}", "manager1", 2)]
    assert log.first_break() is None


def test_the_phone_is_told_to_sign_in_not_sent_to_a_page(manager, client_of, cast):
    phone = client_of(cast.driver)
    assert phone.get("/phone/session/").status_code == 200
    end(manager, cast.driver)
    answer = phone.get("/phone/session/")
    assert (answer.status_code, answer.json()["error"]) == (401, "sign in")
    answer = phone.put("/phone/reports/00000000-0000-0000-0000-000000000001/", b"{}")
    assert (answer.status_code, answer.json()["error"]) == (401, "sign in")


def test_the_person_can_sign_in_again(manager, client_of, client, cast):
    client_of(cast.driver)
    end(manager, cast.driver)
    answer = client.post("/sign-in/", {"username": "driver1", "password": PASSWORD})
    assert answer.status_code == 302
    assert client.get("/units/").status_code == 200


def test_a_second_press_changes_nothing(manager, client_of, cast):
    client_of(cast.driver)
    end(manager, cast.driver)
    head = log.head()
    assert end(manager, cast.driver).status_code == 302
    assert log.head() == head
    assert "Driver 1 was not signed in anywhere. Nothing was changed." in words(manager.get(URL))


def test_a_manager_may_end_their_own(manager, cast):
    response = end(manager, cast.manager)
    assert (response.status_code, response.headers["Location"]) == (302, "/sign-in/")
    assert manager.get(URL).status_code == 302
    assert manager.get("/sign-in/").status_code == 200
    assert ended() == [(f"person:{cast.manager.pk}", "manager1", 1)]


@pytest.mark.parametrize("who", ["driver", "fitter", "controller", "outsider"])
def test_nobody_else_sees_or_ends(client_of, cast, who):
    client_of(cast.other_driver)
    visitor = client_of(getattr(cast, who))
    assert visitor.get(URL).status_code == 403
    assert end(visitor, cast.other_driver).status_code == 403
    assert (sign_ins.of_everybody(timezone.now())[cast.other_driver.pk].count, ended()) == (1, [])


def test_reading_ends_nothing(manager, client_of, cast):
    client_of(cast.driver)
    for method in (manager.get, manager.head, manager.put, manager.delete):
        assert method(f"/people/{cast.driver.pk}/end-sessions/").status_code == 405
    manager.get(f"{URL}?end={cast.driver.pk}")
    assert (sign_ins.of_everybody(timezone.now())[cast.driver.pk].count, ended()) == (1, [])


def test_the_forms_token_is_needed(client_of, cast):
    client_of(cast.driver)
    assert end(client_of(cast.manager, enforce_csrf_checks=True), cast.driver).status_code == 403
    assert ended() == []


def test_who_is_not_there_is_not_found(manager):
    assert manager.post("/people/999999/end-sessions/").status_code == 404


def test_nothing_ends_where_the_log_cannot_say_so(manager, client_of, cast, monkeypatch):
    phone = client_of(cast.driver)

    def fail(**_):
        raise DatabaseError("disk I/O error")

    with monkeypatch.context() as broken:
        broken.setattr(log, "write", fail)
        with pytest.raises(DatabaseError):
            end(manager, cast.driver)
    assert phone.get("/units/").status_code == 200


def test_a_page_in_the_making_does_not_bring_the_sign_in_back(manager, client_of, cast):
    """The phone's request had read its session before it was deleted, and wants to write it after."""
    key = client_of(cast.driver).cookies[settings.SESSION_COOKIE_NAME].value
    engine = import_module(settings.SESSION_ENGINE)
    late = engine.SessionStore(key)
    late["depot"] = "BRK"
    end(manager, cast.driver)
    with pytest.raises(UpdateError):
        late.save()
    assert not Session.objects.filter(session_key=key).exists()


def test_sessions_that_ran_out_or_cannot_be_read_are_nobodys(manager, client_of, cast):
    old = client_of(cast.driver).session
    Session.objects.filter(session_key=old.session_key).update(expire_date=timezone.now() - timedelta(seconds=1))
    Session.objects.create(session_key="spoilt", session_data="x:y:z", expire_date=timezone.now() + timedelta(days=1))
    known = sign_ins.of_everybody(timezone.now())
    assert set(known) == {cast.manager.pk}
    assert manager.get(URL).status_code == 200
    assert Session.objects.filter(session_key="spoilt").exists()


def test_a_fixed_number_of_queries(manager, client_of, cast):
    def asked():
        with CaptureQueriesContext(connection) as queries:
            assert manager.get(URL).status_code == 200
        return len(queries)

    few = asked()
    for number in range(30):
        person = User.objects.create_user(f"many{number:02}", first_name=f"Many {number}")
        person.groups.set(cast.driver.groups.all())
        client_of(person)
    assert asked() == few


def test_a_person_is_found_by_a_part_of_the_name(manager):
    for number in range(60):
        User.objects.create_user(f"many{number:02}", first_name="Many", last_name=f"Person {number}")
    response = manager.get(URL)
    assert len(response.context["rows"]) == 50
    assert "Page 1 of 2" in words(response)
    names = [row["name"] for row in manager.get(URL, {"q": " person  7 many"}).context["rows"]]
    assert names == ["Many Person 17", "Many Person 27", "Many Person 37", "Many Person 47", "Many Person 57"] + [
        "Many Person 7"
    ]
    response = manager.get(URL, {"q": "many", "page": "2"})
    assert "?q=many&amp;page=1" in response.content.decode()
    assert "Nobody has such a name." in words(manager.get(URL, {"q": "zzz\0"}))


def test_names_are_only_text(manager, client_of, cast):
    User.objects.filter(pk=cast.driver.pk).update(first_name=HOSTILE)
    client_of(cast.driver)
    page = manager.get(URL, {"q": "<script>"}).content.decode()
    assert ESCAPED in page
    assert "<script>alert" not in page
    end(manager, cast.driver)
    assert "<script>alert" not in manager.get(URL).content.decode()


def test_who_was_switched_off_is_said(manager, client_of, cast):
    User.objects.filter(pk=cast.driver.pk).update(is_active=False)
    assert "driver1, switched off" in words(manager.get(URL))
