"""Start the app: on this machine, for this machine only unless another address is asked for."""

from __future__ import annotations

import ipaddress
import logging
import os
import socket
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import streamlit as st
from streamlit import net_util, runtime

from remakes.errors import EntryError, RemakesError
from remakes.texts import t

__all__ = [
    "DATABASE_VARIABLE",
    "LOOPBACK",
    "OPEN_HERE_VARIABLE",
    "PAGES_SCRIPT",
    "SETTINGS",
    "SINGLE_SIGN_ON_VARIABLE",
    "ask_nobody_outside",
    "asked_here",
    "is_loopback",
    "open_here_asked",
    "page_shown",
    "serve",
    "tell_plainly",
]

#: Hands the address of the records over to the pages.
DATABASE_VARIABLE: Final = "REMAKES_DB"
#: Anything but blank: no accounts, roles are picked. Counts on the loopback address only.
OPEN_HERE_VARIABLE: Final = "REMAKES_OPEN_HERE"
#: Anything but blank: people sign in where the lab signs in anyway.
SINGLE_SIGN_ON_VARIABLE: Final = "REMAKES_SINGLE_SIGN_ON"
#: What a proxy says with a request that it hands on: then somebody else may ask than this machine.
_FORWARDED: Final = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
#: The name of the loopback address.
LOOPBACK: Final = "localhost"
#: What Streamlit runs at every visit.
PAGES_SCRIPT: Final = str(Path(__file__).with_name("main.py"))
_USUAL_PORT: Final = 8501
#: How long the analysis waits for the server to be up before it is begun all the same.
_PATIENCE_S: Final = 10
#: How long it waits for the first page, which needs the machine more, and then for a browser to fetch what is on it.
_FIRST_PAGE_S: Final = 15.0
_FETCHING_S: Final = 1.0
_page_shown: Final = threading.Event()

#: The same as `.streamlit/config.toml`, which a wheel does not hold. Colours of marks: Okabe and Ito's set.
SETTINGS: Final = MappingProxyType(
    {
        "server.address": LOOPBACK,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorLinks": False,
        "client.showErrorDetails": "none",
        "client.disableDataExport": True,
        # Without its welcome the toolkit does not offer, on every page, to install something of its own.
        "logger.hideWelcomeMessage": True,
        "theme.baseRadius": "0.25rem",
        "theme.paddingTop": "3rem",
        "theme.headingFontSizes": ["2.25rem", "1.4rem", "1.3rem"],
        "theme.chartCategoricalColors": ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9"],
        "theme.light.primaryColor": "#00446b",
        "theme.light.backgroundColor": "#fcfbf8",
        "theme.light.secondaryBackgroundColor": "#efece4",
        "theme.light.textColor": "#0b0c0e",
        "theme.light.linkColor": "#00446b",
        "theme.dark.primaryColor": "#1f6fb2",
        "theme.dark.backgroundColor": "#15181c",
        "theme.dark.secondaryBackgroundColor": "#22272d",
        "theme.dark.textColor": "#f4f3ef",
        "theme.dark.linkColor": "#7cc0f0",
    }
)


def serve(
    db_url: str,
    *,
    port: int | None = None,
    open_browser: bool = True,
    open_here: bool = False,
    address: str | None = None,
    single_sign_on: bool = False,
) -> None:
    """Open the app on a lab's records and stay until it is stopped.

    Parameters
    ----------
    db_url : str
        Address of the records, as for `open_store`.
    port : int, optional
        Default: 8501, or any free one where that is taken.
    open_browser : bool
        Open a browser window on it.
    open_here : bool
        No accounts: whoever sits at this machine picks a role. Else everybody signs in.
    address : str, optional
        Listen here; default: the loopback address, which no other machine reaches.
    single_sign_on : bool
        People sign in where the lab signs in anyway, instead of with a password kept here.

    Raises
    ------
    EntryError
        Open here on an address that other machines reach, or single sign-on without the library for it.
    """
    open_here = open_here or bool(os.environ.get(OPEN_HERE_VARIABLE))
    single_sign_on = single_sign_on or bool(os.environ.get(SINGLE_SIGN_ON_VARIABLE))
    address = address or LOOPBACK
    _refuse_unsafe(address, open_here=open_here, single_sign_on=single_sign_on)
    os.environ[DATABASE_VARIABLE] = db_url
    os.environ[OPEN_HERE_VARIABLE] = "1" if open_here else ""
    os.environ[SINGLE_SIGN_ON_VARIABLE] = "1" if single_sign_on else ""
    settings: dict[str, Any] = {
        **SETTINGS,
        "server.address": address,
        "server.port": port or _free_port(),
        "server.headless": not open_browser,
    }
    # These stand on what stands here.
    from remakes.views.gate import MIDDLEWARE
    from remakes.views.sign_in import ROUTES

    ask_nobody_outside()
    sys.stdout.write(_where(address, settings["server.port"]) + "\n")
    sys.stdout.flush()
    threading.Thread(target=_begin, name="remakes-begin", daemon=True).start()
    st.App(PAGES_SCRIPT, routes=ROUTES, middleware=MIDDLEWARE, on_script_error=tell_plainly).run(config=settings)


def _where(address: str, port: int) -> str:
    host = f"[{address}]" if ":" in address else address
    return t("The app opens at {url}. Leave this window open; Ctrl+C stops the app.", url=f"http://{host}:{port}")


def ask_nobody_outside() -> None:
    """Keep the toolkit from asking a service on the internet for this machine's address when a foreign page calls."""
    net_util.get_external_ip = lambda: None


def open_here_asked() -> bool:
    """Was the app started without accounts, for this machine only?"""
    return bool(os.environ.get(OPEN_HERE_VARIABLE)) and is_loopback(st.get_option("server.address") or LOOPBACK)


def is_loopback(host: str) -> bool:
    """Is this the name or number of an address that only this machine reaches?"""
    host = host.strip("[]").lower()
    if host == LOOPBACK:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def asked_here(headers: Mapping[str, str], client: str | None) -> bool:
    """Does somebody at this very machine ask, under a name that only it has, and no proxy for somebody else?

    Parameters
    ----------
    headers : mapping
        What came with the request; names in any case.
    client : str or None
        The address it came from; None where that is this machine's.
    """
    if any(name in headers for name in _FORWARDED) or not is_loopback(client or LOOPBACK):
        return False
    host = headers.get("host")
    return host is None or is_loopback(_name_of(host))


def _name_of(host: str) -> str:
    return host.rpartition(":")[0] if ":" in host and not host.endswith("]") else host


def _refuse_unsafe(address: str, *, open_here: bool, single_sign_on: bool) -> None:
    if open_here and not is_loopback(address):
        raise EntryError(
            t(
                "Without accounts the app opens for this machine only, and {address} can be reached from others. "
                "Leave out --open-here so that people sign in, or leave out --address.",
                address=address,
            )
        )
    if open_here and single_sign_on:
        raise EntryError(t("Give either --open-here or --single-sign-on: open here, nobody signs in."))
    if single_sign_on:
        from remakes.views.single_sign_on import refuse_unless_installed

        refuse_unless_installed()


def _begin() -> None:
    """Load the pages while the first visitor is still on the way, and begin the analysis once the first page stands."""
    for _ in range(_PATIENCE_S * 10):
        if runtime.exists():
            break
        time.sleep(0.1)
    from remakes.views import menu, state  # noqa: F401 - the menu brings all pages

    if _page_shown.wait(_FIRST_PAGE_S):
        time.sleep(_FETCHING_S)
    # What is wrong with the records, the page will say.
    with suppress(RemakesError):
        state.begin()


def page_shown() -> None:
    """A page has been handed to a browser."""
    _page_shown.set()


def _free_port() -> int:
    for wanted in (_USUAL_PORT, 0):
        with socket.socket() as probe:
            try:
                probe.bind((LOOPBACK, wanted))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    return _USUAL_PORT


def tell_plainly(error: Exception) -> bool:
    """Show a sentence instead of a traceback; the traceback goes to standard error.

    Returns
    -------
    bool
        True: nothing else is shown.
    """
    from remakes import words

    if isinstance(error, RemakesError):
        st.error(words.refusal(error))
        return True
    logging.getLogger("remakes").error("a page failed", exc_info=error)
    st.error(
        t(
            "Something went wrong inside the program ({kind}). Nothing unfinished was saved. "
            "Reload the page; if it happens again, send what the window that started the app prints to whoever keeps "
            "this program for you.",
            kind=type(error).__name__,
        )
    )
    return True
