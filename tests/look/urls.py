"""The addresses the page frame needs, so that these tests stand alone."""

from django.contrib.auth.decorators import login_not_required
from django.http import HttpResponse
from django.urls import path

from inspections.views import accounts, bundle, phone

urlpatterns = [
    path("", login_not_required(lambda request: HttpResponse("start")), name="start"),
    path("manifest.webmanifest", phone.manifest, name="manifest"),
    path("phone/page.js", bundle.scripts, {"bundle": "page-scripts"}, name="page-scripts"),
    path("sign-in/", accounts.sign_in, name="sign-in"),
    path("sign-out/", accounts.sign_out, name="sign-out"),
    path("password/", accounts.password, name="password"),
]
