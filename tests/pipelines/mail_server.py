"""A mail server and a webhook on this machine that take what they are sent, or misbehave as told."""

import base64
import http.server
import json
import socket
import socketserver
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from ipaddress import ip_address
from pathlib import Path
from typing import Any, cast

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

HANGS = ("hangs", "drips")


class MailServer(socketserver.ThreadingTCPServer):
    """SMTP as RFC 5321 has it, as far as a client that sends needs.

    `how`: "" takes all; "hangs" never greets; "drips" greets letter by letter; "refuses" refuses every recipient; "ends" closes in
    the middle of a message.
    """

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, how: str = "", certificate: Path | None = None, *, tls: bool = False, login: str = "") -> None:
        super().__init__(("127.0.0.1", 0), _Conversation)
        self.how, self.tls, self.login = how, tls, login
        self.received: list[tuple[str, EmailMessage]] = []
        self.context: ssl.SSLContext | None = None
        if certificate is not None:
            self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self.context.load_cert_chain(certificate)

    @property
    def port(self) -> int:
        return int(self.server_address[1])

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that went away is none."""


class _Conversation(socketserver.BaseRequestHandler):
    server: MailServer

    def handle(self) -> None:
        link: socket.socket = self.request
        if self.server.tls and self.server.context is not None:
            link = self.server.context.wrap_socket(link, server_side=True)
        if self.server.how in HANGS:
            for letter in b"220-" + b"slow " * 40:
                time.sleep(0.2)
                if self.server.how == "drips":
                    link.sendall(bytes([letter]))
            return
        self._converse(link)

    def _converse(self, link: socket.socket) -> None:
        def say(line: str) -> None:
            link.sendall(line.encode() + b"\r\n")

        lines, secured, to = link.makefile("rb"), self.server.tls, ""
        say("220 here")
        while line := lines.readline():
            word = line.decode().split()[0].upper()
            if word in ("EHLO", "HELO"):
                offers = ["STARTTLS"] if self.server.context is not None and not secured else []
                offers += ["AUTH PLAIN"] if self.server.login and secured else []
                for offer in ("here", *offers):
                    say(f"250-{offer}")
                say("250 SIZE 10000000")
            elif word == "STARTTLS":
                say("220 go on")
                assert self.server.context is not None
                link = self.server.context.wrap_socket(link, server_side=True)
                lines, secured = link.makefile("rb"), True
            elif word == "AUTH":
                given = base64.b64decode(line.split()[2]).split(b"\0")[1:]
                say("235 in" if b":".join(given).decode() == self.server.login else "535 no")
            elif word == "RCPT":
                to = line.decode().partition("<")[2].partition(">")[0]
                say("550 nobody here" if self.server.how == "refuses" else "250 yes")
            elif word == "DATA":
                say("354 go on")
                if self.server.how == "ends":
                    return
                content = b""
                while (part := lines.readline()) != b".\r\n":
                    content += part.removeprefix(b".") if part.startswith(b"..") else part
                self.server.received.append((to, cast(EmailMessage, message_from_bytes(content, policy=default))))
                say("250 kept")
            elif word == "QUIT":
                say("221 bye")
                return
            else:
                say("250 yes")


class Hook(http.server.ThreadingHTTPServer):
    """A webhook that answers with a status, after a pause. [s]"""

    daemon_threads = True

    def __init__(self, status: int = 200, pause: float = 0.0) -> None:
        super().__init__(("127.0.0.1", 0), _Asked)
        self.status, self.pause = status, pause
        self.received: list[tuple[dict[str, str], dict[str, Any]]] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/s3cret-path"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that went away is none."""


class _Asked(http.server.BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        content = self.rfile.read(int(self.headers["Content-Length"]))
        time.sleep(self.server.pause)
        self.server.received.append((dict(self.headers), json.loads(content)))
        self.send_response(self.server.status)
        if self.server.status in (302, 307):
            self.send_header("Location", "/elsewhere")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing."""


@contextmanager
def serving(server: socketserver.TCPServer) -> Iterator[None]:
    """The server answers inside the block."""
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()


def make_certificate(path: Path, name: str = "127.0.0.1") -> Path:
    """A certificate of its own for an address or a host name, with its key, as PEM."""
    named = x509.IPAddress(ip_address(name)) if name[-1].isdigit() else x509.DNSName(name)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([named]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    plain = serialization.NoEncryption()
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    path.write_bytes(private + made.public_bytes(serialization.Encoding.PEM))
    return path
