"""What a browser fetches while somebody signs in: there, each once, and what the pages ask for."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from streamlit.file_util import get_static_dir

from remakes.views import ahead, sign_in_html


@pytest.fixture
def _forgetful() -> Iterator[None]:
    ahead.program_parts.cache_clear()
    yield
    ahead.program_parts.cache_clear()


def test_every_part_is_there_and_named_once() -> None:
    parts = ahead.program_parts()
    assert len(parts) > 100
    assert len(set(parts)) == len(parts)
    assert all(Path(get_static_dir(), one.lstrip("/")).is_file() for one in parts)
    for name in ("index", "MaterialSymbols-Rounded", *ahead._ASKED_FOR_LATER):
        assert any(re.search(rf"/{re.escape(name)}\.[^/]+$", one) for one in parts), name
    # What is imported comes before what imports it; what only a click asks for does not come.
    assert parts.index(next(one for one in parts if "/arrowFormatUtils." in one)) < parts.index(
        next(one for one in parts if "/DataFrame." in one and one.endswith(".js"))
    )
    assert not any("PlotlyChart" in one for one in parts)


def test_the_form_names_them_and_a_refusal_does_not() -> None:
    form = sign_in_html.signing_in(nonce="n", to="/")
    assert form.count('<link rel="prefetch" href="/static/') == len(ahead.program_parts())
    assert "prefetch" not in sign_in_html.message("Not done", "Too much was sent.", nonce="n")


@pytest.mark.usefixtures("_forgetful")
def test_a_toolkit_that_keeps_its_parts_elsewhere_costs_speed_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ahead, "get_static_dir", lambda: str(tmp_path))
    assert ahead.program_parts() == ()
    assert "<form" in sign_in_html.signing_in(nonce="n", to="/")
