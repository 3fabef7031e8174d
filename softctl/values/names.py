"""Names as IEC 61131-3 (third edition, table 1 and section 6.1.2) allows them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Final

_IDENTIFIER: Final = re.compile(r"[A-Za-z]\w*|_\w+", re.ASCII)

_RESERVED: Final = """
    ABS ABSTRACT ACOS ACTION AND ARRAY ASIN AT ATAN ATAN2 BEGIN BOOL BY BYTE CASE CHAR CLASS
    CONCAT CONFIGURATION CONSTANT CONTINUE COS CTD CTU CTUD DATE DATE_AND_TIME DELETE DINT DIV
    DO DT DWORD ELSE ELSIF END_ACTION END_CASE END_CLASS END_CONFIGURATION END_FOR END_FUNCTION
    END_FUNCTION_BLOCK END_IF END_INTERFACE END_METHOD END_NAMESPACE END_PROGRAM END_REPEAT
    END_RESOURCE END_STEP END_STRUCT END_TRANSITION END_TYPE END_VAR END_WHILE EQ EXIT EXP EXPT
    EXTENDS F_EDGE F_TRIG FALSE FINAL FIND FOR FROM FUNCTION FUNCTION_BLOCK GE GT IF IMPLEMENTS
    INITIAL_STEP INSERT INT INTERFACE INTERNAL INTERVAL LD LDATE LDATE_AND_TIME LDT LE LEFT LEN
    LIMIT LINT LN LOG LREAL LT LTIME LTIME_OF_DAY LTOD LWORD MAX METHOD MID MIN MOD MOVE MUL MUX
    NAMESPACE NE NON_RETAIN NOT NULL OF ON OR OVERLAP OVERRIDE PRIORITY PRIVATE PROGRAM PROTECTED
    PUBLIC R_EDGE R_TRIG READ_ONLY READ_WRITE REAL REF REF_TO REPEAT REPLACE RESOURCE RETAIN
    RETURN RIGHT ROL ROR RS SEL SHL SHR SIN SINGLE SINT SQRT SR STEP STRING STRUCT SUB SUPER TAN
    TASK THEN THIS TIME TIME_OF_DAY TO TOD TOF TON TP TRANSITION TRUE TRUNC TYPE UDINT UINT ULINT
    UNTIL USING USINT VAR VAR_ACCESS VAR_CONFIG VAR_EXTERNAL VAR_GLOBAL VAR_IN_OUT VAR_INPUT
    VAR_OUTPUT VAR_TEMP WCHAR WHILE WITH WORD WSTRING XOR
"""
KEYWORDS: Final = frozenset(_RESERVED.split())
"""Reserved words, types, standard functions and standard blocks: no point may bear one."""


def explain_bad_name(name: str) -> str:
    """Why a name cannot be used in a program, as "expected …, got …"; empty when it can."""
    if not _IDENTIFIER.fullmatch(name):
        return f"expected a name of letters, digits and underscores, got '{name}'"
    if "__" in name or name.endswith("_"):
        return f"expected a name without doubled or trailing underscores, got '{name}'"
    if name.upper() in KEYWORDS:
        return f"expected a name that IEC 61131-3 does not reserve, got '{name}'"
    return ""


def suggest(name: str, known: Iterable[str]) -> str:
    """A "did you mean …?" for a name that is nearly a known one, or nothing."""
    by_upper = {word.upper(): word for word in known}
    close = difflib.get_close_matches(name.upper(), by_upper, n=1, cutoff=0.6)
    return f"did you mean {by_upper[close[0]]}?" if close else ""
