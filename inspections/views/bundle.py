"""The report page's later scripts in one answer: on a slow link a dozen small files cost a third more."""

from functools import lru_cache
from hashlib import sha256

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_safe

from config.squeeze import squeezed

# In the order they need one another.
COMMENT = (b"//", b"/*", b"*")
NAMES = ("rules", "photo", "answers", "unit", "verdict", "draft", "body", "receipt")


def script_of(name: str) -> bytes:
    """A static file as it is in the project."""
    with open(finders.find(name), "rb") as file:
        return file.read()


@lru_cache(maxsize=1)
def content() -> bytes:
    """All of them, one after the other, without what only a reader of the project needs: comments and indents."""
    lines = (line.strip() for name in NAMES for line in script_of(f"js/{name}.js").splitlines())
    return b"\n".join(line for line in lines if line and not line.startswith(COMMENT))


def address() -> str:
    """Where they are; it changes with them, so that they may be kept for ever."""
    return f"{reverse('late-scripts')}?v={sha256(content()).hexdigest()[:12]}"


@require_safe
@squeezed
@login_not_required
def late(request):
    """The scripts themselves; whoever asks for another version gets this one, not to be kept."""
    request.session.accessed = False  # by the middleware; the answer does not vary with it
    current = request.get_full_path() == address()
    kept = "public, max-age=31536000, immutable" if current else "no-cache"
    return HttpResponse(content(), content_type="text/javascript; charset=utf-8", headers={"Cache-Control": kept})
