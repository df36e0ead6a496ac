"""Pages opened without a browser, on a store of their own."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pandas as pd
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

from remakes import flow
from remakes.records.store import open_store
from remakes.views import jobs, state
from tests.shared_labs import build_clear_lab, build_small_lab

__all__ = [
    "PAGES",
    "ROLES",
    "build_clear_lab",
    "build_small_lab",
    "folded",
    "open_page",
    "put_on_shelf",
    "table_with",
    "texts",
]

# Each page that is opened asks every installed package whether it brings components of its own: half a second each
# time, and the answer stays.
manifest_scanner.scan_component_manifests = cache(manifest_scanner.scan_component_manifests)  # type: ignore[assignment]

PAGES = ("today", "enter", "months", "steps", "try_next", "my_work", "lists", "restoration")
ROLES = {"try_next": "manager", "my_work": "technician"}


def _show(name: str) -> None:
    from importlib import import_module

    from remakes.views import frame

    frame.page("A page", import_module(f"remakes.views.{name}").body)()


def open_page(name: str, *, role: str | None = None, code: str = "") -> AppTest:
    """One page as a visitor in a role sees it."""
    app = AppTest.from_function(_show, default_timeout=60, kwargs={"name": name})
    app.session_state["role"] = role or ROLES.get(name, "quality")
    app.session_state["technician"] = code
    return app.run()


def put_on_shelf(lab: Path, result: flow.Analysis) -> None:
    """Pages find this analysis of the lab worked out; one that is there already stands."""
    store = open_store(str(lab))
    topic = ("analysis", store.url, state.HORIZON)
    jobs.shelf().latest(topic, store.figures_version(), lambda _tell: result)
    store.close()


def table_with(app: AppTest, column: str) -> pd.DataFrame:
    """The first table of the page with this column, as it reads: a table of text has signs made safe in its cells."""

    def read(cell: object) -> object:
        return cell.replace("\\", "").replace("\N{NO-BREAK SPACE}", " ") if isinstance(cell, str) else cell

    wrapped = [one.value.rename(columns=read).map(read) for one in app.table]
    found: pd.DataFrame = next(one for one in (*(one.value for one in app.dataframe), *wrapped) if column in one)
    return found


def folded(app: AppTest, begins: str) -> str:
    """The line over what is folded away that begins so."""
    return str(next(one.label for one in app.expander if one.label.startswith(begins)))


def texts(app: AppTest) -> str:
    """Every word on the page that is no table."""
    return "\n".join(
        str(part.value)
        for kind in ("header", "markdown", "caption", "info", "error", "warning", "success")
        for part in app.get(kind)
    )
