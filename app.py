"""The app, for `streamlit run app.py` from a checkout; `remakes app` opens the same pages."""

import streamlit as st

from remakes.views.server import PAGES_SCRIPT, SETTINGS, tell_plainly

app = st.App(PAGES_SCRIPT, on_script_error=tell_plainly)

if __name__ == "__main__":
    app.run(config=SETTINGS)
