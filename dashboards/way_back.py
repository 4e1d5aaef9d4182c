"""The way back after a login: a scanned code leads to its order, not to the first page.

A login returns to the first page in a new session. The token against forged requests, which only this browser holds, ties
the two together.
"""

from collections.abc import Mapping
from urllib.parse import urlsplit

import streamlit as st
from streamlit.navigation.page import StreamlitPage

_COOKIE = "_streamlit_xsrf"


@st.cache_resource(ttl=600, max_entries=1000, show_spinner=False)
def _place(token: str) -> dict[str, object]:
    """What is kept for a browser, for ten minutes."""
    return {}


def browser_token() -> str:
    """The browser's token, empty where there is none. Its cookie is masked anew at every answer: 2|mask|masked|time."""
    parts = st.context.cookies.get(_COOKIE, "").split("|")
    if len(parts) != 4 or parts[0] != "2":
        return ""
    try:
        mask, masked = bytes.fromhex(parts[1]), bytes.fromhex(parts[2])
        return bytes(byte ^ mask[k % len(mask)] for k, byte in enumerate(masked)).hex()
    except (ValueError, ZeroDivisionError):  # no cookie of ours
        return ""


def remember() -> None:
    """Keep the address asked for until the login is done."""
    token = browser_token()
    if token:
        _place(token).update(
            path=urlsplit(st.context.url or "").path.rsplit("/", 1)[-1], query=st.query_params.to_dict()
        )


def resume(pages: Mapping[str, StreamlitPage]) -> None:
    """Go, once, to the address remembered before the login, if there is one.

    Parameters
    ----------
    pages : mapping of str to StreamlitPage
        Views there are; call it after they are made known.
    """
    token = browser_token()
    if not token or not _place(token):
        return
    kept = dict(_place(token))
    _place(token).clear()
    page = next((page for page in pages.values() if page.url_path == kept["path"]), None)
    if page is not None:
        st.switch_page(page, query_params=kept["query"])  # type: ignore[arg-type]
