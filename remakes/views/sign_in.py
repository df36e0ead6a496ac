"""Signing in and out over HTTP, outside the app's pages: only so can a cookie be kept from every script."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Mapping
from functools import cache
from typing import Final, TypeVar
from urllib.parse import parse_qsl, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from remakes.errors import EntryError, RemakesError
from remakes.records import sessions
from remakes.records.attempts import SignInError, TooManyAttemptsError
from remakes.records.people import add_first_manager, nobody_yet
from remakes.records.store import Store
from remakes.texts import language, speak, t
from remakes.views import sign_in_html as html
from remakes.views.server import asked_here
from remakes.views.visitors import by_single_sign_on, cookie_name, language_asked_for, records

__all__ = ["ROUTES", "SIGN_IN", "at_this_machine", "first_word", "local_path", "same_origin", "speak_as_asked"]

SIGN_IN: Final = "/signin"
_SIGN_OUT: Final = "/signout"
#: A form of ours is far smaller.
_MOST_BYTES: Final = 10_000
Answer = TypeVar("Answer", bound=Response)


def local_path(asked: str) -> str:
    """Where to go after signing in: a path of this app, or its start for anything else."""
    if not asked.startswith("/") or asked.startswith(("//", SIGN_IN, _SIGN_OUT)):
        return "/"
    # A browser takes a backslash for a stroke, and leaves control signs out.
    if "\\" in asked or not asked.isascii() or not asked.isprintable():
        return "/"
    parts = urlsplit(asked)
    return asked if not parts.scheme and not parts.netloc else "/"


def same_origin(headers: Mapping[str, str]) -> bool:
    """Was a form sent from a page of this very app? A browser says so; who says nothing is refused."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    said = headers.get("origin") or headers.get("referer") or ""
    host = headers.get("host", "")
    return bool(host) and urlsplit(said).scheme in ("http", "https") and urlsplit(said).netloc.lower() == host.lower()


@cache
def first_word() -> str:
    """The word that whoever can read the window of the app knows; one for each start."""
    return secrets.token_hex(4)


async def _show(request: Request) -> Response:
    """The form; whoever is signed in already goes on."""
    return await run_in_threadpool(_shown, request)


def _shown(request: Request) -> Response:
    speak_as_asked(request)
    to = local_path(request.query_params.get("next", "/"))
    if by_single_sign_on():
        return RedirectResponse("/", status_code=303)
    try:
        store = records()
        if sessions.session_of(store, request.cookies.get(cookie_name(), "")) is not None:
            return _own(RedirectResponse(to, status_code=303))
        return _form(request, store, to=to)
    except RemakesError as error:
        return _refused(str(error), status=503)


async def _sign_in(request: Request) -> Response:
    if not same_origin(request.headers):
        speak_as_asked(request)
        return _refused(
            t(
                "This form was not sent from a page of this app, so it was refused. Open the app's own address. "
                "Behind a proxy: it must hand on the header Host unchanged."
            ),
            status=403,
        )
    body = await _body(request)
    if body is None:
        speak_as_asked(request)
        return _refused(t("Too much was sent."), status=413)
    return await run_in_threadpool(_signed_in, request, body)


def _signed_in(request: Request, body: Mapping[str, str]) -> Response:
    speak_as_asked(request)
    if by_single_sign_on():
        return _refused(t("People sign in by single sign-on here."), status=403)
    try:
        return _checked(request, records(), body)
    except RemakesError as error:
        return _refused(str(error), status=503)


def _checked(request: Request, store: Store, body: Mapping[str, str]) -> Response:
    to, code = local_path(body.get("next", "/")), body.get("code", "").strip()
    try:
        token = _token(request, store, body)
    except EntryError as error:
        return _form(request, store, to=to, code=code, error=str(error), status=_status(error))
    if before := request.cookies.get(cookie_name()):
        sessions.sign_out(store, before)
    answer = RedirectResponse(to, status_code=303)
    answer.set_cookie(cookie_name(), token, path="/", httponly=True, samesite="lax", secure=_is_secure(request))
    return _own(answer)


def _token(request: Request, store: Store, body: Mapping[str, str]) -> str:
    code, password = body.get("code", ""), body.get("password", "")
    if nobody_yet(store):
        _refuse_first_manager(request, body)
        add_first_manager(store, code, password, language=language())
    address = request.client.host if request.client is not None else ""
    return sessions.sign_in(store, code, password, address=address)


def _status(error: EntryError) -> int:
    if isinstance(error, TooManyAttemptsError):
        return 429
    return 401 if isinstance(error, SignInError) else 400


def _refuse_first_manager(request: Request, body: Mapping[str, str]) -> None:
    word = body.get("word", "").strip()
    if not at_this_machine(request) and not secrets.compare_digest(word.encode(), first_word().encode()):
        _tell_word()
        raise EntryError(t("The one-time word is wrong. The window that started the app printed it."))
    if body.get("password") != body.get("again"):
        raise EntryError(t("The two passwords differ. Type them again."))


async def _sign_out(request: Request) -> Response:
    if not same_origin(request.headers):
        speak_as_asked(request)
        return _refused(t("This form was not sent from a page of this app, so it was refused."), status=403)
    return await run_in_threadpool(_signed_out, request)


def _signed_out(request: Request) -> Response:
    try:
        if before := request.cookies.get(cookie_name()):
            sessions.sign_out(records(), before)
    except RemakesError as error:
        speak_as_asked(request)
        return _refused(str(error), status=503)
    answer = RedirectResponse(SIGN_IN, status_code=303)
    answer.delete_cookie(cookie_name(), path="/", httponly=True, samesite="lax")
    return _own(answer)


def _form(
    request: Request, store: Store, *, to: str, code: str = "", error: str = "", status: int = 200
) -> HTMLResponse:
    nonce = secrets.token_urlsafe(16)
    if nobody_yet(store):
        word_needed = not at_this_machine(request)
        if word_needed:
            _tell_word()
        page = html.first_manager(nonce=nonce, to=to, word_needed=word_needed, code=code, error=error)
    else:
        page = html.signing_in(nonce=nonce, to=to, code=code, error=error)
    return _own(HTMLResponse(page, status_code=status), nonce=nonce)


def _refused(text: str, *, status: int) -> HTMLResponse:
    nonce = secrets.token_urlsafe(16)
    return _own(HTMLResponse(html.message(t("Not done"), text, nonce=nonce), status_code=status), nonce=nonce)


def _own(answer: Answer, *, nonce: str = "") -> Answer:
    """A page of ours runs no script, is shown in no frame and kept in no cache."""
    style = f"'nonce-{nonce}'" if nonce else "'none'"
    answer.headers.update(
        {
            # A browser fetches ahead what any one rule lets in; there are no fonts here that this would let in besides.
            "Content-Security-Policy": f"default-src 'none'; font-src 'self'; style-src {style}; form-action 'self'; "
            "frame-ancestors 'none'; base-uri 'none'",
            "X-Frame-Options": "DENY",
            "X-Content-Type-Options": "nosniff",
            # Not "no-referrer": a browser then says no origin with a form.
            "Referrer-Policy": "same-origin",
            "Cache-Control": "no-store",
        }
    )
    return answer


async def _body(request: Request) -> dict[str, str] | None:
    """The fields of a form; None where too much is sent."""
    seen = b""
    async for piece in request.stream():
        seen += piece
        if len(seen) > _MOST_BYTES:
            return None
    return dict(parse_qsl(seen.decode(errors="replace"), keep_blank_values=True))


def at_this_machine(request: Request) -> bool:
    """Does this request come from here? A proxy would let others in."""
    return request.client is not None and asked_here(request.headers, request.client.host)


def _is_secure(request: Request) -> bool:
    """Did the browser ask by https? Of several proxies in a row, the first word is of the one that it asked."""
    said = request.headers.get("x-forwarded-proto", "").partition(",")[0]
    return request.url.scheme == "https" or said.strip().lower() == "https"


@cache
def _tell_word() -> None:
    logging.getLogger("remakes").warning("One-time word for the first manager: %s", first_word())


def speak_as_asked(request: Request) -> None:
    """Speak the browser's language: nobody is known yet."""
    speak(language_asked_for(request.headers.get("accept-language", "")))


ROUTES: Final = (
    Route(SIGN_IN, _show, methods=["GET"]),
    Route(SIGN_IN, _sign_in, methods=["POST"]),
    Route(_SIGN_OUT, _sign_out, methods=["POST"]),
)
