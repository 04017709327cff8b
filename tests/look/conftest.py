"""Opens sample pages in the browser with the real stylesheet, scripts and content policy."""

from mimetypes import guess_type

import pytest
from django.conf import settings

from config.security import POLICY
from inspections.views import bundle

ORIGIN = "http://look.invalid"


@pytest.fixture(autouse=True)
def frame_only(settings, tmp_path):
    """Only the addresses of the page frame, and no collected static files."""
    settings.ROOT_URLCONF = "tests.look.urls"
    settings.STATIC_ROOT = tmp_path


@pytest.fixture
def look(chromium):
    """look(html, width=360, height=640, night=False, **context options) gives the opened page.

    Everything the browser refuses under the content policy, and every script error, fails the test.
    """
    contexts, faults = [], []

    def open_page(html, *, width=360, height=640, night=False, theme="", **options):
        scheme = "dark" if night else "light"
        opened = chromium.new_context(viewport={"width": width, "height": height}, color_scheme=scheme, **options)
        contexts.append(opened)
        opened.set_default_timeout(5000)
        page = opened.new_page()
        page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.route("**/*", lambda route: answer(route, html))
        if theme:
            page.add_init_script(f"localStorage.setItem('theme', '{theme}')")
        page.goto(ORIGIN + "/")
        return page

    yield open_page
    for opened in contexts:
        opened.close()
    assert not faults, faults


def answer(route, html):
    """Static files from the project's folder; the sample for every other address."""
    path = route.request.url.removeprefix(ORIGIN)
    if path.startswith("/static/"):
        file = settings.BASE_DIR / path.lstrip("/")
        route.fulfill(body=file.read_bytes(), content_type=guess_type(file.name)[0])
    elif path.startswith("/phone/page.js"):
        # Nothing can be kept or sent here: the script that says so would add its line to every picture.
        route.fulfill(body=bundle.joined(("fields", "focus")), content_type=bundle.SCRIPT)
    else:
        route.fulfill(body=html, content_type="text/html; charset=utf-8", headers={"Content-Security-Policy": POLICY})
