"""Start the app on this machine, for this machine only."""

from __future__ import annotations

import logging
import os
import socket
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import streamlit as st

__all__ = ["DATABASE_VARIABLE", "PAGES_SCRIPT", "SETTINGS", "serve", "tell_plainly"]

#: Hands the address of the records over to the pages.
DATABASE_VARIABLE: Final = "REMAKES_DB"
#: What Streamlit runs at every visit.
PAGES_SCRIPT: Final = str(Path(__file__).with_name("main.py"))
_USUAL_PORT: Final = 8501

#: The same as `.streamlit/config.toml`, which a wheel does not hold. Colours of marks: Okabe and Ito's set.
SETTINGS: Final = MappingProxyType(
    {
        "server.address": "localhost",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorLinks": False,
        "client.showErrorDetails": "none",
        "client.disableDataExport": True,
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


def serve(db_url: str, *, port: int | None = None, open_browser: bool = True) -> None:
    """Open the app on a lab's records and stay until it is stopped.

    Parameters
    ----------
    db_url : str
        Address of the records, as for `open_store`.
    port : int, optional
        Default: 8501, or any free one where that is taken.
    open_browser : bool
        Open a browser window on it.

    Notes
    -----
    The server listens on the loopback address only, so that no other machine can reach the records.
    """
    os.environ[DATABASE_VARIABLE] = db_url
    settings: dict[str, Any] = {
        **SETTINGS,
        "server.port": port or _free_port(),
        "server.headless": not open_browser,
    }
    st.App(PAGES_SCRIPT, on_script_error=tell_plainly).run(config=settings)


def _free_port() -> int:
    for wanted in (_USUAL_PORT, 0):
        with socket.socket() as probe:
            try:
                probe.bind(("localhost", wanted))
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
    from remakes.errors import RemakesError

    if isinstance(error, RemakesError):
        st.error(words.refusal(error))
        return True
    logging.getLogger("remakes").error("a page failed", exc_info=error)
    st.error(
        f"Something went wrong inside the program ({type(error).__name__}). Nothing unfinished was saved. "
        "Reload the page; if it happens again, send what the window that started the app prints to whoever keeps "
        "this program for you."
    )
    return True
