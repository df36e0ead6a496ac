"""The gate before the app: whoever has not signed in is led to the sign-in page before anything else is sent."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from remakes.errors import RemakesError
from remakes.records.sessions import session_of
from remakes.texts import t
from remakes.views.server import open_here_asked
from remakes.views.sign_in import SIGN_IN, at_this_machine, local_path, speak_as_asked
from remakes.views.visitors import by_single_sign_on, cookie_name, records

__all__ = ["MIDDLEWARE", "Gate"]

#: What the pages hold of the records, by addresses of their own: pictures, files to download, files sent in.
_GUARDED: Final = ("/media/", "/_stcore/upload_file")
#: The program's own parts, the same for everybody, and the way in.
_FREE: Final = ("/_stcore/", "/static/", "/component/", "/signin", "/signout", "/auth/", "/oauth2callback")


class Gate:
    """Asked of every request. The pages ask again: a session may end while one is open."""

    def __init__(self, app: ASGIApp) -> None:
        """Stand before an application."""
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request on, or answer it here."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        path = str(scope["path"])
        page = _is_page(path)
        if (page or path.startswith(_GUARDED)) and not await run_in_threadpool(_may_pass, Request(scope)):
            await _turned_away(Request(scope), page=page)(scope, receive, send)
            return
        await self.app(scope, receive, _framed(send) if page else send)


def _is_page(path: str) -> bool:
    return not path.startswith((*_FREE, *_GUARDED)) and "." not in path.rpartition("/")[2]


def _may_pass(request: Request) -> bool:
    if (open_here_asked() and at_this_machine(request)) or by_single_sign_on():
        # The pages themselves ask who is there.
        return True
    try:
        return session_of(records(), request.cookies.get(cookie_name(), "")) is not None
    except RemakesError:
        # The page says what is wrong with the records.
        return True


def _turned_away(request: Request, *, page: bool) -> Response:
    if not page:
        speak_as_asked(request)
        return PlainTextResponse(t("Sign in first."), status_code=403)
    query = f"?{request.url.query}" if request.url.query else ""
    to = local_path(request.url.path + query)
    return RedirectResponse(f"{SIGN_IN}?next={quote(to, safe='')}", 303, headers={"Cache-Control": "no-store"})


def _framed(send: Send) -> Send:
    """No page of another host may show ours in a frame and catch the clicks."""

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers: Any = MutableHeaders(scope=message)
            headers["X-Frame-Options"] = "SAMEORIGIN"
            headers["X-Content-Type-Options"] = "nosniff"
        await send(message)

    return sent


MIDDLEWARE: Final = (Middleware(Gate),)
