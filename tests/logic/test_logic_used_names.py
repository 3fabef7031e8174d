"""What programs depend on, asked of their generated code."""

from __future__ import annotations

import pytest

from softctl.logic import Global, Instance, Source, compile_application

POINTS = [Global("EYE", "BOOL", writable=False), Global("LAMP", "BOOL", writable=True)]


def instance_of(text: str) -> Instance:
    """An instance of a source's programs, with an input and an output."""
    return compile_application([Source("m.st", text)], POINTS).instantiate()


def test_a_variable_that_no_program_names_is_unused() -> None:
    """One that is read in a block or a function that a program calls is used."""
    program = "PROGRAM M\nVAR b : Inner; END_VAR\nb();\nEND_PROGRAM\n"
    block = "FUNCTION_BLOCK Inner\nVAR_EXTERNAL EYE : BOOL; END_VAR\nVAR x : BOOL; END_VAR\n"
    instance = instance_of(block + "x := EYE;\nEND_FUNCTION_BLOCK\n" + program)
    assert instance.unused(["EYE", "LAMP"]) == {"LAMP"}


def test_a_variable_joined_to_a_programs_input_is_used() -> None:
    """The configuration copies it there, though no text of a program has its name."""
    text = (
        "PROGRAM M\nVAR_INPUT i : BOOL; END_VAR\nVAR x : BOOL; END_VAR\nx := i;\nEND_PROGRAM\n"
        "CONFIGURATION C\nRESOURCE R ON CPU\nPROGRAM P1 : M(i := EYE);\n"
        "END_RESOURCE\nEND_CONFIGURATION\n"
    )
    assert instance_of(text).unused(["EYE", "LAMP"]) == {"LAMP"}


@pytest.mark.parametrize(
    ("body", "depends"),
    [
        ("LAMP := EYE;", False),
        ("t(IN := EYE, PT := T#1s);\nLAMP := t.Q;", True),
        ("c(CU := EYE, PV := 3);\nLAMP := c.Q;", False),
    ],
)
def test_timers_depend_on_time_and_counters_do_not(body: str, depends: bool) -> None:
    """The blocks that are called decide, whatever the library has besides."""
    declared = "VAR t : TON; END_VAR" if "t(" in body else "VAR c : CTU; END_VAR"
    assert instance_of(f"PROGRAM M\n{declared}\n{body}\nEND_PROGRAM\n").depends_on_time is depends


def test_a_task_with_an_interval_depends_on_time() -> None:
    """It runs in some scans only."""
    text = (
        "PROGRAM M\nLAMP := EYE;\nEND_PROGRAM\nCONFIGURATION C\nRESOURCE R ON CPU\n"
        "TASK Slow(INTERVAL := T#1s, PRIORITY := 1);\nPROGRAM P1 WITH Slow : M;\n"
        "END_RESOURCE\nEND_CONFIGURATION\n"
    )
    assert instance_of(text).depends_on_time
