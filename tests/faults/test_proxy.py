"""The proxy itself, against a tiny server: each fault does what its name says, and nothing else happens."""

import http.client
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from tests.faults.proxy import PORTS, FaultProxy, Link, listen

LOST = (ConnectionError, http.client.HTTPException, TimeoutError)


class Tiny(BaseHTTPRequestHandler):
    """Says what it was asked; remembers what it was given, also when it was less than promised."""

    protocol_version = "HTTP/1.1"

    def do_GET(self):
        self.answer()

    def do_PUT(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.given.append((self.path, body, int(self.headers["Content-Length"]) == len(body)))
        self.answer()

    def answer(self):
        said = f"{self.command} {self.path}".encode()
        self.send_response(201 if self.command == "PUT" else 200)
        self.send_header("Content-Length", str(len(said)))
        self.end_headers()
        self.wfile.write(said)

    def log_message(self, *_):
        pass


@pytest.fixture
def tiny():
    server = ThreadingHTTPServer(("127.0.0.1", 0), Tiny)
    server.daemon_threads, server.given = True, []
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
    yield server
    server.shutdown()
    server.server_close()


@pytest.fixture
def proxy_of(tiny):
    made = []

    def make(**options):
        made.append(FaultProxy(tiny.server_address, **options))
        return made[-1]

    yield make
    for proxy in made:
        proxy.close()


@pytest.fixture
def proxy(proxy_of):
    return proxy_of()


def ask(proxy, method="GET", path="/", body=None, *, timeout=5, connection=None, headers=()):
    """(status, body, headers) of one request through the proxy."""
    connection = connection or http.client.HTTPConnection("127.0.0.1", proxy.port, timeout=timeout)
    connection.request(method, path, body, dict(headers))
    answer = connection.getresponse()
    return answer.status, answer.read(), answer.headers


def test_it_passes_what_it_is_given(proxy, tiny):
    assert ask(proxy, path="/a")[:2] == (200, b"GET /a")
    big = bytes(range(256)) * 4_000
    assert ask(proxy, "PUT", "/b", big)[:2] == (201, b"PUT /b")
    assert tiny.given == [("/b", big, True)]
    assert (proxy.count("^GET /a", "200"), proxy.count("^PUT", "201"), proxy.count("")) == (1, 1, 2)


def test_its_port_is_one_nobody_else_is_given(proxy):
    assert proxy.port in PORTS
    assert max(PORTS) < 32_768
    with listen() as other:
        assert other.getsockname()[1] != proxy.port


def test_it_says_close_so_that_no_browser_heals_a_lost_answer(proxy, proxy_of):
    assert ask(proxy)[2]["Connection"] == "close"
    assert ask(proxy_of(keep_alive=True))[2]["Connection"] == "keep-alive"


def test_down_resets_and_comes_back_on_the_same_port(proxy, tiny):
    proxy.fault("down")
    with pytest.raises(LOST):
        ask(proxy, "PUT", "/", b"x")
    proxy.clear()
    assert ask(proxy)[0] == 200
    assert tiny.given == []


def test_down_can_be_for_some_requests_only(proxy):
    proxy.fault("down", match="^GET /private")
    with pytest.raises(LOST):
        ask(proxy, path="/private/1")
    assert ask(proxy, path="/open")[0] == 200


def test_down_resets_a_connection_that_is_open(proxy_of):
    proxy = proxy_of(keep_alive=True)
    connection = http.client.HTTPConnection("127.0.0.1", proxy.port, timeout=5)
    assert ask(proxy, connection=connection)[0] == 200
    proxy.fault("down")
    with pytest.raises(LOST):
        ask(proxy, connection=connection)


def test_a_lost_response_reaches_the_server_and_not_the_phone_as_often_as_asked(proxy, tiny):
    proxy.fault("lose_response", match="^PUT", times=2)
    for _ in range(2):
        with pytest.raises(LOST):
            ask(proxy, "PUT", "/once", b"body")
    assert ask(proxy, "PUT", "/once", b"body")[0] == 201
    assert tiny.given == [("/once", b"body", True)] * 3
    assert (proxy.count("PUT", "lose_response"), proxy.count("PUT", "201")) == (2, 1)


def test_a_black_hole_takes_everything_and_answers_nothing_until_cleared(proxy, tiny):
    proxy.fault("blackhole")
    began = time.monotonic()
    with pytest.raises(TimeoutError):
        ask(proxy, "PUT", "/", b"body", timeout=0.3)
    assert time.monotonic() - began >= 0.3
    assert proxy.count("PUT", "swallowed") == 1
    proxy.clear()
    assert ask(proxy)[0] == 200
    assert tiny.given == []


def test_a_captive_portal_answers_for_everybody(proxy, tiny):
    proxy.fault("captive")
    status, body, headers = ask(proxy, "PUT", "/", b"body")
    assert (status, headers["Content-Type"]) == (200, "text/html")
    assert b"Free Wi-Fi" in body
    assert tiny.given == []


def test_a_cut_upload_gives_the_server_half(proxy, tiny):
    proxy.fault("cut_upload", times=1)
    with pytest.raises(LOST):
        ask(proxy, "PUT", "/", b"x" * 1_000)
    assert tiny.given == [("/", b"x" * 500, False)]
    assert ask(proxy, "PUT", "/", b"y")[0] == 201


def test_a_halved_body_looks_whole_to_the_server(proxy, tiny):
    proxy.fault("halved", times=1)
    assert ask(proxy, "PUT", "/", b"x" * 1_000)[0] == 201
    assert tiny.given == [("/", b"x" * 500, True)]


def test_an_error_carries_its_status_and_headers(proxy, tiny):
    proxy.fault("error", status=429, headers={"Retry-After": "7"}, body=b"slow", times=1)
    status, body, headers = ask(proxy, "PUT", "/", b"body")
    assert (status, body, headers["Retry-After"]) == (429, b"slow", "7")
    assert tiny.given == []
    assert ask(proxy)[0] == 200


def test_a_login_redirect_leads_to_the_sign_in_page(proxy):
    proxy.fault("login_redirect")
    status, _, headers = ask(proxy, "PUT", "/", b"body")
    assert (status, headers["Location"]) == (302, "/sign-in/?next=/")


def test_a_dropped_reuse_hits_the_second_request_of_a_connection(proxy_of, tiny):
    proxy = proxy_of(keep_alive=True)
    proxy.fault("dropped_reuse", match="^PUT", times=1)
    connection = http.client.HTTPConnection("127.0.0.1", proxy.port, timeout=5)
    assert ask(proxy, "PUT", "/", b"1", connection=connection)[0] == 201
    with pytest.raises(LOST):
        ask(proxy, "PUT", "/", b"2", connection=connection)
    assert [body for _, body, _ in tiny.given] == [b"1", b"2"]


def test_a_rewrite_changes_the_body_and_its_length(proxy):
    proxy.fault("rewrite", match="/a$", change=lambda body: body.replace(b"GET", b"CHANGED"))
    assert ask(proxy, path="/a")[:2] == (200, b"CHANGED /a")
    assert ask(proxy, path="/b")[:2] == (200, b"GET /b")


def test_slow_is_late_and_whole(proxy):
    proxy.fault("slow", wait=0.3, times=1)
    began = time.monotonic()
    assert ask(proxy)[0] == 200
    assert time.monotonic() - began >= 0.3


def test_the_first_fault_that_fits_is_taken(proxy):
    proxy.fault("error", match="^GET", status=500, times=1)
    proxy.fault("error", match="", status=503)
    assert [ask(proxy)[0] for _ in range(2)] == [500, 503]


def test_a_fault_can_come_by_chance(proxy):
    proxy.fault("error", chance=0.5)
    assert 20 < sum(ask(proxy)[0] == 503 for _ in range(80)) < 60


def test_no_server_is_no_answer(proxy, tiny):
    tiny.shutdown()
    tiny.server_close()
    with pytest.raises(LOST):
        ask(proxy)
    assert proxy.count("GET", "no server") == 1


def test_a_slow_link_takes_its_time_both_ways_and_is_shared(proxy_of, tiny):
    """20 kB up at 50 kB/s is 0.4 s, and two at once take twice that; a round trip more for each connection."""
    proxy = proxy_of(link=Link(rate=50_000, trip=0.1))
    began = time.monotonic()
    assert ask(proxy, "PUT", "/", b"x" * 20_000)[0] == 201
    alone = time.monotonic() - began
    assert 0.55 <= alone <= 1.0  # 0.4 up, one trip to connect, one for request and answer; the head is 0.2 kB
    began = time.monotonic()
    both = [threading.Thread(target=ask, args=(proxy, "PUT", "/", b"x" * 20_000)) for _ in range(2)]
    for thread in both:
        thread.start()
    for thread in both:
        thread.join()
    assert 0.95 <= time.monotonic() - began <= 1.5
    assert proxy.link.moved["up"] >= 60_000


def test_a_link_that_dies_cuts_what_is_under_way(proxy_of, tiny):
    proxy = proxy_of(link=Link(rate=10_000))
    threading.Timer(0.3, proxy.drop).start()
    with pytest.raises(LOST):
        ask(proxy, "PUT", "/", b"x" * 20_000)
    assert tiny.given == []
