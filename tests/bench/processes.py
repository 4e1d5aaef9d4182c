"""Processes of a run, as the system tells of them."""

import os
from pathlib import Path


def processor_time(process: int, *, ended: bool = False) -> float:
    """Processor time of a process so far, with that of the processes it has seen end where `ended`; 0 of one that is gone. [s]"""
    try:
        told = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(map(int, told[11 : 15 if ended else 13])) / os.sysconf("SC_CLK_TCK")
