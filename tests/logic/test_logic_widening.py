"""Implicit conversions: which pairs of types the standard lets pass unsaid.

IEC 61131-3 (third edition), figure 12, from memory: numbers and bit strings widen without
loss, TIME and the dates become their long forms.
Where values of whole numbers may be lost the function has to be written.
"""

from __future__ import annotations

import numpy as np
import pytest
from conversion_oracle import DTYPES

from softctl.errors import ProblemsError
from softctl.logic import Source, compile_application

WIDENS = {
    "SINT": "INT DINT LINT REAL LREAL",
    "INT": "DINT LINT REAL LREAL",
    "DINT": "LINT LREAL",
    "LINT": "",
    "USINT": "UINT UDINT ULINT INT DINT LINT REAL LREAL",
    "UINT": "UDINT ULINT DINT LINT REAL LREAL",
    "UDINT": "ULINT LINT LREAL",
    "ULINT": "",
    "REAL": "LREAL",
    "LREAL": "",
    "BOOL": "BYTE WORD DWORD LWORD",
    "BYTE": "WORD DWORD LWORD",
    "WORD": "DWORD LWORD",
    "DWORD": "LWORD",
    "LWORD": "",
    "TIME": "LTIME",
    "LTIME": "TIME",  # not in the figure: here both count nanoseconds in 64 bits
    "DATE": "LDATE",
    "LDATE": "",
    "TOD": "LTOD",
    "LTOD": "",
    "DT": "LDT",
    "LDT": "",
}


def refused(source: str, target: str) -> bool:
    """True if an assignment is an error with `strict`, at its value and naming the function."""
    text = f"PROGRAM P VAR x : {source}; y : {target}; END_VAR\ny := x; x := x;\nEND_PROGRAM"
    try:
        compile_application([Source("p.st", text)], strict=True)
    except ProblemsError as error:
        (problem,) = error.problems
        found = f"{source}_TO_{target}" in f"{problem.message} {problem.hint}"
        return found and (problem.place.line, problem.place.column) == (2, 6)
    return False


@pytest.mark.parametrize("source", list(WIDENS))
def test_what_widens_is_implicit(source):
    """Every pair of the figure compiles without a word."""
    assert [t for t in WIDENS[source].split() if refused(source, t)] == []


@pytest.mark.parametrize("source", list(DTYPES))
def test_whole_numbers_that_may_not_fit_are_not_implicit(source):
    """With `strict` it is an error exactly where numpy's limits say that values are lost."""
    own = np.iinfo(DTYPES[source])
    for target, dtype in DTYPES.items():
        limits = np.iinfo(dtype)
        fits = limits.min <= own.min and own.max <= limits.max
        assert refused(source, target) is not fits, target


@pytest.mark.parametrize("source", ["REAL", "LREAL", "TIME", "DATE", "TOD", "DT"])
@pytest.mark.parametrize("target", ["INT", "UDINT", "LINT", "WORD", "BOOL"])
def test_other_families_are_never_implicit(source, target):
    """A real number, duration or date becomes a whole number only by its function."""
    assert refused(source, target)
