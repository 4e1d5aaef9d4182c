"""Settings of what is kept how long: the section [retention] of settings.toml."""

from typing import Annotated

from pydantic import Field

from data_contracts.entries import Entry


class RetentionSettings(Entry):
    """How long raw waveforms are kept; everything read from them is kept for ever."""

    raw_months: Annotated[int, Field(ge=0, le=1200)] = 0


RETENTION_TEMPLATE = """\
[retention]                             # `vansnap retention` says what it means here
raw_months = 0                          # whole months for which samples and delivered files are kept; 0 is for ever. Readings,
                                        # grades, visits and hashes stay; so do the samples of orders, repairs and last visits
"""
