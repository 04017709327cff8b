"""What is left out of scripts and styles on their way to a phone; what their answers say about themselves."""

import pytest
from django.conf import settings
from django.urls import reverse

from config.security import POLICY
from config.squeeze import plain
from inspections.views import bundle

JS = sorted(settings.BASE_DIR.glob("static/js/*.js"))
CSS = settings.BASE_DIR / "static/css/logbook.css"

# name, as people read it, as it goes out
LINES = [
    ("a.js", "// why\nlet a = 1;\n\n  let b = 2; // why not\n", "let a = 1;\nlet b = 2;"),
    ("a.js", "/* One\n * two. */\nlet a = 1;\n  /* ---- three ---- */\n  a += 1;", "let a = 1;\na += 1;"),
    ("a.js", 'const a = "http://b/c";', 'const a = "http://b/c";'),
    ("a.js", 'const a = "b // c";', 'const a = "b // c";'),
    ("a.js", "const a = `b // c`; // why", "const a = `b // c`;"),
    ("a.js", "const a = b /* c */ + d;", "const a = b /* c */ + d;"),
    ("a.js", "const a = b.match(/[/]/);", "const a = b.match(/[/]/);"),
    ("a.css", "/* One\n two */\na { b: c; } /* three */\n  d { e: f; }", "a { b: c; }\nd { e: f; }"),
    ("a.svg", "<!-- a --> <b/>", "<!-- a --> <b/>"),
]


@pytest.mark.parametrize(("name", "read", "sent"), LINES)
def test_comments_and_indents_stay_here(name, read, sent):
    assert plain(name, read.encode()) == sent.encode()


def test_no_text_in_a_script_goes_over_several_lines():
    """`plain` could change it."""
    for path in JS:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            assert line.lstrip().startswith("//") or not line.count("`") % 2, (path.name, number)


@pytest.fixture(scope="module")
def blank(chromium):
    page = chromium.new_page()
    yield page
    page.close()


@pytest.mark.parametrize("path", JS, ids=lambda path: path.stem)
def test_what_is_sent_of_a_script_is_the_same_script(blank, path):
    """The browser reads both, and most of it is left."""
    source = path.read_bytes()
    sent = plain(path.name, source)
    assert len(sent) > len(source) * 0.3
    blank.evaluate("(texts) => texts.forEach((text) => new Function(text))", [source.decode(), sent.decode()])


def test_what_is_sent_of_the_styles_are_the_same_rules(blank):
    count = """(text) => {
      const sheet = new CSSStyleSheet();
      sheet.replaceSync(text);
      return [...sheet.cssRules].map((rule) => rule.cssText);
    }"""
    source = CSS.read_bytes()
    assert blank.evaluate(count, plain(CSS.name, source).decode()) == blank.evaluate(count, source.decode())


@pytest.mark.parametrize("name", ["page-scripts", "late-scripts"])
def test_scripts_in_one_answer_may_be_kept_for_ever(client, db, name):
    answer = client.get(bundle.address(name))
    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    assert client.get(reverse(name)).headers["Cache-Control"] == "no-cache"
    again = client.get(bundle.address(name), headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.headers["Cache-Control"]) == (304, answer.headers["Cache-Control"])
    assert "Set-Cookie" not in answer.headers
    assert "Cookie" not in answer.headers["Vary"]


@pytest.mark.parametrize(
    ("name", "policy"),
    [("sign-in", POLICY), ("worker", POLICY), ("shell", POLICY), ("page-scripts", None), ("session", None)],
)
def test_what_can_run_by_itself_says_what_it_may_do(client, db, name, policy):
    assert client.get(reverse(name)).headers.get("Content-Security-Policy") == policy
