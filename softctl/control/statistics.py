"""How long scans take and how punctual they are."""

from __future__ import annotations

_UINT_MAX = 65_535
_UDINT_MAX = 0xFFFF_FFFF


class ScanStatistics:
    """Counts scans, their run time, their jitter and their overruns.

    Jitter is the lateness of a scan's release against its planned instant; an overrun
    is a planned release that had to be skipped because the scan before it was not done.
    """

    __slots__ = (
        "duration_max_ns",
        "duration_ns",
        "jitter_max_ns",
        "jitter_ns",
        "overruns",
        "scans",
    )

    def __init__(self) -> None:
        self.scans = 0
        self.overruns = 0
        self.duration_ns = 0
        self.duration_max_ns = 0
        self.jitter_ns = 0
        self.jitter_max_ns = 0

    def note(self, *, duration_ns: int, jitter_ns: int, overruns: int) -> None:
        """Take in one finished scan."""
        self.scans += 1
        self.overruns += overruns
        self.duration_ns = duration_ns
        self.jitter_ns = jitter_ns
        if duration_ns > self.duration_max_ns:
            self.duration_max_ns = duration_ns
        if jitter_ns > self.jitter_max_ns:
            self.jitter_max_ns = jitter_ns

    @property
    def heartbeat(self) -> int:
        """Scans, starting again at 0 after 65,535."""
        return self.scans & _UINT_MAX

    @property
    def count(self) -> int:
        """Scans, as far as 32 bits hold them."""
        return self.scans & _UDINT_MAX

    def counters(self) -> tuple[int, int]:
        """The two that change in every scan: `heartbeat` and `count`."""
        scans = self.scans
        return scans & _UINT_MAX, scans & _UDINT_MAX

    def points(self) -> dict[str, int]:
        """The values of the system points that show this; microseconds stop at 65,535."""
        return {
            "HEARTBEAT": self.heartbeat,
            "SCAN_COUNT": self.count,
            "SCAN_TIME_US": _microseconds(self.duration_ns),
            "SCAN_TIME_MAX_US": _microseconds(self.duration_max_ns),
            "SCAN_JITTER_US": _microseconds(self.jitter_ns),
            "SCAN_JITTER_MAX_US": _microseconds(self.jitter_max_ns),
            "OVERRUNS": self.overruns & _UDINT_MAX,
        }


def _microseconds(duration_ns: int) -> int:
    return min(duration_ns // 1_000, _UINT_MAX)
