"""The proxy as it is shipped, started on loopback with TLS: what a page outside sees of the board."""

import http.client
import os
import shutil
import socket
import ssl
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from dashboards.text import message
from tests.dashboards.board_process import free_port, serving
from tests.dashboards.browsing import ARGUMENTS, DESKTOP, WAIT_MS
from tests.dashboards.openid_provider import provider
from tests.dashboards.test_login import PEOPLE, SETTINGS, login_file
from tests.pipelines.mail_server import make_certificate
from tests.published_sample import make_workspace

NGINX = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = [pytest.mark.browser, pytest.mark.skipif(NGINX is None, reason="nginx is not installed")]

SHIPPED = Path(__file__).parents[2] / "dashboards" / "hosting" / "nginx.conf"
NAME = "vans.example.org"
PUBLIC = f"https://{NAME}"
HEADERS = {
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "strict-transport-security": "max-age=31536000",
}
AROUND = """\
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
{user}
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/shipped.conf;
}}
"""


class Proxy:
    """Ports of a running proxy, and the certificate that says who it is."""

    def __init__(self, folder: Path, board_port: int) -> None:
        self.plain, self.secure = free_port(), free_port()
        self.certificate = make_certificate(folder / "own.pem", NAME)
        shipped = SHIPPED.read_text(encoding="utf-8")
        for ours, here in (
            ("listen 80;", f"listen 127.0.0.1:{self.plain};"),
            ("listen 443 ssl;", f"listen 127.0.0.1:{self.secure} ssl;"),
            (f"/etc/ssl/{NAME}.pem", str(self.certificate)),
            (f"/etc/ssl/private/{NAME}.key", str(self.certificate)),
            ("http://127.0.0.1:8520", f"http://127.0.0.1:{board_port}"),
        ):
            assert shipped.count(ours) == 1, ours
            shipped = shipped.replace(ours, here)
        (folder / "shipped.conf").write_text(shipped, encoding="utf-8")
        user = "user root;" if os.getuid() == 0 else ""
        (folder / "nginx.conf").write_text(AROUND.format(folder=folder, user=user), encoding="utf-8")

    def link(self) -> http.client.HTTPSConnection:
        """Over TLS, by the public name, to who has this certificate."""
        context = ssl.create_default_context(cafile=str(self.certificate))
        link = http.client.HTTPSConnection("127.0.0.1", self.secure, timeout=60, context=context)
        link.sock = context.wrap_socket(_plain_link(self.secure), server_hostname=NAME)
        return link

    def get(self, path: str = "/", *, method: str = "GET", **headers: str) -> http.client.HTTPResponse:
        """Answer to one request."""
        link = self.link()
        link.request(method, path, headers={"Host": NAME, **headers})
        answer = link.getresponse()
        answer.read()
        return answer


def _plain_link(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=60)


def _of_before(certificate: Path) -> ssl.SSLContext:
    """A client that speaks TLS 1.0 and 1.1 only, which RFC 8996 retired."""
    context = ssl.create_default_context(cafile=str(certificate))
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    return context


@pytest.fixture(scope="module")
def proxy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxy]:
    folder = tmp_path_factory.mktemp("proxy")
    home = folder / "home"
    make_workspace(home)
    (home / "settings.toml").write_text(f'{SETTINGS}[board]\npublic_url = "{PUBLIC}"\n', encoding="utf-8")
    (home / "decisions").mkdir()
    port = free_port()
    started = Proxy(folder, port)
    with provider(PEOPLE) as at:
        login = login_file(home, port, at, PUBLIC)
        with serving(home, port=port, login=login, public_url=PUBLIC):
            process = subprocess.Popen([str(NGINX), "-c", str(folder / "nginx.conf"), "-p", str(folder)])
            try:
                for _ in range(100):
                    try:
                        _plain_link(started.secure).close()
                        break
                    except OSError:  # not up yet
                        time.sleep(0.1)
                yield started
            finally:
                process.terminate()
                process.wait(timeout=20)


def test_everything_comes_with_the_headers_that_keep_pages_to_themselves(proxy: Proxy) -> None:
    for path in ("/", "/van", "/_stcore/health", "/media/no-such-file"):
        answer = proxy.get(path)
        found = {name: answer.headers[name] for name in HEADERS}
        assert found == HEADERS, path
        policy = answer.headers["content-security-policy"]
        for part in ("default-src 'self'", "frame-ancestors 'none'", "object-src 'none'", "base-uri 'self'"):
            assert part in policy, path
        assert answer.headers["server"] == "nginx", "without its version"
    assert proxy.get("/health").status in (200, 503), "a monitor asks without a login"


def test_plain_http_is_sent_on_and_old_tls_refused(proxy: Proxy) -> None:
    link = http.client.HTTPConnection("127.0.0.1", proxy.plain, timeout=60)
    link.request("GET", "/van?van=N-01", headers={"Host": NAME})
    answer = link.getresponse()
    assert (answer.status, answer.headers["location"]) == (301, f"{PUBLIC}/van?van=N-01")
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        old = _of_before(proxy.certificate)
    with pytest.raises(ssl.SSLError):
        old.wrap_socket(_plain_link(proxy.secure), server_hostname=NAME)


def test_another_name_reaches_no_board_and_a_large_upload_is_not_taken(proxy: Proxy) -> None:
    assert proxy.get(Host="elsewhere.example.org").status in (400, 403, 421)
    too_much = str(65 * 2**20)
    assert proxy.get("/_stcore/upload_file/a/b", method="PUT", **{"Content-Length": too_much}).status == 413


def test_people_log_in_through_it_and_no_page_breaks_its_policy(proxy: Proxy, chromium: str) -> None:
    mapped = f"--host-resolver-rules=MAP {NAME}:443 127.0.0.1:{proxy.secure}"
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=[*ARGUMENTS, mapped])
        context = browser.new_context(viewport=DESKTOP, ignore_https_errors=True)
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda told: said.append(told.text) if told.type == "error" else None)
        page.goto(PUBLIC)
        page.get_by_role("button", name=message("you.login")).click()
        page.get_by_role("link", name="will", exact=True).click()
        page.wait_for_url(f"{PUBLIC}/**")
        page.get_by_text("(will@example.org), workshop").first.wait_for()
        cookies = [one for one in context.cookies() if "user" in one["name"]]
        assert cookies
        assert all(one["secure"] and one["httpOnly"] for one in cookies)
        page.goto(f"{PUBLIC}/van?van=S-03")
        page.get_by_text("How it has moved").click()
        page.locator(".js-plotly-plot").first.wait_for()
        browser.close()
    assert [line for line in said if "Content Security Policy" in line or "Refused" in line] == []


def test_who_asks_on_and_on_is_told_to_wait(proxy: Proxy) -> None:
    """Last, since it uses up what this address may ask."""

    def ask(times: int) -> Counter[int]:
        link, statuses = proxy.link(), Counter[int]()
        for _ in range(times):
            link.request("GET", "/_stcore/health", headers={"Host": NAME})
            with link.getresponse() as answer:
                answer.read()
                statuses[answer.status] += 1
        link.close()
        return statuses

    with ThreadPoolExecutor(8) as pool:
        answers = sum(pool.map(ask, [200] * 8), Counter())
    assert set(answers) == {200, 429}, answers
    assert answers[200] >= 300, "a page and its parts come at once"
