"""The audit of HMIs: what each client asked of the map, graded."""

from softctl.audit.findings import find
from softctl.audit.observe import Auditor, ClientLog
from softctl.audit.report import AuditReport, PointUse, make_report
from softctl.audit.scene import Finding, Severity

__all__ = [
    "AuditReport",
    "Auditor",
    "ClientLog",
    "Finding",
    "PointUse",
    "Severity",
    "find",
    "make_report",
]
