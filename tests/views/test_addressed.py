"""A choice stands in the address, and comes back where the toolkit dropped it in mid-visit."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest


def _page() -> None:
    import streamlit as st

    from remakes.views.addressed import from_address, into_address

    from_address("part", ("first", "second"))
    st.radio("Part", ("first", "second"), key="part")
    into_address("part", "first")


def test_the_address_says_what_is_chosen_and_a_default_needs_no_word() -> None:
    app = AppTest.from_function(_page)
    app.query_params["part"] = "second"
    app.run()
    assert app.radio(key="part").value == "second"
    app.radio(key="part").set_value("first").run()
    assert "part" not in app.query_params


def test_a_choice_that_the_toolkit_dropped_comes_back_and_nonsense_does_not() -> None:
    app = AppTest.from_function(_page)
    app.session_state["kept_part"] = "second"
    assert app.run().radio(key="part").value == "second"
    app = AppTest.from_function(_page)
    app.session_state["kept_part"] = "third"
    assert app.run().radio(key="part").value == "first"
