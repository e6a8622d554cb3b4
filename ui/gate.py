"""The gate of the page's server: who gets in on a shared page, and how much waits for the page to take it up.

A shared page opens by a key, or by the address of a work. Whoever came in so carries the work's token as a cookie, and
nothing is answered without one: no page, no stream, no picture, no upload. The page that only this machine reaches has
no keys; what may be put down is bounded there too.
"""

from __future__ import annotations

import html

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ui import share, shelf, uploads

HEALTH = "/_stcore/health"
UPLOADS = "/_stcore/upload_file/"
ASKED_BACK = "back"
"""In the address of a browser that was just given its cookie and sent round once more."""
PLAIN_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Truepeel</title>{head}
<style>
  :root {{ color-scheme: light dark; }}
  body {{ font: 1.1rem/1.6 sans-serif; max-width: 34rem; margin: 3rem auto; padding: 0 1rem;
    color: light-dark(#22303a, #ece6d8); background: light-dark(#faf7f0, #171d23); }}
  h1 {{ font-family: serif; }}
</style>
<main><h1>Truepeel</h1><p>{said}</p>{tail}</main></html>"""

ALWAYS = {
    # The address of a work opens it, so no other site may be told where the maker came from.
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    # Nothing a photo, a name or a stranger's project holds can make the browser call anywhere else. The page's own
    # scripts need "unsafe-eval" (charts) and blob (Streamlit's components).
    "content-security-policy": "default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval'; frame-ancestors 'none'",
}


class Gate:
    """Stands before all that the server answers."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self.tray = uploads.Tray()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket") or scope["path"] == HEALTH:
            await self.app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        send = _with_headers(send, ALWAYS)
        if share.address():
            answer, token = _let_in(asked)
            if answer:
                await _refuse(answer, scope, receive, send)
                return
            if token:
                send = _with_headers(send, {"set-cookie": _cookie(asked, token)})
        if scope["type"] == "http" and scope["method"] == "PUT" and scope["path"].startswith(UPLOADS):
            await self._take_upload(asked, scope, receive, send)
            return
        await self.app(scope, receive, send)

    async def _take_upload(self, asked: HTTPConnection, scope: Scope, receive: Receive, send: Send) -> None:
        session, _, name = scope["path"].removeprefix(UPLOADS).partition("/")
        length = asked.headers.get("content-length", "")
        if not length.isdecimal():
            await _refuse(PlainTextResponse("Say how long the file is.", 411), scope, receive, send)
        elif not self.tray.begin(session, name, int(length)):
            await _refuse(PlainTextResponse(uploads.FULL, 413), scope, receive, send)
        else:
            try:
                await self.app(scope, receive, send)
            finally:
                self.tray.end(session, name)


def _let_in(asked: HTTPConnection) -> tuple[Response | None, str | None]:
    """What is answered in the page's place, if anything; the work whose cookie is to be set, if it is not yet."""
    known = _opens(asked.cookies.get(_cookie_name(asked), ""))
    if asked.scope["type"] == "websocket" or asked.scope["method"] != "GET" or asked.scope["path"] != "/":
        return (None, None) if known else (_closed(), None)
    work = asked.query_params.get("work", "")
    if "key" in asked.query_params:
        work = _redeemed(asked) or known or ""
        return (_to_work(asked, work) if work else _closed()), None
    if not _opens(work):
        return (_to_work(asked, known) if known else _closed()), None
    if not known:
        return (_without_cookies(work) if ASKED_BACK in asked.query_params else _once_more(asked, work)), None
    if ASKED_BACK in asked.query_params:
        return _to_work(asked, work), None
    return None, (work if work != known else None)


def _opens(token: str) -> str | None:
    return token if token and shelf.open_work(token) else None


def _redeemed(asked: HTTPConnection) -> str | None:
    """The work that the key opens, a new one where it names none; a browser that only looks ahead spends no key."""
    if "prefetch" in asked.headers.get("sec-purpose", ""):
        return None
    token = share.keys.redeem(asked.query_params["key"])
    if token == "":
        shelf.sweep()
        return shelf.new_work().token
    return _opens(token) if token else None


def _closed() -> Response:
    return _plain(share.CLOSED, 403)


def _without_cookies(work: str) -> Response:
    return _plain(share.NO_COOKIES, 403, tail=f'<p><a href="/?work={work}">Try again</a></p>')


def _plain(said: str, status: int, head: str = "", tail: str = "", headers: dict[str, str] | None = None) -> Response:
    return HTMLResponse(PLAIN_PAGE.format(said=html.escape(said), head=head, tail=tail), status, headers)


def _once_more(asked: HTTPConnection, work: str) -> Response:
    """Gives the cookie, and has the browser come back with it: one that keeps no cookies would be shown the page's
    frame and refused all that belongs in it. The page itself sends it round, since a browser that came by a link on
    another site would keep the cookie back from a redirect (SameSite=Strict)."""
    again = f'<meta http-equiv="refresh" content="0; url=/?work={work}&amp;{ASKED_BACK}=1">'
    return _plain("One moment …", 200, head=again, headers={"set-cookie": _cookie(asked, work)})


def _to_work(asked: HTTPConnection, token: str) -> Response:
    """Onwards to the work's own address, so that no key stays in the browser's history."""
    return RedirectResponse(f"/?work={token}", 303, {"set-cookie": _cookie(asked, token)})


def _cookie_name(asked: HTTPConnection) -> str:
    # Browsers share cookies between the ports of a machine, where another page may listen.
    _, port = asked.scope["server"]
    return f"truepeel-{port}"


def _cookie(asked: HTTPConnection, token: str) -> str:
    age = shelf.KEEP_DAYS * 86_400
    return f"{_cookie_name(asked)}={token}; Path=/; Max-Age={age}; HttpOnly; SameSite=Strict"


def _with_headers(send: Send, headers: dict[str, str]) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            held = MutableHeaders(scope=message)
            for name, value in headers.items():
                held.append(name, value)
        await send(message)

    return sending


async def _refuse(answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        # Closed before it is opened: the server answers 403 (ASGI, WebSocket close).
        await send({"type": "websocket.close", "code": 1008})
    else:
        await answer(scope, receive, send)
