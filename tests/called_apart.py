"""What tests call in a process apart; small, for that process imports it."""

from pipelines.intake.readers.apart import bounded


def within(memory: int) -> int:
    """A call in the other process that asks for one of its own."""
    return len(bounded(1 << 28, 60.0, bytearray, memory))


def taken(memory: int) -> int:
    """So much is taken, and little given back."""
    return len(bytearray(memory))
