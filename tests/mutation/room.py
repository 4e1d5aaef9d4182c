"""What became of the mutants of a room, and where their tests run."""

from dataclasses import dataclass, field
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
STATUS = {
    0: "survived",
    5: "no test",
    33: "no test",
    36: "out of time",
    -24: "out of time",
    24: "out of time",
    152: "out of time",
}
"""What an exit code of the tests means; any other is a kill."""
COLUMNS = ("killed", "out of time", "survived", "no test")


@dataclass
class Room:
    """What became of a room's sample: per status the mutants, each with its change."""

    mutants: int
    found: dict[str, list[str]] = field(default_factory=lambda: {status: [] for status in COLUMNS})
    equivalent: int = 0

    @property
    def tried(self) -> int:
        """Mutants that count."""
        return sum(map(len, self.found.values()))

    @property
    def noticed(self) -> int:
        """By a failing test, or by running out of time."""
        return len(self.found["killed"]) + len(self.found["out of time"])

    def note(self, code: int, name: str, before: str, after: str) -> None:
        """Enter one mutant by the exit code of its tests."""
        self.found[STATUS.get(code, "killed")].append(f"{name}\n  - {before}\n  + {after}")
