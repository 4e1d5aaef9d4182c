"""What browser tests share: opening a page and waiting until it is drawn."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]
DESKTOP, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
WAIT_MS = 120_000


@contextmanager
def newcomer(context: Any) -> Iterator[Any]:
    """A page of somebody who was never here: no cookie and nothing kept of earlier pages, but for the board's own files.

    A new context for each test would take those from the board again: a tenth of the processor time of the tests of logins.
    """
    page = context.new_page()
    yield page
    origins = {"/".join(one.url.split("/")[:3]) for one in context.pages}
    session = context.new_cdp_session(page)
    for origin in origins:
        session.send("Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "all"})
    context.clear_cookies()
    for one in context.pages:
        one.close()


def open_page(page: Any, address: str, *, pause_ms: int = 300) -> None:
    """Go to an address and wait until its view is drawn, and a moment longer."""
    page.goto(address)
    page.get_by_test_id("stMain").locator("h1").first.wait_for(timeout=WAIT_MS)
    settled(page, pause_ms=pause_ms)


def settled(page: Any, *, pause_ms: int = 300) -> None:
    """Wait until the script has run and drawn."""
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"
        " && !document.querySelector('[data-testid=stSkeleton], [data-stale=true]')",
        timeout=WAIT_MS,
        polling=100,  # by default it asks at every frame, which keeps the browser drawing
    )
    page.wait_for_timeout(pause_ms)


class Weighed:
    """What a page takes and gives over the network from now on, in bytes on the wire."""

    def __init__(self, page: Any) -> None:
        self.taken, self.given = 0, 0
        session = page.context.new_cdp_session(page)
        session.on("Network.loadingFinished", self._finished)
        session.on("Network.webSocketFrameReceived", lambda event: self._frame("taken", event))
        session.on("Network.webSocketFrameSent", lambda event: self._frame("given", event))
        session.send("Network.enable")

    def begin(self) -> None:
        """Count from here."""
        self.taken, self.given = 0, 0

    def _finished(self, event: dict[str, Any]) -> None:
        self.taken += int(event["encodedDataLength"])

    def _frame(self, way: str, event: dict[str, Any]) -> None:
        frame = event["response"]
        size = len(frame["payloadData"])
        setattr(self, way, getattr(self, way) + (size * 3 // 4 if frame["opcode"] == 2 else size))


def count_taps(page: Any) -> None:
    """Count a person's clicks on the page that is opened next; `taps` tells."""
    page.add_init_script(
        "window.taps = 0; addEventListener('click', event => { window.taps += event.isTrusted }, true)"
    )


def taps(page: Any) -> int:
    """Clicks since the page was opened."""
    return int(page.evaluate("window.taps"))
