"""Conformance of any Modbus/TCP server, without IO: the cases and the judgements.

`table` has every case; a case is a script of `steps` that somebody drives over real
connections; `survey` finds out what the server has; `report` is what remains of a run.
"""

from softctl.conform.cases import CLAUSES, Case, Result
from softctl.conform.site import Range, Secured, Site, Support, Wanted
from softctl.conform.steps import Outcome, Show, Verdict
from softctl.conform.table import GROUPS, all_cases, choose

__all__ = [
    "CLAUSES",
    "GROUPS",
    "Case",
    "Outcome",
    "Range",
    "Result",
    "Secured",
    "Show",
    "Site",
    "Support",
    "Verdict",
    "Wanted",
    "all_cases",
    "choose",
]
