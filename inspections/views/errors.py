"""Pages for what went wrong. None needs the database."""

from django.http import JsonResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache


def bad_request(request, exception=None):
    return render(request, "400.html", status=400)


def no_access(request, exception=None):
    return render(request, "403.html", status=403)


def not_found(request, exception=None):
    return render(request, "404.html", status=404)


@never_cache
def server_fault(request):
    return render(request, "500.html", status=500)


def csrf_failure(request, reason=""):
    """The token is stale: a page says so, the phone's scripts are told in JSON and fetch a new one."""
    if request.path.startswith("/phone/"):
        return JsonResponse({"error": "csrf", "words": ""}, status=403)
    return render(request, "403.html", {"form_expired": True}, status=403)
