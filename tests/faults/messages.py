"""HTTP/1.1 messages as bytes: read whole, changed by header, cut off."""

from __future__ import annotations

import contextlib
import re
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass

RESET = struct.pack("ii", 1, 0)
LARGEST_HEAD = 65_536


class Gone(Exception):
    """The other side closed, or we cut it off."""


@dataclass
class Message:
    """One HTTP message: first line and headers, body as it came."""

    head: bytes
    body: bytes

    @property
    def line(self) -> str:
        return self.head.split(b"\r\n", 1)[0].decode("latin-1").removesuffix(" HTTP/1.1")

    def header(self, name: str) -> str:
        found = re.search(rf"(?im)^{name}:[ \t]*([^\r\n]*)", self.head.decode("latin-1"))
        return found[1] if found else ""

    def with_headers(self, **wanted: str | None) -> Message:
        """The same with these headers set, or left out where None; `_` stands for `-`."""
        lines = self.head.rstrip(b"\r\n").split(b"\r\n")
        names = {name.replace("_", "-").lower().encode(): value for name, value in wanted.items()}
        kept = [line for line in lines if line.split(b":", 1)[0].lower() not in names or line is lines[0]]
        kept += [name + b": " + value.encode() for name, value in names.items() if value is not None]
        return Message(b"\r\n".join(kept) + b"\r\n\r\n", self.body)


def cut(connection: socket.socket) -> None:
    """Close with a reset, so that nobody takes it for a proper end."""
    with contextlib.suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        connection.shutdown(socket.SHUT_RD)
    with contextlib.suppress(OSError):
        connection.close()


def made(status: int, headers: dict[str, str], body: bytes = b"") -> Message:
    """An answer of the proxy's own."""
    head = f"HTTP/1.1 {status} X\r\n" + "".join(f"{k}: {v}\r\n" for k, v in headers.items())
    return Message(head.encode() + b"\r\n", body).with_headers(content_length=str(len(body)))


def read_message(connection: socket.socket, carried: Callable[[int], None]) -> Message:
    """One request, whole; `carried` paces what arrives."""
    data = b""
    while b"\r\n\r\n" not in data:
        data += received(connection, carried)
        if len(data) > LARGEST_HEAD:
            raise Gone
    head, _, body = data.partition(b"\r\n\r\n")
    request = Message(head + b"\r\n\r\n", body)
    missing = int(request.header("content-length") or 0) - len(body)
    pieces = [body]
    while missing > 0:
        pieces.append(received(connection, carried))
        missing -= len(pieces[-1])
    return Message(request.head, b"".join(pieces))


def received(connection: socket.socket, carried: Callable[[int], None]) -> bytes:
    data = connection.recv(1024)
    if not data:
        raise Gone
    carried(len(data))
    return data


def read_answer(server: socket.socket, method: str) -> Message:
    """The answer, up to the end of the connection, its length said; one that was cut short is no answer."""
    data = b""
    while piece := server.recv(65_536):
        data += piece
    head, found, body = data.partition(b"\r\n\r\n")
    answer = Message(head + b"\r\n\r\n", body)
    if not found:
        raise Gone
    if method == "HEAD" or answer.line.split()[1] in ("204", "304") or answer.header("transfer-encoding"):
        return answer
    if int(answer.header("content-length") or len(body)) != len(body):
        raise Gone
    return answer.with_headers(content_length=str(len(body)))
