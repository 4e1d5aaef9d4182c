"""What browser tests share: opening a page and waiting until it is drawn."""

from typing import Any

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]
DESKTOP, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
WAIT_MS = 120_000


def open_page(page: Any, address: str) -> None:
    """Go to an address and wait until its view is drawn."""
    page.goto(address)
    page.get_by_test_id("stMain").locator("h1").first.wait_for(timeout=WAIT_MS)
    settled(page)


def settled(page: Any) -> None:
    """Wait until the script has run and drawn."""
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"
        " && !document.querySelector('[data-testid=stSkeleton], [data-stale=true]')",
        timeout=WAIT_MS,
    )
    page.wait_for_timeout(300)
