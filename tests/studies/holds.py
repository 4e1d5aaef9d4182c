"""The reading of short holds against known truth, one table per length: `python -m tests.studies.holds [--write]`.

Real feet hold the throttle 0.2 to 0.6 s more often than 0.95 s. Every length is drawn with analytic snaps and with both
simulators (`tests.studies.holds_drawn`); the truth of a landmark is read from its clean trace, without ripple and noise.

What a skilled eye can tell, by which *can be told* counts (of the clean trace, in parts of its height over idle):

* idle, where 0.3 s of it is in the record;
* first peak and dip: within 0.6 s of the opening the flow falls by 8 % or more and climbs again by 5 % or more before the
  fall of the release begins. Below 1 % of either there is none, and one that is stated is invented;
* main peak: always, as the highest flow after the dip (without a dip, of the hold). Where the flow still climbs by 30 %
  of itself per second as the fall begins it is a lower bound, and wrong where it doesn't say so;
* opening: always with a first peak; without one, where the edge lies is a matter of definition, and it may be null;
* release, hold and fall time: always; idle after, where the flow is within 10 % of its last level for the last 1.3 s;
* climb: with a dip, where it is more than a tenth of the main peak and takes 0.08 s or more from 10 to 90 %;
* run-up: where the flow no longer climbs as the fall begins; where it climbs by 120 % per second or more, a run-up that
  is stated is invented, and between the two it is a lower bound.

Right: within 4 % (first peak and dip 6 %, with a wave of the firing ripple on either; idle and idle after 5 %; at least 0.2 g/s), opening and release within 10 ms, hold 15 ms, fall time 20 ms, run-up
30 ms, climb slope 15 %.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.reading.read import METHOD, read_waveforms
from tests.studies.holds_drawn import HOLDS, Event, draw
from tests.studies.results import write_section

# Largest error of a right value: as a part of the truth, and at least so much. [1], [unit of the quantity]
RIGHT = {
    "idle_g_s": (0.05, 0.2),
    "opening_s": (0.0, 0.010),
    "first_peak_g_s": (0.06, 0.2),
    "dip_g_s": (0.06, 0.2),
    "main_peak_g_s": (0.04, 0.2),
    "release_s": (0.0, 0.010),
    "hold_s": (0.0, 0.015),
    "climb_slope_g_s2": (0.15, 1.0),
    "run_up_time_s": (0.0, 0.030),
    "fall_time_s": (0.0, 0.020),
    "idle_after_g_s": (0.05, 0.2),
}


@dataclass
class Count:
    """What became of one quantity at one length."""

    events: int = 0
    plain: int = 0
    plain_read: int = 0
    none: int = 0
    invented: int = 0
    stated: int = 0
    right: int = 0
    covered: int = 0

    def cells(self) -> str:
        """Cells of its row."""

        def share(part: int, of: int) -> str:
            return f"{100 * part / of:.0f}" if of else "–"

        invented = f"{100 * self.invented / self.none:.1f} of {self.none}" if self.none else "–"
        read = f"{share(self.plain_read, self.plain)} of {self.plain}"
        return f"{read} | {share(self.right, self.stated)} of {self.stated} | {share(self.covered, self.stated)} | {invented}"


def judge(events: Sequence[Event], show: str = "") -> dict[str, Count]:
    """Read events and count what became of every quantity; `show` prints the failures of one."""
    found = read_waveforms([e.waveform for e in events], [e.family for e in events], [e.conditions for e in events])
    counts = {name: Count() for name in RIGHT}
    entry = {int(r): k for k, (r, s) in enumerate(zip(found.recording, found.snap, strict=True)) if s == 1}
    for number, event in enumerate(events):
        k = entry[number]
        for name, count in counts.items():
            value, u, true = float(found.values[name][k]), float(found.u[name][k]), event.true.get(name, np.nan)
            stated, part = bool(np.isfinite(value)), RIGHT[name]
            count.events += 1
            plain, none = name in event.plain, name in event.none
            count.plain += plain
            count.plain_read += plain and stated
            count.none += none
            count.invented += none and stated
            right = False
            if stated and np.isfinite(true):
                error = abs(value - true)
                right = error <= max(part[0] * abs(true), part[1])
                if name in ("main_peak_g_s", "run_up_time_s") and event.climbing:
                    right = right and found.marked[k].get(name) == "lower_bound"
                count.stated += 1
                count.right += right
                count.covered += error <= 2.0 * u
            if show == name and ((plain and not stated) or (none and stated) or (stated and not right)):
                why = found.unread[k].get(name, "")
                print(
                    f"{number} {event.source} {event.label}: {value:.4g} ±{u:.2g} true {true:.4g} {why} {found.grade[k]}"
                )
    return counts


def table(counts: dict[str, Count]) -> list[str]:
    """Markdown of one length."""
    head = "| quantity | read of those that can be told, % | right of stated, % | within 2 u, % | stated where there is none, % |"
    rows = [f"| {name} | {count.cells()} |" for name, count in counts.items()]
    return [head, "| --- | --- | --- | --- | --- |", *rows]


def main() -> None:
    """Run the study and print, or write, its tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=300, help="events of each length")
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--hold", type=float, help="one length only")
    parser.add_argument("--source", help="analytic, sample or other only")
    parser.add_argument("--show", default="", help="print the failures of one quantity")
    parser.add_argument("--write", action="store_true", help="write the section of RESULTS.md")
    arguments = parser.parse_args()
    lines = []
    for hold in HOLDS if arguments.hold is None else (arguments.hold,):
        events = draw(hold, arguments.count, arguments.seed)
        events = [e for e in events if arguments.source in (None, e.source)]
        lines += [f"### Hold {hold:g} s ({len(events)} events)", "", *table(judge(events, arguments.show)), ""]
    if arguments.write:
        intro = f"`python -m tests.studies.holds --count {arguments.count} --seed {arguments.seed} --write`, method {METHOD}. "
        intro += "What can be told, what is right and what is invented: the study's docstring. Terms were sized on seeds 21 and 22."
        write_section("holds", ["## Short holds", "", intro, "", *lines])
    print("\n".join(lines))


if __name__ == "__main__":
    main()
