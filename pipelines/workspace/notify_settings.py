"""Settings of who is told what by mail or webhook: the section [notify] of settings.toml."""

import re
from typing import TYPE_CHECKING, Annotated, Literal, Self, get_args
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from data_contracts.entries import Entry, contradiction, refuse
from data_contracts.units import Units
from data_contracts.wording import Language
from pipelines.workspace.people import is_loopback

if TYPE_CHECKING:
    from pipelines.workspace.people_settings import KnownPerson, PeopleSettings

Matter = Literal["run", "delivery", "depot", "quarantine", "van"]
MATTERS: tuple[str, ...] = get_args(Matter)
"""What people may be told of: runs that fail, nothing delivered, a depot that fell silent, quarantine that grew, vans now."""
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,250}[A-Za-z0-9])?")
"""An address of RFC 5321 without quotes: nothing in it can end a header or name a second one."""


def _an_address(value: str) -> str:
    if value and not _ADDRESS.fullmatch(value):
        raise ValueError("give one mail address, such as ann@example.org")
    return value


class Told(Entry):
    """Somebody who is told, by mail or webhook."""

    mail: str = ""
    hook: str = ""
    who: str = ""
    token: str = ""
    language: Language | None = None
    units: Units | None = None
    depots: list[str] = Field(default_factory=list)
    about: list[Matter] = Field(default_factory=lambda: list(get_args(Matter)))
    digest: bool = True

    _mail = field_validator("mail")(_an_address)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if bool(self.mail) == bool(self.hook):
            refuse({"mail": contradiction("give either mail or hook", "given with hook" if self.mail else "empty")}, "")
        if is_web_address(self.hook) and (why := wrong_hook(self.hook)):
            refuse({"hook": contradiction(why, "not shown")}, "")
        return self


def is_web_address(hook: str) -> bool:
    """Whether a webhook is given by its address rather than by where the address is; what is no whole address counts as one.

    Parameters
    ----------
    hook : str
        As settings.toml has it.
    """
    try:
        return urlsplit(hook).scheme.startswith("http")  # in lower case, without spaces in front
    except ValueError:
        return True


def wrong_hook(url: str) -> str:
    """What is wrong with the address of a webhook, as what to do; empty where nothing is.

    Parameters
    ----------
    url : str
        The address, which may itself be a secret.
    """
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return "give an https address"
    if not host or parts.scheme not in ("https", "http") or not url.isascii() or re.search(r"[\s\x00-\x20\x7f]", url):
        return "give an https address"
    if parts.scheme == "http" and not is_loopback(host):
        return "give an https address: what is told is not sent in the clear"
    if parts.username is not None:
        return "give the address without a user, and the secret as token"
    return ""


class NotifySettings(Entry):
    """Who is told, and by which mail server."""

    told: list[Told] = Field(default_factory=list)
    mail_server: str = ""
    mail_port: Annotated[int, Field(ge=1, le=65535)] = 587
    mail_security: Literal["starttls", "tls", "none"] = "starttls"
    mail_from: str = ""
    mail_user: str = ""
    mail_password: str = ""
    most_a_day: Annotated[int, Field(ge=1, le=100)] = 4
    nothing_after_days: Annotated[float, Field(gt=0, le=366)] = 6.0
    wait_seconds: Annotated[int, Field(ge=1, le=300)] = 30

    _from = field_validator("mail_from")(_an_address)

    @field_validator("mail_server")
    @classmethod
    def _a_host(cls, value: str) -> str:
        if value and not re.fullmatch(r"[A-Za-z0-9.:-]{1,253}", value):
            raise ValueError("give a host name or address, such as mail.example.org, and the port as mail_port")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        faults = {}
        if any(one.mail for one in self.told):
            for key in ("mail_server", "mail_from"):
                if not getattr(self, key):
                    faults[key] = contradiction("give it: people are told by mail", "empty")
        if self.mail_user and self.mail_security == "none" and not is_loopback(self.mail_server):
            faults["mail_security"] = contradiction(
                'give "starttls" or "tls": a password is not sent in the clear', '"none" with a mail_user'
            )
        ways = [one.mail.casefold() or one.hook for one in self.told]
        if len(set(ways)) < len(ways):
            faults["told"] = contradiction("name everybody once, with all their depots", "an entry given twice")
        if faults:
            refuse(faults, self)
        return self


def known_as(people: "PeopleSettings", told: Told) -> "KnownPerson | None":
    """Whom of `[people]` an entry tells: by its address, else by `who`; None: nobody.

    Parameters
    ----------
    people : PeopleSettings
    told : Told
    """
    for name in filter(None, (told.mail, told.who)):
        for known in people.known:
            if known.who.casefold() == name.casefold():
                return known
    return None


def not_placed(people: "PeopleSettings", notify: NotifySettings) -> str:
    """What is wrong where it can't be told whom of `[people]` an entry tells, and so of which depots; empty where nothing is.

    Parameters
    ----------
    people : PeopleSettings
    notify : NotifySettings
    """
    by_other_names = people.claim != "email" and any(known.depots for known in people.known)
    for place, told in enumerate(notify.told, 1):
        if known_as(people, told) is not None:
            continue
        if told.who:
            return f"entry {place} of told: give as who a who of [people] known"
        if told.mail and by_other_names and not told.depots:
            return (
                f"entry {place} of told: give who, as [people] known has it, or depots: claim is {people.claim!r}, "
                "so that a mail address does not say whose depots count"
            )
    return ""


NOTIFY_TEMPLATE = """\
[notify]                                # who is told when something happens; nobody until you name somebody
mail_server = ""                        # such as "mail.example.org"; empty: no mail
mail_port = 587                         # 587 for starttls, 465 for tls
mail_security = "starttls"              # "starttls", "tls" or "none"
mail_from = ""                          # address that messages come from
mail_user = ""                          # login at the mail server; empty: none
mail_password = ""                      # where it is, never itself: "env:NAME", or a file of mode 0600 in this folder
most_a_day = 4                          # messages to one person in a day (UTC); what is held back is in the next one
nothing_after_days = 6.0                # a run that takes in nothing says so when the last delivery is older than this
wait_seconds = 30                       # about how long telling may delay the end of a run
told = []                               # one entry a person or webhook, as here; try it with `vansnap notify --test`
# told = [
#   { mail = "ann@example.org" },                                              # everything, and the weekly digest
#   { mail = "nils@example.org", depots = ["north"], language = "de" },        # vans of depot north only
#   { mail = "vera@example.org", who = "vera" },                               # depots of vera in [people] known
#   { mail = "will@example.org", about = ["run", "delivery"], digest = false },  # run, delivery, depot, quarantine, van
#   { hook = "https://hooks.example.org/vansnap", token = "env:HOOK_TOKEN" },  # JSON by POST, token as Bearer
# ]
"""
