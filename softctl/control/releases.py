"""When scans are due: a grid without drift, and what happens when one is missed.

1. A release is a planned instant; programs see it, whenever their scan really begins.
2. A release that comes while the scan before it is not done is an overrun.
3. Instants are whole nanoseconds and each is the one before plus whole periods, so that no
   rounding adds up.
"""

from __future__ import annotations

from softctl.machine import Overrun


class Releases:
    """The planned instants of one controller's scans; the first is the next of the grid.

    With `Overrun.STRETCH` the scan after one that took too long is due at once and the grid
    goes on from there; otherwise the missed instants are left out and the grid stays.
    """

    def __init__(self, period_ns: int, policy: Overrun, now_ns: int) -> None:
        self._period_ns = period_ns
        self._policy = policy
        self.due_ns = now_ns // period_ns * period_ns + period_ns

    def end(self, now_ns: int) -> int:
        """Plan the next one after a scan that ended now; how many overruns that makes."""
        overruns = max(0, (now_ns - self.due_ns) // self._period_ns)
        if overruns and self._policy is Overrun.STRETCH:
            self.due_ns = now_ns
        else:
            self.due_ns += (overruns + 1) * self._period_ns
        return overruns
