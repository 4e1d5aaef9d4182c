"""The board as a server runs it: the views of `app.py` behind the gate. `vansnap board` starts it."""

from pathlib import Path

import streamlit as st
from starlette.middleware import Middleware
from streamlit.web.server.server_util import get_cookie_secret

from dashboards.gate import Gate, told_bounds
from dashboards.who import home

app = st.App(
    Path(__file__).with_name("app.py"),
    middleware=[Middleware(Gate, home=home(), told=told_bounds, secret=get_cookie_secret)],
)
