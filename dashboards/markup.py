"""The only place that writes HTML into a page: drawings and a few small tables. Every text in it is escaped here.

Streamlit cleans it once more in the browser; text from outside never reaches it as anything but text.
"""

from collections.abc import Sequence
from html import escape

import streamlit as st

from dashboards.drawing import Drawing

_DROP_ZONE = """<script>new MutationObserver(() => document
  .querySelectorAll("[data-testid=stFileUploaderDropzone][role=presentation]")
  .forEach(zone => zone.setAttribute("role", "group"))).observe(document.body, {childList: true, subtree: true})</script>"""


def name_drop_zones() -> None:
    """Give the toolkit's place for files the role of a group: it has a name, and calls itself decoration."""
    st.html(_DROP_ZONE, unsafe_allow_javascript=True)


def picture(drawn: Drawing, narrow: Drawing | None = None) -> None:
    """Show a drawing of `dashboards/drawing.py`, as wide as there is room; on a phone the narrow one in its place."""
    if narrow is None:
        st.html(_image(drawn))
    else:
        st.html(_image(drawn, "on-a-desk") + _image(narrow, "on-a-phone"))


def _image(drawn: Drawing, place: str = "") -> str:
    size = f"width:100%;max-width:{drawn.most:g}px;height:auto"
    return (
        f'<img alt="{escape(drawn.says)}" class="drawing {place}" style="{size}" '
        f'src="data:image/svg+xml;base64,{drawn.coded}">'
    )


def gallery(shown: Sequence[tuple[str, str, Sequence[str], Drawing | None]]) -> None:
    """Pictures in rows, each below its title and above what is said of it.

    Parameters
    ----------
    shown : sequence of (title, address, lines, drawing)
        What each is called, where that leads, what is said of it, and the picture; None for none.
    """
    pieces = "".join(
        f'<div><a href="{escape(address)}">{escape(title)}</a>{_image(drawn) if drawn else ""}<div>'
        + "".join(f"<p>{escape(line)}</p>" for line in lines)
        + "</div></div>"
        for title, address, lines, drawn in shown
    )
    st.html(f'<div class="gallery">{pieces}</div>')


def bars(rows: Sequence[tuple[str, str, float, str | None]]) -> None:
    """Shares as lines of a table: name, share in words, and a bar.

    Parameters
    ----------
    rows : sequence of (name, words, share, address)
        Share from 0 to 1; address the name leads to, None for none. [1]
    """
    lines = "".join(
        f"<tr><th scope='row'>{_leading(name, address)}</th><td class='number'>{escape(words)}</td>"
        f"<td class='bar'><span style='width:{100 * share:.0f}%'></span></td></tr>"
        for name, words, share, address in rows
    )
    st.html(f"<table class='bars'><tbody>{lines}</tbody></table>")


def _leading(name: str, address: str | None) -> str:
    return escape(name) if address is None else f'<a href="{escape(address)}">{escape(name)}</a>'


def sums(heading: str, rows: Sequence[tuple[str, str]]) -> None:
    """Amounts under each other, folded under a heading; the last is their sum."""
    lines = "".join(f"<tr><th scope='row'>{escape(name)}</th><td>{escape(amount)}</td></tr>" for name, amount in rows)
    st.html(
        f"<details><summary>{escape(heading)}</summary><table class='sums'><tbody>{lines}</tbody></table></details>"
    )


def cautions(heading: str, told: Sequence[str]) -> None:
    """What to mind before a job, in columns where there is room."""
    st.html(f'<div class="cautions"><strong>{escape(heading)}</strong>{_lines(told)}</div>')


def cautions_folded(heading: str, short: str, told: Sequence[str]) -> None:
    """The same folded under a heading and a few words."""
    bold = f"<strong>{escape(heading)}</strong> " if heading else ""
    st.html(f'<details class="cautions"><summary>{bold}{escape(short)}</summary>{_lines(told)}</details>')


def _lines(told: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(one)}</li>' for one in told)}</ul>"


def photos(shown: Sequence[tuple[str, str]]) -> None:
    """Small photos beside each other: JPEG in base64, and what each shows."""
    small = "".join(f'<img alt="{escape(says)}" src="data:image/jpeg;base64,{coded}">' for coded, says in shown)
    st.html(f"<div class='photos'>{small}</div>")
