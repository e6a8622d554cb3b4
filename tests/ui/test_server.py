"""The page's server: on this machine only, on a free port, gone when it should be."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import extract
from ui import server

# All of 127.0.0.0/8 is this machine on Linux (RFC 1122, 3.2.1.3), so a second loopback address tells a server that
# listens everywhere from one that listens on 127.0.0.1.
OTHER_LOOPBACK = "127.0.0.2"
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="needs a second loopback address and signals")


def reachable(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), 5).close()
    except OSError:
        return False
    return True


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, int]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRUEPEEL_CACHE", str(tmp_path_factory.mktemp("cache")))
        port = server.free_port(8600)
        with server.serving(port):
            yield server.HOST, port


@linux_only
def test_the_page_is_reached_from_this_machine_only(address: tuple[str, int]) -> None:
    host, port = address
    assert reachable(host, port)
    assert not reachable(OTHER_LOOPBACK, port)


@linux_only
def test_that_check_can_fail() -> None:
    with socket.create_server(("0.0.0.0", 0)) as everywhere:
        assert reachable(OTHER_LOOPBACK, everywhere.getsockname()[1])


@pytest.mark.parametrize(
    ("host", "status"), [("127.0.0.1", 101), ("localhost", 101), ("elsewhere.example", 403)], ids=str
)
def test_only_this_machines_names_get_in(address: tuple[str, int], host: str, status: int) -> None:
    """A web page that points its own name at 127.0.0.1 (DNS rebinding) finds the door shut."""
    asked = (
        f"GET /_stcore/stream HTTP/1.1\r\nHost: {host}:{address[1]}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        # The sample key of RFC 6455, 1.3.
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    with socket.create_connection(address, 10) as line:
        line.sendall(asked.encode("ascii"))
        answer = line.recv(100).decode("ascii", "replace")
    assert answer.split()[1] == str(status)


def test_a_taken_port_is_passed_over() -> None:
    first = server.free_port(8700)
    with socket.create_server((server.HOST, first)):
        assert server.free_port(first) > first
    assert server.free_port(first) == first


def test_no_port_left_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "PORTS_TRIED", 1)
    first = server.free_port(8700)
    with socket.create_server((server.HOST, first)), pytest.raises(extract.CannotContinue, match="--port"):
        server.free_port(first)


@linux_only
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_the_page_ends_cleanly(root: Path, tmp_path: Path, end: signal.Signals) -> None:
    taken = server.free_port(8800)
    with socket.create_server((server.HOST, taken)):
        page = subprocess.Popen(
            [sys.executable, "-m", "ui.command", "page", "--no-browser", "--port", str(taken)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=root,
            start_new_session=True,
        )
        try:
            assert page.stdout
            first = page.stdout.readline()
            assert "this machine only" in first
            port = int(first.split(server.HOST + ":")[1].split("/")[0])
            assert port != taken
            page.send_signal(end)
            out, err = page.communicate(timeout=30)
        finally:
            page.kill()
            page.communicate()
    assert page.returncode == 0
    assert "The page has ended" in out
    assert err == f"truepeel: note: port {taken} is taken, so {port} it is.\n"
    assert not reachable(server.HOST, port)
