"""Settings of a cluster that reads recordings and tracks: the section [cluster] of settings.toml."""

import re
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from data_contracts.entries import Entry, contradiction
from pipelines.workspace.workspace import Workspace


class ClusterSettings(Entry):
    """A Dask cluster that reads recordings and tracks in place of this machine; none unless one is named."""

    scheduler: str = ""
    workers: Annotated[int, Field(ge=0, le=256)] = 0
    authority: str = ""
    certificate: str = ""
    key: str = ""
    storage: str = ""

    @field_validator("scheduler")
    @classmethod
    def _an_address(cls, value: str) -> str:
        if value and not re.fullmatch(r"(tcp|tls)://[^\s/]+:\d{1,5}", value):
            raise ValueError("give the scheduler's address, such as tls://head.example.org:8786")
        return value

    @field_validator("storage")
    @classmethod
    def _no_secret(cls, value: str) -> str:
        scheme, there, rest = value.partition("://")
        if (there and not rest.strip("/")) or (not there and re.match(r"[a-z0-9]{2,}:", value)):
            raise ValueError("give a folder, or a URL such as s3://bucket/folder")
        if there and re.search("[@?]", rest):
            remedy = "name bucket and folder alone: who may use them is said by the environment, not by settings"
            raise contradiction(remedy, shown=f"{scheme}://…")
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

    def within(self, workspace: Workspace, own: str) -> Self:
        """With its files where they are, and a place for what its machines hand each other.

        Parameters
        ----------
        workspace : Workspace
            Names of files are relative to its folder.
        own : str
            Name of the workspace: its folder in the storage.
        """
        folder = workspace.root
        places = {
            name: str(folder / name_of)
            for name in ("authority", "certificate", "key")
            if (name_of := getattr(self, name))
        }
        storage = f"{self.storage.rstrip('/')}/{own}" if self.storage else str(workspace.partitions)
        places["storage"] = storage if "://" in storage else str(folder / storage)
        return self.model_copy(update=places)


CLUSTER_TEMPLATE = """\
[cluster]                               # Dask workers that read and track; DEVELOPERS.md says how and what to beware of
scheduler = ""                          # "tls://host:8786", whose workers see this folder at the same path; "tcp://" has no lock
workers = 0                             # or so many workers of this machine
authority = ""                          # for tls, files relative to this folder: of the certificate authority,
certificate = ""                        # of this machine's certificate
key = ""                                # and of its key
storage = ""                            # "s3://bucket/folder" for what they hand each other; empty is this folder
"""
