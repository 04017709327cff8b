"""What the phone's scripts speak with: JSON, never a redirect; and the worker and the shells they start from.

A shell is a page without a person: rendered for nobody, so that it may be cached. Facts come as JSON.
"""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import datetime
from functools import lru_cache, wraps
from hashlib import sha256
from uuid import UUID

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseNotModified, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from config.security import POLICY
from config.squeeze import plain, squeezed
from inspections import bodies, carried, grading, intake, pace, photos, receipts
from inspections.forms.questions import read_unit
from inspections.models import Submission
from inspections.permissions import may
from inspections.views import bundle, today
from inspections.views.bundle import script_of
from inspections.views.navigation import person_of
from inspections.views.reports import shell_context

RECEIPTS = 50
# What a report needs without signal comes first; the rest follows once that is there. The desk's are not kept.
FIRST = ("css/logbook.css", "icons/logbook.svg", "js/theme.js", "js/report.js")
LATER = ("js/ask.js", "js/couple.js", "js/coupling.js", "js/rules.js", "js/shell.js")


def spoken(act):
    """View decorator for the phone's addresses: 401 or 403 in JSON where a page would send to the sign-in."""

    def decorate(view):
        @login_not_required
        @wraps(view)
        def wrapped(request, *args, **kwargs):
            if not request.user.is_authenticated:
                return refusal(401, "sign in")
            if not may(request.user, act):
                return refusal(403, "not allowed", "You may not send reports. Tell control; it stays on this phone.")
            return view(request, *args, **kwargs)

        return wrapped

    return decorate


def refusal(status: int, error: str, words: str = "", **headers) -> JsonResponse:
    """An answer that nothing was taken, and why."""
    return JsonResponse({"error": error, "words": words}, status=status, headers=headers)


@require_safe
@spoken("report")
def session(request):
    """Who is signed in, the token that goes with what is sent, and the logbook's clock."""
    return JsonResponse(
        {"user": person_of(request.user), "csrf": get_token(request), "now": timezone.now().isoformat()}
    )


@require_safe
@squeezed(quality=6)
@spoken("see standing")
def facts(request):
    """What the phone needs for reporting without signal; 304 while it is still so."""
    now = timezone.now()
    etag = f'"{carried.etag(now)}"'
    if request.headers.get("If-None-Match", "").removeprefix("W/") == etag:
        return HttpResponseNotModified(headers={"ETag": etag})
    return JsonResponse(carried.packed(carried.facts(now)), headers={"ETag": etag})


@require_http_methods(["PUT"])
@spoken("report")
def put_report(request, uuid):
    """One report's words, under its own id. The answer is made after the commit."""
    now = timezone.now()
    wait = pace.wait(request.user.pk, "reports", 1, now)
    if wait:
        return slow_down(wait)
    raw = body_of(request, bodies.MAX_BYTES)
    if raw is None:
        return refusal(413, "too big", "This report is too long for the logbook. It stays on this phone.")
    if not arrived_whole(request, raw):
        return refusal(400, "damaged")
    why = not_meant(raw, uuid, request.user)
    if why:
        return why
    receipt = intake.receive(
        raw=raw, submitted_by=request.user, channel=Submission.Channel.PHONE, received=now, clock=clock_of(request)
    )
    if receipt.status == 201:
        remember_unit(request, raw)
    return JsonResponse(
        {
            "id": str(receipt.id),
            "sha256": receipt.sha256,
            "state": receipt.state,
            "refs": receipt.refs,
            "missing": [str(photo) for photo in receipt.missing],
            "words": receipt.words,
            "told": receipt.told,
        },
        status=receipt.status,
    )


def not_meant(raw: bytes, uuid: UUID, user) -> JsonResponse | None:
    """Why this body is not taken under this address from this person; what cannot be parsed among it."""
    try:
        data = bodies.read_json(raw)
        named = bodies.identity(data)
    except bodies.Unreadable as error:
        return refusal(400, "unreadable", f"We could not read this report: {error}. Keep it.")
    if named != uuid:
        return refusal(400, "unreadable", "This report came under the id of another one. Keep it.")
    if isinstance(data.get("author"), int) and data["author"] != user.pk:
        return refusal(403, "other person")
    return None


def remember_unit(request, raw: bytes) -> None:
    """The unit reported on is today's unit, on the pages as on the phone."""
    with suppress(ValidationError):
        today.remember(request, read_unit(str(bodies.read_json(raw).get("unit", ""))))


@require_http_methods(["PUT"])
@spoken("report")
def put_photo(request, owner, uuid):
    """One photo's bytes; the fault it belongs to may come later."""
    now = timezone.now()
    size = int(request.headers.get("Content-Length") or 0)
    wait = pace.wait(request.user.pk, "photos", 1, now) or pace.wait(request.user.pk, "bytes", size, now)
    if wait:
        return slow_down(wait)
    data = body_of(request, photos.MAX_BYTES)
    claimed = request.headers.get("X-Content-SHA256", "")
    try:
        receipt = photos.receive(
            uuid=uuid,
            owner=owner,
            data=data if data is not None else bytes(photos.MAX_BYTES + 1),
            claimed_sha256=claimed,
            by=request.user,
            now=now,
        )
    except OSError:
        return refusal(503, "no room", **{"Retry-After": "60"})
    if receipt.status in (400, 413):
        error = "too big" if receipt.status == 413 else "damaged"
        return refusal(receipt.status, error, receipt.words)
    answer = {"id": str(receipt.id), "sha256": receipt.sha256, "state": receipt.state, "words": receipt.words}
    return JsonResponse(answer, status=receipt.status)


def slow_down(seconds: int) -> JsonResponse:
    return refusal(429, "slow down", **{"Retry-After": str(seconds)})


def body_of(request, most: int) -> bytes | None:
    """The bytes sent, read as a stream; None where there are more than `most`."""
    if int(request.headers.get("Content-Length") or 0) > most:
        return None
    data = request.read(most + 1)
    return data if len(data) <= most else None


def arrived_whole(request, raw: bytes) -> bool:
    """True where the bytes have the digest the phone counted."""
    return sha256(raw).hexdigest() == request.headers.get("X-Content-SHA256", "").strip().lower()


def clock_of(request) -> datetime | None:
    """What the phone's clock showed when it sent this; None where it did not say."""
    return bodies.instant(request.headers.get("X-Phone-Now", ""))[0]


@require_safe
@spoken("report")
def what_became(request):
    """What became of reports of one's own: references, seen by control, photos that are not here."""
    wanted = [found for text in request.GET.getlist("id")[:RECEIPTS] if (found := as_uuid(text))]
    said = receipts.for_phone(wanted, request.user, grading.ruleset(), timezone.now())
    return JsonResponse({"receipts": said})


def as_uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def for_nobody(view):
    """View decorator: the page is rendered as for somebody who never signed in, whoever asks."""

    @login_not_required
    @wraps(view)
    def wrapped(request, *args, **kwargs):
        request.user = AnonymousUser()
        request.session.accessed = False  # by the middleware; the page does not vary with it
        del request._messages  # they are kept in the session, which a page for nobody must not open
        response = view(request, *args, **kwargs)
        response.headers["Cache-Control"] = "public, no-cache"
        return response

    return wrapped


@require_safe
@squeezed
@for_nobody
def shell(request):
    """The pages without signal, filled by static/js/shell.js from what the phone keeps."""
    return render(request, "phone/shell.html")


@require_safe
@squeezed
@for_nobody
def report_shell(request):
    """The report page for any unit."""
    return render(request, "pages/report.html", shell_context(timezone.now()))


@require_safe
@squeezed
@login_not_required
def worker(request):
    """The worker's script with the list of what it keeps; the version changes with any of it."""
    report, coupling, other = reverse("report-shell"), reverse("coupling-shell"), reverse("shell")
    shared = bundle.address("page-scripts")
    told = {
        "version": version(grading.ruleset().sha256),
        "scripts": shared,
        "first": [*(static(name) for name in FIRST), shared, bundle.address("late-scripts"), report],
        "later": [*(static(name) for name in LATER), other, coupling],
        "answers": {reverse("report"): report, reverse("coupling-new"): coupling},
        "other": other,
    }
    script = f"const SHELL = {json.dumps(told)};\n{plain('worker.js', script_of('js/worker.js')).decode()}"
    headers = {"Cache-Control": "no-cache", "Content-Security-Policy": POLICY}
    return HttpResponse(script, content_type=bundle.SCRIPT, headers=headers)


@lru_cache(maxsize=8)
def version(ruleset: str) -> str:
    """The digest of everything the worker keeps: files, shells, the ruleset the report shell asks by."""
    known = sha256(f"{ruleset} {settings.CONTROL_PHONE} {settings.OPERATOR}".encode())
    known.update(bundle.content("page-scripts") + bundle.content("late-scripts"))
    for name in (*FIRST, *LATER, "js/worker.js"):
        known.update(script_of(name))
    for file in sorted(settings.BASE_DIR.glob("templates/**/*.html")):
        known.update(file.read_bytes())
    known.update(render_to_string("pages/report.html", shell_context(timezone.now())).encode())
    return known.hexdigest()[:16]


@require_safe
@squeezed
@login_not_required
def manifest(request):
    """What makes the logbook installable."""
    icons = [
        {
            "src": static(f"icons/{name}-{size}.png"),
            "sizes": f"{size}x{size}",
            "type": "image/png",
            "purpose": purpose,
        }
        for name, purpose in (("logbook", "any"), ("logbook-full", "maskable"))
        for size in (192, 512)
    ]
    told = {
        "name": "Coupler Logbook",
        "short_name": "Couplers",
        "description": "Report coupler damage, also where there is no signal.",
        "id": "/",
        "start_url": reverse("start"),
        "scope": "/",
        "display": "standalone",
        "background_color": "#ffffff",
        "theme_color": "#0b4f5e",
        "lang": "en-GB",
        "icons": icons,
    }
    return JsonResponse(
        told, content_type="application/manifest+json", headers={"Cache-Control": "public, max-age=3600"}
    )
