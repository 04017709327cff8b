"""The head of control's pages stands on one line of a desk's screen, with nothing to scroll for."""

import pytest
from django.conf import settings

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
HEAD = """() => {
  const [head, nav, product] = ["header.top", ".nav ul", ".product"].map((one) => document.querySelector(one));
  return [head.offsetHeight < 2 * product.offsetHeight, nav.scrollWidth - nav.clientWidth];
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_head_is_one_line(cast, railway, client_of, chromium, live_server, scheme):
    cookie = client_of(cast.controller).cookies[settings.SESSION_COOKIE_NAME].value
    context = chromium.new_context(
        viewport={"width": 1280, "height": 800}, base_url=live_server.url, color_scheme=scheme
    )
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}])
    page = context.new_page()
    page.goto("/alerts/")
    assert page.evaluate(HEAD) == [True, 0]
    context.close()
