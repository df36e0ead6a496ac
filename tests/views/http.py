"""The routes outside the pages, asked without a server or a browser."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urlencode, urlsplit

from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from remakes.views.gate import MIDDLEWARE
from remakes.views.sign_in import ROUTES

HERE = "localhost:8501"


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    text: str

    @property
    def cookie(self) -> Any:
        """The one cookie that was set, with its flags; None where none was."""
        jar = SimpleCookie(self.headers.get("set-cookie", ""))
        return next(iter(jar.values()), None)


def _page(_request: Any) -> PlainTextResponse:
    return PlainTextResponse("the app")


def ask(
    path: str,
    fields: Mapping[str, str] | None = None,
    *,
    cookie: tuple[str, str] | None = None,
    client: str = "127.0.0.1",
    scheme: str = "http",
    headers: Mapping[str, str] | None = None,
) -> Answer:
    """GET a path, or POST fields to it, as a browser on a page of the app does."""
    said = {"host": HERE, **({} if fields is None else {"origin": f"{scheme}://{HERE}"}), **(headers or {})}
    if cookie:
        said["cookie"] = "=".join(cookie)
    parts = urlsplit(path)
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET" if fields is None else "POST",
        "scheme": scheme,
        "path": parts.path,
        "raw_path": parts.path.encode(),
        "query_string": parts.query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in said.items() if value],
        "client": (client, 50_000),
        "server": ("127.0.0.1", 8501),
    }
    return asyncio.run(_asked(scope, urlencode(fields or {}).encode()))


async def _asked(scope: dict[str, Any], body: bytes) -> Answer:
    app = Starlette(
        routes=[*ROUTES, Route("/{rest:path}", _page, methods=["GET", "POST"])], middleware=list(MIDDLEWARE)
    )
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    start = next(one for one in sent if one["type"] == "http.response.start")
    text = b"".join(one.get("body", b"") for one in sent if one["type"] == "http.response.body")
    return Answer(
        status=start["status"],
        headers={name.decode(): value.decode() for name, value in start["headers"]},
        text=text.decode(),
    )
