"""The page's own server: Streamlit as a child process that only this machine can reach."""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import extract
from ui import share

HOST = "127.0.0.1"
FIRST_PORT = 8501
PORTS_TRIED = 20
START_SECONDS = 60.0
"""A cold start on a slow disk reads some hundred megabytes of libraries."""

# A page on the web that points a name of its own at 127.0.0.1 must not get in by it.
HOST_NAMES = (HOST, "localhost")

OPTIONS = {
    "server.address": HOST,
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "server.runOnSave": "false",
    "server.showEmailPrompt": "false",
    "server.maxUploadSize": "100",
    "browser.serverAddress": HOST,
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "logger.level": "error",
    "theme.font": "sans-serif",
    "theme.headingFont": "serif",
    "theme.baseRadius": "4px",
    "theme.light.primaryColor": "#23615c",
    "theme.light.backgroundColor": "#faf7f0",
    "theme.light.secondaryBackgroundColor": "#efe9dc",
    "theme.light.textColor": "#22303a",
    "theme.light.borderColor": "#cfc6b4",
    "theme.dark.primaryColor": "#96671f",
    "theme.dark.backgroundColor": "#171d23",
    "theme.dark.secondaryBackgroundColor": "#222b33",
    "theme.dark.textColor": "#ece6d8",
    "theme.dark.borderColor": "#3d4954",
}


def free_port(first: int = FIRST_PORT) -> int:
    """``first``, or the next port nobody listens on.

    Raises CannotContinue where none of the next ``PORTS_TRIED`` is free.
    """
    for port in range(first, min(first + PORTS_TRIED, 65_536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            if sys.platform != "win32":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with contextlib.suppress(OSError):
                probe.bind((HOST, port))
                return port
    raise extract.CannotContinue(
        "page", f"No port from {first} on is free.", "Close a program that listens there, or name another with --port."
    )


def command(port: int, host: str = HOST) -> list[str]:
    page = str(Path(__file__).with_name("served.py"))
    options = OPTIONS | {"server.address": host, "browser.serverAddress": host, "server.port": str(port)}
    names = HOST_NAMES if host == HOST else (host,)
    told = [*options.items(), *(("server.allowedHosts", name) for name in names)]
    return [sys.executable, "-m", "streamlit", "run", page, *(f"--{name}={value}" for name, value in told)]


def address(port: int, token: str | None = None, host: str = HOST, key: str | None = None) -> str:
    told = {"work": token, "key": key}
    query = urllib.parse.urlencode({name: value for name, value in told.items() if value})
    return f"http://{host}:{port}/" + (f"?{query}" if query else "")


@contextlib.contextmanager
def serving(port: int, host: str = HOST, key: str | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A listening page; it ends with the block. On another ``host`` than this machine's own it is shared, and opens
    with ``key``.

    Raises CannotContinue where it does not come up.
    """
    told = {} if host == HOST else {share.ADDRESS: address(port, host=host), share.FIRST_KEY: key or ""}
    # Streamlit must not pick up settings from whatever folder the maker stands in.
    child = subprocess.Popen(
        command(port, host),
        cwd=Path(__file__).parent,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        env=os.environ | told,
    )
    try:
        _wait_until_up(child, port, host)
        yield child
    finally:
        _end(child)


def _wait_until_up(child: subprocess.Popen[bytes], port: int, host: str) -> None:
    deadline = time.monotonic() + START_SECONDS
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    while child.poll() is None and time.monotonic() < deadline:
        with contextlib.suppress(OSError), direct.open(f"http://{host}:{port}/_stcore/health", timeout=2) as reply:
            if reply.status == 200:
                return
        time.sleep(0.1)
    raise extract.CannotContinue(
        "page", "The page did not start.", f"Another program may have taken port {port}; name another with --port."
    )


def _end(child: subprocess.Popen[bytes]) -> None:
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def run(port: int, open_browser: bool, token: str | None = None, shared: bool = False) -> int:
    """Serve the page until Ctrl-C (or a polite kill); returns the exit status.

    Raises CannotContinue where it is to be shared and this machine is on no home network.
    """
    # Said for SIGINT too: a program started in a shell's background inherits that it is to be ignored.
    for end in (signal.SIGINT, signal.SIGTERM):
        signal.signal(end, _stop)
    host, key = (_home(), secrets.token_urlsafe(18)) if shared else (HOST, None)
    whose = "every machine on your network that has a key" if shared else "this machine only"
    try:
        with serving(port, host, key) as child:
            where = address(port, token, host, key)
            print(f"Truepeel's page listens on {where} ({whose}). Ctrl-C ends it.", flush=True)
            if open_browser:
                _show(where)
            return 0 if child.wait() == 0 else 1
    except KeyboardInterrupt:
        print("The page has ended; what you did is kept.", flush=True)
        return 0


def _home() -> str:
    found = share.home_address()
    if found is None:
        raise extract.CannotContinue(
            "page",
            "This machine is on no home network, so the page cannot be shared.",
            "Join the network the phone is on, or start without --share.",
        )
    return found


def _show(url: str) -> None:
    import webbrowser

    # A text browser would take over the terminal; without a screen the printed address has to do.
    if sys.platform == "linux" and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        print("There is no screen here; open that address in a browser on this machine.", flush=True)
    elif not webbrowser.open(url):
        print("No browser could be opened; open that address yourself.", flush=True)
