"""Sends messages: a process of its own, so that a server that hangs can be left behind. It reads what to send on stdin and answers
with one line for each message.

`python -m pipelines.notify.post`; `sending.py` starts it. Only the standard library, so that it starts at once.
"""

import base64
import json
import smtplib
import ssl
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Mapping, Sequence
from email.message import EmailMessage
from email.policy import SMTP
from typing import Any

_UNFOLDED = SMTP.clone(
    max_line_length=998
)  # the most of RFC 5322: a subject folded before an encoded word gains a space
_lock = threading.Lock()


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would carry token and message to whatever address the answer names."""

    def redirect_request(self, *_given: Any, **_named: Any) -> None:
        return None


def main() -> None:
    """Send everything: the mails over one connection, each webhook beside it."""
    told = json.load(sys.stdin)
    pause = float(told["patience"])
    mails = [one for one in told["messages"] if one["way"] == "mail"]
    hooks = [one for one in told["messages"] if one["way"] == "hook"]
    work = [threading.Thread(target=_hook, args=(one, pause)) for one in hooks]
    if mails:
        work.append(threading.Thread(target=_mails, args=(told["server"], mails, pause)))
    for each in work:
        each.start()
    for each in work:
        each.join()


def as_mail(message: Mapping[str, Any]) -> EmailMessage:
    """A message as mail.

    Parameters
    ----------
    message : mapping
        from, to, subject, text, date, id; optionally file (base64) and file_name.

    Returns
    -------
    EmailMessage

    Raises
    ------
    ValueError
        If a header would hold a line end.
    """
    mail = EmailMessage(policy=SMTP.clone(max_line_length=76))  # of quoted-printable, RFC 2045
    for header in ("From", "To", "Subject", "Date"):
        mail[header] = message[header.lower()]
    mail["Message-ID"] = message["id"]
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answer of a machine to this one
    mail.set_content(message["text"], cte="quoted-printable")  # seven bits: any server takes them
    if message.get("file"):
        mail.add_attachment(
            base64.b64decode(message["file"]), maintype="application", subtype="pdf", filename=message["file_name"]
        )
    mail.policy = _UNFOLDED
    return mail


def _answer(key: str, why: str = "") -> None:
    with _lock:
        print(json.dumps({"key": key, "why": why}), flush=True)


def _mails(server: Mapping[str, Any], messages: Sequence[Mapping[str, Any]], pause: float) -> None:
    where = f"{server['host']}:{server['port']}"
    left = [message["key"] for message in messages]
    try:
        with _connected(server, pause) as connection:
            for message in messages:
                try:
                    connection.send_message(as_mail(message))
                except (smtplib.SMTPResponseException, smtplib.SMTPRecipientsRefused, ValueError) as error:
                    _answer(left.pop(0), f"{where} {_refusal(error)}")
                    connection.rset()
                else:
                    _answer(left.pop(0))
    except (OSError, smtplib.SMTPException, ValueError) as error:
        for key in left:
            _answer(key, f"{where} {_refusal(error)}")


def _connected(server: Mapping[str, Any], pause: float) -> smtplib.SMTP:
    trusted = ssl.create_default_context()
    host, port = server["host"], server["port"]
    if server["security"] == "tls":
        connection: smtplib.SMTP = smtplib.SMTP_SSL(host, port, timeout=pause, context=trusted)
    else:
        connection = smtplib.SMTP(host, port, timeout=pause)
    try:
        if server["security"] == "starttls":
            connection.starttls(context=trusted)
        if server["user"]:
            connection.login(server["user"], server["password"])
    except BaseException:
        connection.close()
        raise
    return connection


def _hook(message: Mapping[str, Any], pause: float) -> None:
    headers = {"Content-Type": "application/json", "User-Agent": "vansnap"}
    if message["token"]:
        headers["Authorization"] = f"Bearer {message['token']}"
    request = urllib.request.Request(message["url"], message["body"].encode(), headers, method="POST")
    try:
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=pause):
            _answer(message["key"])
    except Exception as error:  # whatever it is, it is this message's alone; its text may hold the address, a secret
        _answer(message["key"], f"the webhook {_refusal(error)}")


def _refusal(error: BaseException) -> str:
    """Why something was not taken, without a name or address of anybody."""
    inner = getattr(error, "reason", None)
    if isinstance(error, urllib.error.HTTPError):
        return f"answered {error.code}"
    if isinstance(inner, BaseException):
        return _refusal(inner)
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        codes = sorted({code for code, _ in error.recipients.values()})
        return f"refused the address ({', '.join(map(str, codes))})"
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"refused the login ({error.smtp_code}): check mail_user and the password"
    if isinstance(error, smtplib.SMTPSenderRefused):
        return f"refused the sender ({error.smtp_code}): check mail_from"
    if isinstance(error, smtplib.SMTPResponseException):
        return f"refused it ({error.smtp_code})"
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return "does not offer what mail_security or mail_user ask for"
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return "did not answer in time"
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return "ended the connection"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"has a certificate that can't be trusted ({error.verify_message})"
    if isinstance(error, ssl.SSLError):
        return "speaks no TLS there: check mail_port and mail_security, or the address"
    if isinstance(error, ConnectionRefusedError):
        return "refused the connection"
    if isinstance(error, OSError) and error.strerror:
        return f"can't be reached ({error.strerror})"
    return f"could not be used ({type(error).__name__})"


if __name__ == "__main__":
    main()
