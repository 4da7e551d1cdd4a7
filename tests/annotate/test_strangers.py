"""The running server and strangers on raw sockets: refused or served, nothing leaked, nobody kept waiting."""

from __future__ import annotations

import concurrent.futures
import contextlib
import json
import socket
import time
from collections.abc import Iterator

import pytest
from page_server import KEY, Running

from dieplat.annotate.guard import COOKIE, HEADER, MAX_BODY_BYTES
from dieplat.annotate.patience import PatientProtocol


def raw(server: Running, request: bytes, *, seconds: float = 20.0) -> bytes:
    """What comes back for these very bytes until the server closes or falls silent."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=seconds) as connection:
        with contextlib.suppress(OSError):  # it may answer and close before all is sent
            connection.sendall(request)
        got = b""
        with contextlib.suppress(OSError):
            while part := connection.recv(65536):
                got += part
        return got


def head(server: Running, line: str, *more: str, host: str | None = None) -> bytes:
    """A request of our own page, closed afterwards."""
    name = f"127.0.0.1:{server.port}" if host is None else host
    rows = [line, f"Host: {name}", f"Cookie: {COOKIE}={KEY}", f"{HEADER}: {KEY}", "Connection: close", *more]
    return "\r\n".join([*rows, "", ""]).encode("latin-1")


@pytest.mark.parametrize(
    "path",
    [
        "/page/../server.py",
        "/page/../../../../../../etc/passwd",
        "/page/..%2f..%2fserver.py",
        "/page/%2e%2e%2fserver.py",
        "/page/....//server.py",
        "/page/..\\server.py",
        "/page//etc/passwd",
        "//etc/passwd",
        "/page/page.js%00.py",
        "/iiif/../../etc/passwd/info.json",
        "/iiif/0/..%2f..%2f/max/0/default.jpg",
        "http://evil.example/etc/passwd",
        "file:///etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_page(server: Running, path: str) -> None:
    got = raw(server, head(server, f"GET {path} HTTP/1.1"))
    assert got.split(b" ", 2)[1] in (b"400", b"404"), got[:200]
    assert b"root:" not in got
    assert b"build_app" not in got


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example:{port}", "[::1]:{port}", "0.0.0.0:{port}", ""]
)
def test_a_name_that_was_bound_anew_is_refused_and_learns_no_key(server: Running, host: str) -> None:
    got = raw(server, head(server, "GET / HTTP/1.1", host=host.format(port=server.port)))
    assert got.split(b" ", 2)[1] == b"400"
    assert KEY.encode() not in got


def test_two_hosts_in_one_request_are_refused(server: Running) -> None:
    got = raw(server, head(server, "GET /drawing HTTP/1.1", "Host: evil.example"))
    assert got.split(b" ", 2)[1] == b"400"


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1", "https://127.0.0.1:{port}"])
@pytest.mark.parametrize("line", ["POST /numbers HTTP/1.1", "PUT /drawing HTTP/1.1", "POST /scale HTTP/1.1"])
def test_a_post_from_another_site_changes_nothing(server: Running, origin: str, line: str) -> None:
    before = server.drawing.read_bytes()
    body = b'{"type": "FeatureCollection", "features": []}'
    more = (f"Origin: {origin.format(port=server.port)}", f"Content-Length: {len(body)}", 'If-Match: "x"')
    got = raw(server, head(server, line, *more) + body)
    assert got.split(b" ", 2)[1] == b"403"
    assert server.drawing.read_bytes() == before


def test_strangers_learn_neither_key_nor_drawing_nor_path(server: Running) -> None:
    for path in ("/", "/drawing", "/setup", "/iiif/0/info.json", "/page/page.js", "/none", "/?key="):
        got = raw(server, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nConnection: close\r\n\r\n".encode())
        assert got.split(b" ", 2)[1] == b"403"
        for secret in (KEY.encode(), b"FeatureCollection", str(server.drawing.parent).encode(), b"access-control"):
            assert secret not in got.lower().replace(KEY.lower().encode(), KEY.encode())


def test_a_body_without_end_is_cut_off(server: Running) -> None:
    chunk = b"100000\r\n" + b" " * 0x100000 + b"\r\n"
    more = ("Transfer-Encoding: chunked", 'If-Match: "x"')
    got = raw(server, head(server, "PUT /drawing HTTP/1.1", *more) + chunk * (MAX_BODY_BYTES // 0x100000 + 2))
    assert got == b"" or got.split(b" ", 2)[1] == b"413", got[:300]
    assert server.ask("GET", "/drawing")[0] == 200


@pytest.mark.parametrize("request_", [b"\0" * 1000, b"GET / HTTP/9.9\r\n\r\n", b"G" * 100_000, b"\x16\x03\x01\x02\0"])
def test_what_is_no_http_is_refused(server: Running, request_: bytes) -> None:
    got = raw(server, request_ + b"\r\n\r\n", seconds=5)
    assert got == b"" or got.split(b" ", 2)[1] in (b"400", b"403")
    assert server.ask("GET", "/drawing")[0] == 200


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Little patience, so that the test need not wait."""
    monkeypatch.setattr(PatientProtocol, "patience_s", 1.0)


def slow_clients(server: Running, count: int) -> Iterator[socket.socket]:
    """Connections that have begun to ask: half of them for the second time."""
    for number in range(count):
        connection = socket.create_connection(("127.0.0.1", server.port), timeout=20)
        if number % 2:
            connection.sendall(f"GET /none HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n\r\n".encode())
            assert connection.recv(65536)
        connection.sendall(b"GET /drawing HTTP/1.1\r\nHo")
        yield connection


@pytest.mark.usefixtures("hasty")
def test_slow_clients_keep_nobody_waiting_and_are_hung_up_on(server: Running) -> None:
    with contextlib.ExitStack() as stack:
        slow = [stack.enter_context(connection) for connection in slow_clients(server, 60)]
        begun = time.monotonic()
        assert server.ask("GET", "/drawing")[0] == 200
        assert time.monotonic() - begun < 5
        for connection in slow:
            with contextlib.suppress(ConnectionError):
                while connection.recv(65536):  # what is left of an answer, then the end
                    pass


def test_a_hundred_clients_at_once_are_all_served(server: Running) -> None:
    drawn = server.json("GET", "/drawing")["document"]

    def client(number: int) -> tuple[int, bytes]:
        if number % 2:
            status, _, data = server.ask("GET", f"/iiif/0/0,0,512,512/{16 + number},/0/default.jpg")
        else:
            status, _, data = server.ask("POST", "/numbers", {"document": drawn})
        return status, data

    with concurrent.futures.ThreadPoolExecutor(100) as clients:
        answers = list(clients.map(client, range(100)))
    assert {status for status, _ in answers} == {200}
    assert len({data for _, data in answers[::2]}) == 1
    assert json.loads(answers[0][1])["blocks"]
