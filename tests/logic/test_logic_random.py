"""Random expressions against numpy, random programs against closures, random text."""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from closures import ClosureMachine, Fault
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from random_logic import BITS, INTEGERS, REALS, SCALARS, Statements, plain
from random_texts import MOMENTS, TEXTS, Everything

from softctl.logic import LogicFault, Source, compile_application

GROUPS = {
    "signed": ["SINT", "INT", "DINT", "LINT", "BOOL", "REAL"],
    "unsigned": ["USINT", "UINT", "UDINT", "ULINT", "BOOL", "LREAL"],
    "bits": [*BITS, "BOOL", "UINT"],
    "real": ["REAL", "BOOL", "INT", "UDINT"],
    "long real": ["LREAL", "BOOL", "DINT", "REAL"],
    "time": ["TIME", "BOOL"],
    "mixed": [*INTEGERS, *BITS, *REALS, "BOOL", "TIME"],
    "texts and dates": [*TEXTS, *MOMENTS, "TIME", "INT", "BOOL"],
}
SEEDS = st.integers(0, 2**32)
QUICK = (Phase.explicit, Phase.reuse, Phase.generate)
"""A seed does not shrink to a smaller program, so nobody waits for shrinking."""


def same(left: Any, right: Any) -> bool:
    """Equal, or both not a number."""
    if isinstance(left, float) and isinstance(right, float):
        return left == right or (math.isnan(left) and math.isnan(right))
    if isinstance(left, list | tuple) and isinstance(right, list | tuple):
        return len(left) == len(right) and all(map(same, left, right))
    return bool(left == right)


@pytest.mark.parametrize("group", list(GROUPS))
@settings(max_examples=70, deadline=None, phases=QUICK)
@given(seed=SEEDS)
def test_random_expressions_have_the_values_numpy_gives(group, seed):
    """Width, wrapping, rounding and precedence agree with numpy scalars of the same width."""
    rng = random.Random(seed)
    types = GROUPS[group]
    names = {type_: [f"v{i}_{k}" for k in range(2)] for i, type_ in enumerate(types)}
    maker = Everything(rng, {type_: {} for type_ in types})
    for type_ in types:
        maker.variables[type_] = {name: maker.value(type_) for name in names[type_]}
    wanted = []
    for type_ in types:
        wanted += [(type_, maker.make(type_, rng.randint(1, 4))) for _ in range(4)]
    declared = "".join(f"{', '.join(n)} : {t}; " for t, n in names.items())
    declared += "".join(f"r{i} : {t}; " for i, (t, _) in enumerate(wanted))
    body = "\n".join(f"r{i} := {node.text};" for i, (_, node) in enumerate(wanted))
    text = f"PROGRAM P VAR {declared} END_VAR\n{body}\nEND_PROGRAM"
    instance = compile_application([Source("p.st", text)]).instantiate()
    for type_ in types:
        for name, value in maker.variables[type_].items():
            instance.write(f"P.{name}", value if isinstance(value, str) else plain(value))
    instance.scan(0)
    for i, (type_, node) in enumerate(wanted):
        found, value = instance.read(f"P.r{i}"), node.value
        if type_ in SCALARS:
            value = SCALARS[type_](value)
        value = value if isinstance(value, str) else plain(value)
        assert same(found, value), f"{type_}: {node.text} is {value!r}, got {found!r}"


@settings(max_examples=200, deadline=None, phases=QUICK)
@given(seed=SEEDS)
def test_random_programs_run_as_closures_over_the_same_tree_do(seed):
    """Every variable agrees after each of some scans, or both end in a fault in the same one."""
    rng = random.Random(seed)
    text = Statements(rng).program(rng.randint(1, 12))
    application = compile_application([Source("p.st", text)])
    generated = application.instantiate()
    machines = [ClosureMachine(application, trusting=trust) for trust in (False, True)]
    for number in range(1, 7):
        now_ns = number * 40_000_000
        faulted = False
        try:
            generated.scan(now_ns)
        except LogicFault:
            faulted = True
        for machine in machines:
            if faulted:
                with pytest.raises((Fault, ArithmeticError, ValueError)):
                    machine.scan(now_ns)
            else:
                machine.scan(now_ns)
                assert same(generated.snapshot()[:2], machine.snapshot()), text
        if faulted:
            return
