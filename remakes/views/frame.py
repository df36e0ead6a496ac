"""What stands around every page: title, plain errors, the empty state, links, the safety line."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal
from urllib.parse import quote

import streamlit as st

from remakes import flow, words
from remakes.records.demo_lab import demo_files
from remakes.records.importers import ImportReport, import_paths
from remakes.texts import in_english, later, t
from remakes.views import cautions, state, tables
from remakes.views.jobs import follow, shelf
from remakes.views.server import tell_plainly
from remakes.views.tables import as_frame, as_said, table

if TYPE_CHECKING:  # the first page draws nothing, and need not wait for the library
    from remakes.charts.base import Chart

__all__ = [
    "address_of",
    "answer",
    "as_frame",
    "defect_field",
    "draw",
    "few_restoration_links",
    "go",
    "how_sure",
    "page",
    "pick",
    "put_cursor_into",
    "ready",
    "remember_pages",
    "restoration_links",
    "table",
]

_PAGES_KEY: Final = "pages"
_RESTORATION: Final = later("restoration")
#: Pixels of a low table, and how many rows stand in it.
_LOW, _FEW = 262, 6
#: The toolkit writes the part that is looked at, and the value of a slider, in the accent's colour: too dim on a dark
#: ground. Here the text keeps the page's colour, and the part is underlined as well.
_STYLE: Final = """<style>
[data-testid="stButtonGroup"] button, [data-testid="stButtonGroup"] button p,
[data-testid="stSliderThumbValue"], [data-testid="stSliderThumbValue"] p {color: inherit !important}
[data-testid="stButtonGroup"] button[aria-checked="true"] p, [data-testid="stButtonGroup"] button[aria-pressed="true"] p
  {text-decoration: underline 2px; text-underline-offset: .3em}
</style>"""


def page(title: str, body: Callable[[], None]) -> Callable[[], None]:
    """A page with its title, its errors in words and the safety line under it."""

    def show() -> None:
        st.html(_STYLE)
        tables.sign()
        st.title(t(title), anchor=False)
        try:
            body()
        except Exception as error:
            tell_plainly(error)
        st.divider()
        st.caption(t(cautions.SAFETY_LINE))

    return show


def remember_pages(pages: Mapping[str, Any]) -> None:
    """Keep the pages of this visit, for links between them."""
    st.session_state[_PAGES_KEY] = dict(pages)


def go(name: str, label: str, *, primary: bool = False, first: Callable[[], None] | None = None) -> None:
    """A wide button that opens another page, where this role has it; `first` is done before."""
    target = st.session_state.get(_PAGES_KEY, {}).get(name)
    if target is None:
        return
    if st.button(
        t(label), type="primary" if primary else "secondary", width="stretch", key=f"go_{name}", on_click=first
    ):
        st.switch_page(target)


def _address() -> dict[str, str]:
    if not state.open_here():
        # The session knows who follows the link.
        return {}
    visitor = state.visitor()
    codes = {"technician": visitor.code} if visitor.role == "technician" and visitor.code else {}
    return {"role": visitor.role, **codes}


def address_of(page: str, **query: str) -> str:
    """The address of a page for a link, with the role where nobody signs in."""
    told = "&".join(f"{name}={quote(value)}" for name, value in {**_address(), **query}.items())
    return f"{page}?{told}" if told else page


def restoration_links(rows: Sequence[Mapping[str, object]], *, column: str = _RESTORATION, low: bool = False) -> None:
    """A table whose column of restoration numbers opens their time lines; `low`: six or so rows at a time."""
    head, linked = _under(column, rows)
    for row in linked:
        row[head] = address_of("restoration", no=str(row[head]))
    config = st.column_config.LinkColumn(head, display_text=r"no=(.+)$")
    height: int | Literal["auto"] = _LOW if low and len(linked) > _FEW else "auto"
    st.dataframe(as_frame(linked), hide_index=True, column_config={head: config}, height=height, placeholder="")


def _under(column: str, rows: Sequence[Mapping[str, object]]) -> tuple[str, list[dict[str, object]]]:
    """The heading of a column in the reader's language, and the rows with it, whichever language they had it in."""
    head = t(column)
    return head, [{head if name in (column, head) else name: value for name, value in row.items()} for row in rows]


def few_restoration_links(rows: Sequence[Mapping[str, object]], *, column: str = _RESTORATION) -> None:
    """The same for few rows on a first page: without the toolkit's grid, which takes longer to come than all else."""
    if not rows:
        return
    head, linked = _under(column, rows)
    lines = [_cells(linked[0]), _cells("---" for _ in linked[0])]
    for row in linked:
        shown = {name: words.plain(str(as_said(value))) for name, value in row.items()}
        shown[head] = f"[{shown[head]}]({address_of('restoration', no=str(row[head]))})"
        lines.append(_cells(shown.values()))
    st.markdown("\n".join(lines))


def _cells(texts: Iterable[str]) -> str:
    return f"| {' | '.join(texts)} |"


def put_cursor_into(label: str) -> None:
    """Place the cursor in the text field of this label: a constant, never text of the records."""
    # Nothing in the toolkit places the cursor; the changing comment makes the browser run the script again.
    st.html(
        f"""<script>setTimeout(() => document.querySelector('input[aria-label="{label}"]')?.focus(), 80)
        /* {time.time()} */</script>""",
        unsafe_allow_javascript=True,
    )


def defect_field(defects: Sequence[str]) -> str:
    """One of these defects, at first the first of them."""
    return pick(t("Defect"), defects, key="defect", named=words.defect, first=defects[0])


def pick(
    label: str,
    options: Sequence[str],
    *,
    key: str,
    named: Callable[[str], str],
    first: str,
    in_address: Callable[[str], str] | None = None,
) -> str:
    """One of several by its name, which stands in the address: in English whoever reads, so that a link can be sent.

    Parameters
    ----------
    label : str
    options : sequence of str
        Codes; not empty.
    key : str
        Under which the choice is kept, and its name in the address.
    named : callable
        Gives the name of a code in the reader's language.
    first : str
        What is picked at first.
    in_address : callable, optional
        Gives what stands in the address for a code; default: its name.
    """
    addressed = in_address or (lambda one: in_english(named(one)))
    by_name = {addressed(one): one for one in options}
    if st.session_state.get(key) not in options:
        st.session_state[key] = by_name.get(st.query_params.get(key, ""), first)
    picked = st.selectbox(label, options, format_func=named, key=key)
    name = addressed(picked)
    if picked == first:
        st.query_params.pop(key, None)
    elif st.query_params.get(key) != name:
        st.query_params[key] = name
    return picked


def answer(text: str) -> None:
    """The one sentence that answers the page's question."""
    st.header(as_said(text), anchor=False)


def draw(chart: Chart, **wishes: Any) -> Any:
    """A chart in the page's place, its words in an ink that can be read on the page's ground; gives what was picked."""
    # The toolkit's own grey has 3.6:1 on the light ground; these have over 7:1.
    ink = "#c9cdd2" if st.context.theme.type == "dark" else "#44484f"
    # A chart is here already, so the library is too.
    from remakes.charts.base import specification

    return st.vega_lite_chart(spec=specification(chart, ink=ink), **wishes)


def how_sure(sentences: Iterable[str], *, folded: str = "") -> None:
    """The cautions of a page, in words; where a line says the main of it, folded away under that."""
    place = st.expander(folded) if folded else st.container()
    if not folded:
        place.subheader(t("How sure is this?"))
    place.markdown("\n".join(f"- {words.spelled(one)}" for one in dict.fromkeys(sentences)))


def ready(*, standard: bool = False) -> bool:
    """Are there records to look at? If not, say what to do next.

    Parameters
    ----------
    standard : bool
        The page needs returns and a process standard as well.
    """
    brief = flow.brief(state.store())
    if brief.empty:
        _empty()
        return False
    if standard and not brief.requirements:
        st.info(
            t(
                "The records hold no process standard, so no step can be met or missed. Write your "
                "requirements in a standard.toml and bring it in under Lists and import; a sample to "
                "start from can be downloaded there."
            )
        )
        go("lists", t("Lists and import"), primary=True)
        return False
    if standard and not brief.returns:
        st.info(t("No return has been recorded yet. Enter the first one, or import the list of returns."))
        go("enter", t("Enter a return"), primary=True)
        go("lists", t("Lists and import"))
        return False
    return True


def _empty() -> None:
    st.info(
        t(
            "There are no records yet. Look around in the invented demo lab first, or bring in your "
            "own lists: restorations, process log, returns and process standard."
        )
    )
    left, right = st.columns(2)
    with left:
        if st.button(t("Load the demo lab"), type="primary", width="stretch", key="load_demo"):
            _load_demo()
        st.caption(
            t(
                "It is invented, and it fills this empty store: take its imports back under Lists and "
                "import, or start with another file, before your own lists come in."
            )
        )
    with right:
        go("lists", t("Import your lists"))


def _load_demo() -> None:
    records, who = state.store(), state.visitor().who
    job = shelf().once(lambda tell: import_paths(records, [demo_files()], who=who, progress=tell))
    follow(job, t("Loading the demo lab"), ImportReport)
    st.rerun()
