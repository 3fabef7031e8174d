"""IEC 61131-3 Structured Text and sequential function charts, compiled to Python.

Sources become tokens, a tree, a checked and typed tree and then Python: one class with
slots per program organisation unit. Charts are lowered to statements first, and the
standard function blocks are Structured Text themselves (`prelude.st`).
"""

from __future__ import annotations

from softctl.logic.application import (
    Application,
    BlockInterface,
    Global,
    Revise,
    VariableInfo,
    compile_application,
)
from softctl.logic.conditions import (
    Condition,
    ConditionReader,
    Evaluator,
    UnknownNameError,
    find_as,
)
from softctl.logic.fused import FusedProgram, FusedRun
from softctl.logic.instance import Instance, LogicFault
from softctl.logic.literals import parse_duration
from softctl.logic.python_fault import OvertimeFault
from softctl.logic.sfc_chart import ActionBlock, Chart, Step, Transition
from softctl.logic.source import Source
from softctl.logic.transfer import TakeOver
from softctl.logic.types import Type

__all__ = [
    "ActionBlock",
    "Application",
    "BlockInterface",
    "Chart",
    "Condition",
    "ConditionReader",
    "Evaluator",
    "FusedProgram",
    "FusedRun",
    "Global",
    "Instance",
    "LogicFault",
    "OvertimeFault",
    "Revise",
    "Source",
    "Step",
    "TakeOver",
    "Transition",
    "Type",
    "UnknownNameError",
    "VariableInfo",
    "compile_application",
    "find_as",
    "parse_duration",
]
