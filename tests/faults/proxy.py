"""A TCP proxy that stands between phone and server on one constant port and fails on request.

It keeps the origin the same while the server behind it dies and comes back, sees what the worker sends as well as the
page, and works for every browser. One thread a connection; an HTTP/1.1 message is read whole before it is judged.
"""

from __future__ import annotations

import random
import re
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.faults.messages import Gone, Message, cut, made, read_answer, read_message

PORTS = range(18_000, 28_000)  # below those the kernel hands out, so that nobody else is given ours
ANSWERED = ("rewrite", "slow", "halved")  # the phone hears the server


def listen() -> socket.socket:
    """A listening socket on a free port of 127.0.0.1."""
    while True:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", random.choice(PORTS)))
        except OSError:
            listener.close()
            continue
        listener.listen(128)
        return listener


@dataclass
class Fault:
    """What goes wrong: `kind`, for requests whose first line matches `match`, `times` times (None: until cleared).

    kind: "down" connection reset · "lose_response" the server answers, the phone never hears · "blackhole" taken,
    never answered, never sent on · "captive" somebody else's page, status 200 · "cut_upload" the server gets half and
    the connection ends · "halved" the server gets half as if it were all ·
    "error" `status` and `headers` with `body` · "login_redirect" 302 to the sign-in page · "dropped_reuse" as
    lose_response, but only on a connection that served a request before · "rewrite" `change` alters the body ·
    "slow" `wait` seconds before it is sent on. `chance`: it goes wrong for this share of the requests that match.
    """

    kind: str
    match: str = ""
    times: int | None = None
    status: int = 503
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    change: Callable[[bytes], bytes] | None = None
    wait: float = 0
    chance: float = 1
    taken: int = 0  # how many requests it went wrong for


@dataclass
class Link:
    """Bytes a second each way (0: no bound) and seconds for a round trip; every connection shares both ways."""

    rate: float = 0
    trip: float = 0
    free: dict[str, float] = field(default_factory=lambda: {"up": 0.0, "down": 0.0})
    moved: dict[str, int] = field(default_factory=lambda: {"up": 0, "down": 0})
    lock: threading.Lock = field(default_factory=threading.Lock)

    def carry(self, way: str, size: int) -> None:
        """Return when `size` more bytes have crossed in this direction."""
        with self.lock:
            self.moved[way] += size
            if not self.rate:
                return
            self.free[way] = max(time.monotonic(), self.free[way]) + size / self.rate
            until = self.free[way]
        time.sleep(max(0.0, until - time.monotonic()))


class FaultProxy:
    """`base` is the phone's origin. `seen`: (seconds, first line, what became of it: status or kind of fault).

    `sizes`: (seconds, first line, bytes of its answer with head) of every answer sent.
    """

    def __init__(self, upstream: tuple[str, int], *, keep_alive: bool = False, link: Link | None = None):
        self.upstream, self.keep_alive, self.link = upstream, keep_alive, link or Link()
        self.faults: list[Fault] = []
        self.seen: list[tuple[float, str, str]] = []
        self.sizes: list[tuple[float, str, int]] = []
        self.lock, self.released = threading.Lock(), threading.Event()
        self.open: set[socket.socket] = set()
        self.dice = random.Random(1)
        self.listener = listen()
        self.port = self.listener.getsockname()[1]
        self.base = f"http://localhost:{self.port}"
        threading.Thread(target=self._accept, daemon=True).start()

    # ---- what tests say

    def fault(self, kind: str, match: str = "", **more) -> Fault:
        """Let this go wrong from now on; the first fault that fits a request is taken."""
        made = Fault(kind, match, **more)
        with self.lock:
            self.faults.append(made)
        if kind == "down" and not match:
            self.drop()
        return made

    def clear(self) -> None:
        """Nothing goes wrong any more; what was held in a black hole is cut off."""
        with self.lock:
            self.faults.clear()
            self.released.set()
            self.released = threading.Event()

    def count(self, match: str, became: str = "") -> int:
        """How many requests of this first line were seen (and became this: a status, a fault's kind)."""
        with self.lock:
            return sum(bool(re.search(match, line)) and became in ("", end) for _, line, end in self.seen)

    def drop(self) -> None:
        """Reset every open connection, as a link that dies does."""
        with self.lock:
            connections = list(self.open)
        for connection in connections:
            cut(connection)

    def close(self) -> None:
        self.listener.close()
        self.clear()
        self.drop()

    # ---- one connection

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self._connection, args=(client,), daemon=True).start()

    def _connection(self, client: socket.socket) -> None:
        with self.lock:
            self.open.add(client)
            dead = any(fault.kind == "down" and not fault.match for fault in self.faults)
        try:
            if dead:
                raise Gone
            time.sleep(self.link.trip)  # the handshake
            served = 0
            while self._serve(client, served):
                served += 1
        except (OSError, Gone):
            cut(client)
        finally:
            with self.lock:
                self.open.discard(client)
            client.close()

    def _serve(self, client: socket.socket, served: int) -> bool:
        """One request; whether the connection stays open for another."""
        request = read_message(client, lambda size: self.link.carry("up", size))
        time.sleep(self.link.trip / 2)
        fault = self._taken(request.line, served)
        try:
            answer = getattr(self, f"_{fault.kind}")(request, fault) if fault else self._pass(request)
        except (OSError, Gone):
            self._note(request, fault.kind if fault else "no server")
            raise Gone from None
        self._note(request, fault.kind if fault and fault.kind not in ANSWERED else answer.line.split()[1])
        keep = self.keep_alive and request.header("connection").lower() != "close"
        answer = answer.with_headers(connection="keep-alive" if keep else "close")
        time.sleep(self.link.trip / 2)
        with self.lock:
            self.sizes.append((time.monotonic(), request.line, len(answer.head) + len(answer.body)))
        self._send(client, answer.head + answer.body)
        return keep

    def _send(self, client: socket.socket, data: bytes) -> None:
        step = 512 if self.link.rate else len(data)
        for start in range(0, len(data), step):
            piece = data[start : start + step]
            self.link.carry("down", len(piece))
            client.sendall(piece)

    def _taken(self, line: str, served: int) -> Fault | None:
        with self.lock:
            for fault in self.faults:
                fits = re.search(fault.match, line) and fault.times != 0
                if fits and (fault.kind != "dropped_reuse" or served) and self.dice.random() < fault.chance:
                    fault.times = fault.times if fault.times is None else fault.times - 1
                    fault.taken += 1
                    return fault
        return None

    def _note(self, request: Message, became: str) -> None:
        with self.lock:
            self.seen.append((time.monotonic(), request.line, became))

    # ---- what becomes of a request: an answer, or Gone

    def _pass(self, request: Message, fault: Fault | None = None) -> Message:
        with socket.create_connection(self.upstream, timeout=120) as server:
            asked = request.with_headers(connection="close")
            server.sendall(asked.head + asked.body)
            return read_answer(server, request.line.split()[0])

    def _down(self, request: Message, fault: Fault) -> Message:
        raise Gone

    def _lose_response(self, request: Message, fault: Fault) -> Message:
        self._pass(request)
        raise Gone

    _dropped_reuse = _lose_response

    def _blackhole(self, request: Message, fault: Fault) -> Message:
        self._note(request, "swallowed")
        self.released.wait()
        raise Gone

    def _cut_upload(self, request: Message, fault: Fault) -> Message:
        """The head promises everything, the server gets half; whatever it says, the phone never hears."""
        with socket.create_connection(self.upstream, timeout=120) as server:
            server.sendall(request.head + request.body[: len(request.body) // 2])
            server.shutdown(socket.SHUT_WR)
            while server.recv(65_536):
                pass
        raise Gone

    def _halved(self, request: Message, fault: Fault) -> Message:
        half = request.body[: len(request.body) // 2]
        return self._pass(Message(request.head, half).with_headers(content_length=str(len(half))))

    def _captive(self, request: Message, fault: Fault) -> Message:
        return made(
            200, {"Content-Type": "text/html"}, b"<!doctype html><title>Free Wi-Fi</title><h1>Accept our terms</h1>"
        )

    def _error(self, request: Message, fault: Fault) -> Message:
        return made(
            fault.status, {"Content-Type": "text/html"} | fault.headers, fault.body or b"<h1>Out of order</h1>"
        )

    def _login_redirect(self, request: Message, fault: Fault) -> Message:
        return made(302, {"Location": "/sign-in/?next=/"})

    def _slow(self, request: Message, fault: Fault) -> Message:
        self.released.wait(fault.wait)
        return self._pass(request)

    def _rewrite(self, request: Message, fault: Fault) -> Message:
        answer = self._pass(
            request.with_headers(accept_encoding="identity", if_none_match=None, if_modified_since=None)
        )
        body = fault.change(answer.body)
        return Message(answer.head, body).with_headers(content_length=str(len(body)), etag=None)
