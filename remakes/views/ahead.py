"""What a browser may fetch while somebody types a password: the program's own parts, so that the first page comes soon.

A browser that was never here before fetches some 130 files of the toolkit, five megabytes, the last of them only once
earlier ones have run. Measured, they are worth their name on the page of signing in alone: a page of the app that names
them all at its head comes no sooner.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Final

from streamlit.file_util import get_static_dir

__all__ = ["program_parts"]

#: The toolkit's parts that the pages ask for once they run, in the order in which they come to be needed.
_ASKED_FOR_LATER: Final = (
    *("Radio", "TextInput", "Selectbox", "Html", "Button", "Metric", "DataFrame"),  # on nearly every page
    *("ArrowVegaLiteChart", "embed", "Multiselect", "Checkbox", "BidiComponent", "DownloadButton", "PageLink"),
    *("FileUploader", "Table"),
)
#: The letters of icons; the page names those of words itself.
_ICONS: Final = "MaterialSymbols-Rounded.*.woff2"
_IN_THE_PAGE: Final = re.compile(r'(?:src|href)="\./(static/[^"]+)"')
_IMPORTED: Final = re.compile(r"""(?:from|import)\s*["'`]\./([\w.-]+\.js)["'`]""")


@cache
def program_parts() -> tuple[str, ...]:
    """The addresses of the toolkit's parts that the pages need.

    Returns
    -------
    tuple of str
        Paths on this server, each once; fewer, or none, where the toolkit keeps its parts in another way than the
        one known here.
    """
    return tuple(dict.fromkeys((*_named_by_the_page(), *_icons(), *_with_imports(_ASKED_FOR_LATER))))


def _icons() -> Iterator[str]:
    for one in Path(get_static_dir(), "static", "media").glob(_ICONS):
        yield f"/static/media/{one.name}"


def _named_by_the_page() -> tuple[str, ...]:
    try:
        page = Path(get_static_dir(), "index.html").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ()
    return tuple(f"/{one}" for one in _IN_THE_PAGE.findall(page))


def _with_imports(names: Iterable[str]) -> Iterator[str]:
    """The scripts of these names and, before each, what it imports."""
    scripts = Path(get_static_dir(), "static", "js")
    seen: set[str] = set()

    def follow(script: Path) -> Iterator[str]:
        if script.name in seen:
            return
        seen.add(script.name)
        try:
            text = script.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return
        for imported in _IMPORTED.findall(text):
            yield from follow(scripts / imported)
        yield f"/static/js/{script.name}"

    for name in names:
        for script in sorted(scripts.glob(f"{name}.*.js")):
            yield from follow(script)
