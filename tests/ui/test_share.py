"""Sharing on the home network: off unless told, by a key that works once, on one address only."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

import extract
from ui import server, share, shelf

HOME = "http://192.168.1.20:8501/"


def opened(root: Path, **query: str) -> AppTest:
    page = AppTest.from_file(str(root / "ui" / "app.py"), default_timeout=60)
    for name, value in query.items():
        page.query_params[name] = value
    return page.run()


def is_open(page: AppTest) -> bool:
    assert not page.exception
    return bool(page.file_uploader)


def test_a_key_opens_one_work_once() -> None:
    keys = share.Keys()
    key = keys.give("a work", now=0.0)
    assert keys.redeem("another", now=1.0) is None
    assert keys.redeem(key, now=1.0) == "a work"
    assert keys.redeem(key, now=2.0) is None


def test_a_key_grows_old() -> None:
    keys = share.Keys()
    key = keys.give("a work", now=0.0)
    assert keys.redeem(key, now=share.KEY_SECONDS + 1) is None
    for n in range(50):
        keys.give("a work", now=n * share.KEY_SECONDS)
    assert len(keys.given) <= 2, "old keys are forgotten"


def test_an_unshared_page_needs_no_key(root: Path, door: Any) -> None:
    assert is_open(opened(root))


def test_behind_the_gate_too_a_shared_page_opens_works_only(
    root: Path, door: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(share.ADDRESS, HOME)
    assert not is_open(opened(root))
    assert not is_open(opened(root, work="0" * 32))
    work = shelf.new_work()
    assert not is_open(opened(root, key=share.keys.give(work.token))), "keys are the gate's"
    assert is_open(opened(root, work=work.token)), "a reload of the phone"


def test_the_page_gives_a_key_for_this_work(root: Path, door: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(share.ADDRESS, HOME)
    work = shelf.new_work()
    page = opened(root, work=work.token)
    next(button for button in page.button if button.label == "Show a code for the phone").click().run()
    link = page.code[0].value
    assert link.startswith(f"{HOME}?key=")
    assert work.token not in link
    assert share.keys.redeem(link.partition("key=")[2]) == work.token


@pytest.mark.parametrize(
    "key", ["8VRAL5GIWqshjt8ByNqK2RKH", "qzqL3B4JbeehmdXOjg4g1XDF", "-" * 24, "0123456789abcdefghijklmn"]
)
def test_the_code_says_the_address(key: str) -> None:
    """Read back by OpenCV's decoder.

    Its finder of marker contours: its other finder misses one code in fifty, the first two of these among them.
    """
    link = f"{HOME}?key={key}"
    pixels = cv2.imdecode(np.frombuffer(share.code_png(link), np.uint8), cv2.IMREAD_COLOR)
    assert cv2.QRCodeDetectorAruco().detectAndDecode(pixels)[0] == link


def test_keys_are_as_long_as_those_read_back() -> None:
    assert len(share.Keys().give("")) == 24


def test_the_home_address_is_a_private_one() -> None:
    found = share.home_address()
    assert found is None or ipaddress.ip_address(found).is_private


def test_without_a_network_there_is_no_sharing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(share, "home_address", lambda: None)
    with pytest.raises(extract.CannotContinue, match="home network"):
        server.run(server.free_port(8650), open_browser=False, shared=True)


def test_the_first_key_stands_in_the_makers_address() -> None:
    assert server.address(8660, None, "127.0.0.2", "a-key") == "http://127.0.0.2:8660/?key=a-key"
