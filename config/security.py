"""Response headers every page carries, and how a refusal is logged."""

import logging

from django.conf import settings
from django.core.exceptions import PermissionDenied

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; "
    "object-src 'none'; frame-ancestors 'none'"
)
NO_PAGE = {"", "application/json", "application/manifest+json", "text/javascript"}  # "": 304, nothing new


class RefusalsInOneLine(logging.Filter):
    """A page refused to somebody is a line in the log, not a traceback: a real fault must not hide among them."""

    def filter(self, record):
        if record.exc_info and isinstance(record.exc_info[1], PermissionDenied):
            record.exc_info = None
        return True


def headers(get_response):
    """Middleware: strict CSP (nothing inline, no other host), Permissions-Policy, `no-store` by default."""

    def middleware(request):
        response = get_response(request)
        response.headers.setdefault("Cache-Control", "no-store")
        # A stylesheet or a script runs under the policy of its page, and JSON does not run: each goes without half a
        # kilobyte. The worker's script, which has no page, says its policy itself.
        kind = response.headers.get("Content-Type", "").partition(";")[0]
        if kind not in NO_PAGE and not request.path.startswith(settings.STATIC_URL):
            response.headers.setdefault("Content-Security-Policy", POLICY)
            response.headers.setdefault("Permissions-Policy", "camera=(self), geolocation=(), microphone=()")
        return response

    return middleware
