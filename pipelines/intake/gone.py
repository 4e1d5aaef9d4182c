"""Rows whose files were emptied since they were first taken in: what decoding gave of them then stands in for the file."""

from collections.abc import Iterator, Mapping, Sequence

from pipelines.intake.decoding import Decoded, Wanted
from pipelines.intake.job import Job

Gone = Mapping[tuple[str, int], Decoded]
"""By delivery and row of its manifest."""


def to_decode(job: Job, gone: Gone) -> list[Wanted]:
    """What of a delivery is to be decoded.

    Parameters
    ----------
    job : Job
        Its manifest is read.
    gone : mapping
    """
    rows = zip(job.wanted, job.ready, strict=True)
    return [wanted for wanted, row in rows if (job.delivery, row.number) not in gone]


def with_gone(jobs: Sequence[Job], decoded: Iterator[list[Decoded]], gone: Gone) -> Iterator[list[Decoded]]:
    """What became of every file, in the order of the rows.

    Parameters
    ----------
    jobs : sequence of Job
    decoded : iterator of list of Decoded
        One list per job, of what `to_decode` gave.
    gone : mapping
    """
    for job, found in zip(jobs, decoded, strict=True):
        rest = iter(found)
        yield [known if (known := gone.get((job.delivery, row.number))) else next(rest) for row in job.ready]
