"""Settings of a cluster that reads recordings: the section [cluster] of settings.toml."""

import re
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from data_contracts.entries import Entry


class ClusterSettings(Entry):
    """A Dask cluster that reads recordings in place of this machine's processes; none unless one is named."""

    scheduler: str = ""
    workers: Annotated[int, Field(ge=0, le=256)] = 0
    authority: str = ""
    certificate: str = ""
    key: str = ""

    @field_validator("scheduler")
    @classmethod
    def _an_address(cls, value: str) -> str:
        if value and not re.fullmatch(r"(tcp|tls)://[^\s/]+:\d{1,5}", value):
            raise ValueError("give the scheduler's address, such as tls://head.example.org:8786")
        return value

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if self.scheduler and self.workers:
            raise ValueError("name a scheduler or a number of workers of this machine, not both")
        if self.scheduler.startswith("tls:") and not (self.authority and self.certificate and self.key):
            raise ValueError("a scheduler at tls:// needs authority, certificate and key: three files")
        return self

    @property
    def asked(self) -> bool:
        """Whether there is one."""
        return bool(self.scheduler or self.workers)

    def within(self, folder: Path) -> Self:
        """With its files where they are.

        Parameters
        ----------
        folder : Path
            Of the workspace, which names of files are relative to.
        """
        files = {
            name: str(folder / name_of)
            for name in ("authority", "certificate", "key")
            if (name_of := getattr(self, name))
        }
        return self.model_copy(update=files)


CLUSTER_TEMPLATE = """\
[cluster]                               # Dask workers that read recordings; DEVELOPERS.md says how and what to beware of
scheduler = ""                          # "tls://host:8786", whose workers see this folder at the same path; "tcp://" has no lock
workers = 0                             # or so many workers of this machine
authority = ""                          # for tls, files relative to this folder: of the certificate authority,
certificate = ""                        # of this machine's certificate
key = ""                                # and of its key
"""
