"""The audit of HMIs: what each client asked of the map, graded."""

from softctl.audit.drills import DRILLS, Drill, DrillResult, Judge, Watcher
from softctl.audit.findings import find
from softctl.audit.observe import Auditor, ClientLog
from softctl.audit.report import AuditReport, PointUse, make_report
from softctl.audit.scene import Finding, Severity

__all__ = [
    "DRILLS",
    "AuditReport",
    "Auditor",
    "ClientLog",
    "Drill",
    "DrillResult",
    "Finding",
    "Judge",
    "PointUse",
    "Severity",
    "Watcher",
    "find",
    "make_report",
]
