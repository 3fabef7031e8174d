"""Random charts against a naive reading of IEC 60848's rules and of action control."""

from __future__ import annotations

import random
import re

from hypothesis import given, settings
from hypothesis import strategies as st
from random_charts import (
    ACTIONS,
    BODIES,
    INPUTS,
    MS,
    QUALIFIERS,
    NaiveChart,
    random_chart,
    random_inputs,
)
from test_logic_random import QUICK, SEEDS

from softctl.logic import Source, compile_application


@settings(max_examples=250, deadline=None, phases=QUICK)
@given(SEEDS, st.sampled_from((1, 10, 50)), st.booleans())
def test_random_charts_follow_a_naive_reading(seed, period, are_calls):
    """Active steps, step times, Q of actions and runs of bodies agree after every scan.

    Conditions that call something are judged in another order than those that do not.
    """
    rng = random.Random(seed)
    chart = random_chart(rng)
    text = chart.text()
    if are_calls:
        text = re.sub(r"(TRANSITION .*:= )(.*);", r"\1SEL(TRUE, FALSE, \2);", text)
    instance = compile_application([Source("c.st", text)]).instantiate()
    naive = NaiveChart(chart)
    write = instance.writer([f"P.c{i}" for i in range(INPUTS)])
    outputs = [i for i in range(ACTIONS) if i not in BODIES]
    read = instance.reader([f"P.out{i}" for i in outputs])
    counts = instance.reader([f"P.{kind}{i}" for i in BODIES for kind in "nq"])
    times = instance.reader([f"P.S{i}.T" for i in range(chart.steps)])
    for number, inputs in enumerate(random_inputs(rng)):
        now = number * period * MS + rng.randint(0, 3) * (period > 1)
        write(inputs)
        instance.scan(now)
        naive.scan(now, inputs)
        names = tuple(f"S{i}" for i in range(chart.steps) if i in naive.active)
        assert instance.active_steps("P") == names, text
        assert times() == tuple(naive.elapsed.get(i, 0) for i in range(chart.steps)), text
        used = {use.action for use in chart.uses}
        for i, value in zip(outputs, read(), strict=True):
            assert value is (naive.outputs[i] if i in used else False), text
        wanted = [c for i in BODIES for c in (naive.runs[i], naive.true_runs[i])]
        assert list(counts()) == wanted, text


def test_random_charts_have_everything():
    """Over some seeds each qualifier, branch, join, jump back, priority and condition comes."""
    seen: set[str] = set()
    for seed in range(200):
        rng = random.Random(seed)
        chart = random_chart(rng)
        naive = NaiveChart(chart)
        seen |= {use.qualifier for use in chart.uses}
        for number, inputs in enumerate(random_inputs(rng)):
            before = set(naive.active)
            naive.scan(number * 10 * MS, inputs)
            seen |= {f"{len(naive.active - before)} on, {len(before - naive.active)} off"}
        for t in chart.transitions:
            seen |= {f"{len(t.sources)} to {len(t.targets)}", f"priority {t.priority}"}
            seen.add("back" if min(t.targets) <= min(t.sources) else "forward")
            seen.add(t.condition.text().partition(" ")[2].partition(" ")[0])
    wanted = {*QUALIFIERS, "1 to 1", "1 to 2", "2 to 1", "3 to 1", "1 to 3", "2 to 2"}
    wanted |= {"priority 1", "priority None", "back", "forward", "AND", "OR"}
    wanted |= {"1 on, 1 off", "2 on, 1 off", "1 on, 2 off", "0 on, 1 off", "2 on, 2 off"}
    assert wanted <= seen, wanted - seen
