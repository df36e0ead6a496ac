"""The app, for `streamlit run app.py` from a checkout; `remakes app` opens the same pages."""

import streamlit as st

from remakes.views.gate import MIDDLEWARE
from remakes.views.server import PAGES_SCRIPT, SETTINGS, tell_plainly
from remakes.views.sign_in import ROUTES

app = st.App(PAGES_SCRIPT, routes=ROUTES, middleware=MIDDLEWARE, on_script_error=tell_plainly)

if __name__ == "__main__":
    app.run(config=SETTINGS)
