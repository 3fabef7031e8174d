"""The audit of HMIs: what each client asked of the map, graded."""

from softctl.audit.drills import DRILLS, Drill, DrillResult, Judge, Watcher
from softctl.audit.findings import find
from softctl.audit.observe import Auditor, ClientLog
from softctl.audit.parts import Part, split_by_unit
from softctl.audit.report import AuditReport, PointUse, add_up, make_report
from softctl.audit.scene import Finding, Severity
from softctl.audit.uses import Map

__all__ = [
    "DRILLS",
    "AuditReport",
    "Auditor",
    "ClientLog",
    "Drill",
    "DrillResult",
    "Finding",
    "Judge",
    "Map",
    "Part",
    "PointUse",
    "Severity",
    "Watcher",
    "add_up",
    "find",
    "make_report",
    "split_by_unit",
]
