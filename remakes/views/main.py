"""What Streamlit runs at every visit: the menu and the page that was asked for."""

from remakes.views.menu import show
from remakes.views.server import page_shown

try:
    show()
finally:
    page_shown()
