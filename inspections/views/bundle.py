"""Scripts in two answers instead of a dozen: on a slow link small files cost a third more.

The project's files are read once: start the server anew after a change.
"""

from functools import lru_cache
from hashlib import sha256

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.http import HttpResponse
from django.urls import reverse
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_safe

from config.squeeze import plain, squeezed

SCRIPT = "text/javascript; charset=utf-8"
# In the order they need one another. The worker runs the first two as well, and has no page.
SHARED = ("store", "outbox")
PAGE = ("phone", "fields", "focus")
LATE = ("rules", "photo", "answers", "unit", "verdict", "draft", "body", "receipt")


def script_of(name: str) -> bytes:
    """A static file as it is in the project."""
    with open(finders.find(name), "rb") as file:
        return file.read()


def joined(names: tuple[str, ...]) -> bytes:
    return b"\n".join(plain(f"{name}.js", script_of(f"js/{name}.js")) for name in names)


@lru_cache(maxsize=2)
def content(bundle: str) -> bytes:
    """The scripts of "page-scripts" (every page has them, and the worker) or "late-scripts" (the report page)."""
    if bundle == "late-scripts":
        return joined(LATE)
    return b"%s\nif (self.document) {\n%s\n}" % (joined(SHARED), joined(PAGE))


@lru_cache(maxsize=2)
def version(bundle: str) -> str:
    return sha256(content(bundle)).hexdigest()[:12]


def address(bundle: str) -> str:
    """Where they are; it changes with them, so that they may be kept for ever."""
    return f"{reverse(bundle)}?v={version(bundle)}"


@require_safe
@squeezed
@login_not_required
def scripts(request, bundle):
    """The scripts themselves; whoever asks for another version gets this one, not to be kept."""
    request.session.accessed = False  # by the middleware; the answer does not vary with it
    current = request.get_full_path() == address(bundle)
    kept = "public, max-age=31536000, immutable" if current else "no-cache"
    tag = f'W/"{version(bundle)}"'  # a browser that has them asks again before its worker runs them
    answer = HttpResponse(content(bundle), content_type=SCRIPT, headers={"Cache-Control": kept, "ETag": tag})
    return get_conditional_response(request, etag=tag, response=answer)
