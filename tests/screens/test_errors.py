"""Pages for what went wrong read no database and say no internals."""

import logging

import pytest
from django.core.exceptions import PermissionDenied
from django.test import RequestFactory

from config.security import RefusalsInOneLine
from inspections.views import errors


@pytest.mark.parametrize(
    ("view", "status"),
    [
        (errors.bad_request, 400),
        (errors.no_access, 403),
        (errors.not_found, 404),
        (errors.server_fault, 500),
        (errors.csrf_failure, 403),
    ],
)
def test_error_pages_need_no_database(view, status):
    answer = view(RequestFactory().get("/somewhere/"))
    assert answer.status_code == status
    assert "Traceback" not in answer.content.decode()
    assert "<h1>" in answer.content.decode()


def test_a_broken_page_shows_the_500_page(cast, client_of, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("secret detail")

    monkeypatch.setattr("inspections.standing.of_units", broken)
    visitor = client_of(cast.controller)
    visitor.raise_request_exception = False
    answer = visitor.get("/units/")
    assert answer.status_code == 500
    assert "secret detail" not in answer.content.decode()


def test_unknown_address_and_no_role(cast, client_of):
    nowhere = client_of(cast.driver).get("/nowhere/")
    assert nowhere.status_code == 404
    assert "8 digits" not in nowhere.content.decode()
    assert client_of(cast.outsider).get("/units/").status_code == 403


def test_a_refusal_is_one_line_in_the_log():
    refusal = logging.LogRecord("django.request", logging.WARNING, "", 1, "Forbidden", (), None)
    refusal.exc_info = (PermissionDenied, PermissionDenied("x"), None)
    fault = logging.LogRecord("django.request", logging.ERROR, "", 1, "Fault", (), None)
    fault.exc_info = (RuntimeError, RuntimeError("x"), None)
    assert RefusalsInOneLine().filter(refusal)
    assert RefusalsInOneLine().filter(fault)
    assert refusal.exc_info is None
    assert fault.exc_info is not None
