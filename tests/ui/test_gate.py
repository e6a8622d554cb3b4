"""The gate of a shared page, on a real server: nothing is answered without a key's cookie, and uploads are bounded.

127.0.0.2 stands for the home network's address; the tab is a WebSocket that asks as the page's script does.
"""

from __future__ import annotations

import http.client
import json
import re
import socket
import sys
import uuid
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from email.message import Message
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.uploaded_file_manager import UploadedFileRec
from websockets.exceptions import InvalidStatus
from websockets.sync.client import ClientConnection, connect

from ui import server, share, shelf, uploads
from ui.pictures import ARGUMENTS, browser_path

if TYPE_CHECKING:
    from playwright.sync_api import Browser

HOST, KEY = "127.0.0.2", "the-makers-own-key"
PATIENCE_S = 60
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="needs a second loopback address")
Answer = tuple[int, Message, bytes]


@dataclass(frozen=True)
class Shared:
    """A shared page, and the cookie of the maker, who opened it by its first key."""

    port: int
    cookie: str

    def ask(self, path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> Answer:
        with closing(http.client.HTTPConnection(HOST, self.port, timeout=PATIENCE_S)) as line:
            line.request(method, path, body, {"Cookie": self.cookie, **headers})
            answer = line.getresponse()
            return answer.status, answer.headers, answer.read()

    def held_bytes(self) -> int:
        """What Streamlit says it holds of uploads; it says the same for five seconds."""
        found = re.search(rb'cache_type="UploadedFileManager".*\} (\d+)', self.ask("/_stcore/metrics")[2])
        return int(found[1]) if found else 0

    def stream(self, cookie: str) -> ClientConnection:
        return connect(
            f"ws://{HOST}:{self.port}/_stcore/stream",
            additional_headers={"Cookie": cookie},
            close_timeout=0.2,
            subprotocols=["streamlit"],  # type: ignore[list-item]
        )


@dataclass(frozen=True)
class Tab:
    """An open tab: where its uploads go, and the cookies and header that Streamlit wants with them."""

    page: Shared
    session: str
    xsrf: str

    def put(self, cookie: str | None = None, size: int = 9, session: str | None = None) -> Answer:
        text = b'--b\r\nContent-Disposition: form-data; name="file"; filename="shell.jpg"\r\n\r\n%s\r\n--b--\r\n'
        who = self.page.cookie if cookie is None else cookie
        return self.page.ask(
            f"/_stcore/upload_file/{session or self.session}/{uuid.uuid4()}",
            "PUT",
            text % bytes(size),
            **{
                "Cookie": f"{who}; _streamlit_xsrf={self.xsrf}",
                "X-Xsrftoken": self.xsrf,
                "Content-Type": "multipart/form-data; boundary=b",
            },
        )


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRUEPEEL_CACHE", str(tmp_path_factory.mktemp("cache")))
        port = server.free_port(8760)
        with server.serving(port, HOST, KEY):
            closed = Shared(port, "")
            status, headers, _ = closed.ask(f"/?key={KEY}")
            assert status == 303
            told = headers["set-cookie"]
            assert "HttpOnly" in told and "SameSite=Strict" in told
            yield Shared(port, told.split(";")[0])


@pytest.fixture
def tab(page: Shared) -> Iterator[Tab]:
    _, headers, _ = page.ask("/_stcore/health")
    xsrf = headers["set-cookie"].split(";")[0].partition("=")[2]
    with page.stream(page.cookie) as line:
        wish = BackMsg()
        wish.rerun_script.query_string = f"work={page.cookie.partition('=')[2]}"
        line.send(wish.SerializeToString())
        told = ForwardMsg()
        while told.WhichOneof("type") != "new_session":
            told.ParseFromString(line.recv(PATIENCE_S, decode=False))
        yield Tab(page, told.new_session.initialize.session_id, xsrf)


@linux_only
def test_it_listens_on_that_address_only(page: Shared) -> None:
    socket.create_connection((HOST, page.port), 5).close()
    with pytest.raises(OSError):
        socket.create_connection((server.HOST, page.port), 5)


@linux_only
@pytest.mark.parametrize(
    "path", ["/", f"/?key={KEY}", "/?key=", "/?work=" + "0" * 32, "/_stcore/host-config", "/media/a.jpg", "/index.html"]
)
def test_nothing_is_answered_without_a_key(page: Shared, path: str) -> None:
    """The first key too is spent by now."""
    for cookie in ("", page.cookie.partition("=")[0] + "=" + "0" * 32):
        status, _, content = page.ask(path, Cookie=cookie)
        assert status == 403
        assert share.CLOSED in content.decode()


@linux_only
def test_with_the_cookie_everything_is_answered(page: Shared) -> None:
    work = page.cookie.partition("=")[2]
    for path in (f"/?work={work}", "/_stcore/host-config"):
        status, headers, _ = page.ask(path)
        assert status == 200
        assert headers["referrer-policy"] == "no-referrer"
    status, headers, _ = page.ask("/")
    assert (status, headers["location"]) == (303, f"/?work={work}"), "back to the maker's own work"
    status, headers, content = page.ask(f"/?work={work}", Cookie="")
    assert status == 200, "the address of a work opens it, as on a second device"
    assert headers["set-cookie"].startswith(page.cookie)
    (back,) = re.findall(r"url=(/[^\"]*)", content.decode())
    status, headers, _ = page.ask(unescape(back))
    assert (status, headers["location"]) == (303, f"/?work={work}"), "it came back with its cookie"


@linux_only
def test_a_browser_without_cookies_is_told_so(page: Shared, browser: Browser, tmp_path: Path) -> None:
    """Cookies are switched off as a user of Chromium does (content setting 2: block)."""
    (tmp_path / "Default").mkdir()
    blocked = {"profile": {"default_content_setting_values": {"cookies": 2}}}
    (tmp_path / "Default" / "Preferences").write_text(json.dumps(blocked), "utf-8")
    launch = browser.browser_type.launch_persistent_context
    with launch(tmp_path, executable_path=browser_path(), args=ARGUMENTS) as context:
        glass = context.new_page()
        glass.goto(server.address(page.port, page.cookie.partition("=")[2], HOST))
        glass.get_by_text(share.NO_COOKIES).wait_for()


@linux_only
def test_no_stream_without_the_cookie(page: Shared) -> None:
    with pytest.raises(InvalidStatus, match="403"):
        page.stream("")
    with page.stream(page.cookie) as line:
        assert line.protocol.state.name == "OPEN"


@linux_only
def test_an_upload_needs_the_cookie_and_an_open_tab(tab: Tab) -> None:
    assert tab.put(cookie="")[0] == 403, "whoever knows the tab's own address still needs the cookie"
    assert tab.put(session=str(uuid.uuid4()))[0] == 400
    assert tab.put()[0] == 204


@linux_only
def test_one_tab_cannot_fill_the_memory(tab: Tab) -> None:
    answers = [tab.put() for _ in range(uploads.MOST_FILES + 1)]
    assert [status for status, _, _ in answers] == [204] * uploads.MOST_FILES + [413]
    assert answers[-1][2].decode() == uploads.FULL
    assert (
        tab.page.ask(f"/_stcore/upload_file/{tab.session}/a", "PUT", b"", **{"Transfer-Encoding": "chunked"})[0] == 411
    )


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> MemoryUploadedFileManager:
    """Streamlit's store of uploads, without a server around it."""
    manager = MemoryUploadedFileManager("/upload")
    monkeypatch.setattr(uploads, "_manager", lambda: manager)
    return manager


def test_uploads_are_bounded_for_each_tab_and_for_all(held: MemoryUploadedFileManager) -> None:
    tray = uploads.Tray()
    assert not tray.begin("a", "1", uploads.MOST_BYTES + 1, now=0)
    assert tray.begin("a", "2", uploads.MOST_BYTES, now=0)
    assert not tray.begin("a", "3", 1, now=0), "what is still on its way counts"
    rest = uploads.MOST_BYTES_IN_ALL - uploads.MOST_BYTES
    assert not tray.begin("b", "4", rest + 1, now=0)
    assert tray.begin("b", "5", rest, now=0)
    tray.end("a", "2")
    assert tray.begin("c", "6", shelf.MOST_BYTES, now=0), "what failed to arrive counts no more"


def test_what_nobody_takes_up_is_forgotten(held: MemoryUploadedFileManager) -> None:
    tray = uploads.Tray()
    for name, now in (("old", 0.0), ("new", 3_000.0)):
        assert tray.begin("a", name, 4, now)
        held.add_file("a", UploadedFileRec(name, name, "image/jpeg", b"four"))
        tray.end("a", name)
    assert tray.begin("a", "next", 4, now=uploads.STALE_SECONDS + 1)
    assert [file.name for file in held.get_files("a", ["old", "new"])] == ["new"]


@linux_only
def test_a_phone_brings_a_photo_by_the_code(browser: Browser, page: Shared) -> None:
    """The maker's own browser shows the code; the phone opens it once, and its photo comes to the maker's work."""
    name, _, token = page.cookie.partition("=")
    maker, phone, stranger = (browser.new_context() for _ in range(3))
    maker.add_cookies([{"name": name, "value": token, "url": f"http://{HOST}:{page.port}"}])
    desk = maker.new_page()
    desk.goto(server.address(page.port, token, HOST))
    desk.get_by_text("Take the photo with your phone").click()
    desk.get_by_role("button", name="Show a code for the phone").click()
    # the box is there before its text
    link = desk.get_by_test_id("stCode").filter(has_text="http").inner_text().strip()

    photo = b"no photo, but it arrives".ljust(1_000_000)
    glass = phone.new_page()
    glass.goto(link)
    glass.locator("input[type=file][multiple]").set_input_files(
        {"name": "from-the-phone.jpg", "mimeType": "image/jpeg", "buffer": photo}
    )
    desk.get_by_role("button", name="Remove from-the-phone.jpg").wait_for(timeout=1000 * PATIENCE_S)
    assert "key=" not in glass.url
    assert page.held_bytes() < len(photo), "on the shelf, and no more in memory"
    late = stranger.new_page()
    late.goto(link)
    assert share.CLOSED in late.inner_text("main")
    for context in (maker, phone, stranger):
        context.close()
