"""The whole matrix of conversions, pair by pair against an oracle of its own.

IEC 61131-3 (third edition), type conversion functions: numbers keep their value or their low
bits, real numbers are rounded half to even, bit patterns transfer between types of one width.
What the standard leaves open (texts, durations and dates as numbers) is common practice and
stated in the oracle.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from conversion_oracle import (
    ALL,
    BITS,
    CHARS,
    CLOCKS,
    COUNTED,
    DATES,
    DAY_NS,
    DTYPES,
    FAULT,
    INTS,
    LEGAL,
    MOMENTS,
    REALS,
    TEXTS,
    TIMES,
    WHOLE,
    converted,
    half_even,
    text_of,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.errors import ProblemsError
from softctl.logic import LogicFault, Source, compile_application
from softctl.values.types import ELEMENTARY_TYPES

SPECIAL = [0.0, -0.0, 0.5, 1.5, 2.5, -0.5, -1.5, -2.5, 0.49999999999999994, 1e-45, 1e10, -1e10]
SPECIAL += [2.0**24 + 1, 2.0**31 - 0.5, 2.0**53 + 2, -(2.0**63), 9.3e18, 1.8446744073709552e19]
SPECIAL += [127.5, 128.5, 255.5, 32767.5, 65535.5, 0.1, 123.456, 3.4e38, 1e-5, 1e15, 1e16, 1e17]
SPECIAL += [math.inf, -math.inf, math.nan]
LONG = [2**53 + 1, 2**24 + 1, 2**24 + 3, 2**62 + 2**38, 2**62 + 2**38 + 1, 16777217 << 20]


def samples(type_: str, rng: random.Random) -> list:
    """Values of a type: its limits, values where rounding decides, and a few at random."""
    if type_ == "BOOL":
        return [False, True]
    if type_ in WHOLE:
        info = np.iinfo(DTYPES[type_])
        values = [int(info.min), int(info.max), 0, 1, 65, 127, 128, 200, -1, -129, 40_000, *LONG]
        values += [rng.randint(int(info.min), int(info.max)) for _ in range(6)]
        return [value for value in values if info.min <= value <= info.max]
    if type_ in REALS:
        values = [*SPECIAL, *(rng.uniform(-300, 300) for _ in range(4))]
        with np.errstate(over="ignore"):
            return values if type_ == "LREAL" else [float(np.float32(v)) for v in values]
    if type_ in TIMES:
        values = [0, 1, -1, 1_500_000, -1_500_000, 999_999, 90_061_001_002_003, 10**18]
        return [*values, rng.randint(-(10**15), 10**15)]
    if type_ in CLOCKS:
        return [0, 1_500_000, DAY_NS - 1, 56_215_360_000_000, rng.randrange(DAY_NS)]
    if type_ in DATES:
        return [0, -DAY_NS, 5289 * DAY_NS, rng.randint(-90_000, 90_000) * DAY_NS]
    if type_ in MOMENTS:
        return [0, 1, -1, 457_025_815_360_000_000, rng.randint(-(10**18), 10**18)]
    letters = ["A", "z", "0", "\0", "\x7f", "\xf4", "\xff"]
    if type_ in CHARS:
        return letters + ["\u1234", "\u12f4", "€"] * (type_ == "WCHAR")
    return ["", "A", "text", "\xf4x", "'quoted' $"]


def texts_for(target: str, rng: random.Random) -> list[tuple[str, object]]:
    """Texts that are literals of a type, each with its value; and some that are none."""
    good = []
    for value in samples(target, rng):
        shown = text_of(value, target)
        finite = not isinstance(value, float) or math.isfinite(value)
        good += [(shown, value if finite else FAULT), (f"  {shown} ", value if finite else FAULT)]
    wrong = {"BOOL": ["2", "YES"], **{t: ["", "12x", "1.5", "--3"] for t in WHOLE}}
    wrong |= {t: ["", "1.5x", "E5"] for t in REALS}
    wrong |= {t: ["", "5", "T#5parsecs", "2024"] for t in COUNTED}
    bad = [(text, FAULT) for text in wrong[target]]
    if target in WHOLE:
        info = np.iinfo(DTYPES[target])
        bad += [(str(int(info.max) + 1), FAULT), (str(int(info.min) - 1), FAULT)]
        good += [("16#7F", 127), ("2#101", 5), ("1_00", 100)]
    return good + bad


def same(found: object, wanted: object) -> bool:
    """Equal in value and kind; not-a-number is the same as itself, and a zero has its sign."""
    if isinstance(wanted, float) and isinstance(found, float):
        if math.isnan(wanted):
            return math.isnan(found)
        return found == wanted and math.copysign(1, found) == math.copysign(1, wanted)
    if isinstance(wanted, bool | int | str):
        return type(found) is type(wanted) and found == wanted
    return bool(found == wanted)


def run(instance, write, read, value):
    """The value after a scan, or FAULT where the scan ends in one."""
    write([value])
    try:
        instance.scan(0)
    except LogicFault as fault:
        return FAULT if str(fault).startswith("expected ") else fault
    return read()[0]


@pytest.mark.parametrize("source", ALL)
def test_every_legal_pair_gives_what_its_rule_says(source):
    """Named and overloaded calls agree with the oracle on every value; TO_X needs no source."""
    rng = random.Random(ALL.index(source))
    for target in ALL:
        if (source, target) not in LEGAL:
            continue
        name = f"{source}_TO_{target}"
        text = f"""PROGRAM P VAR x : {source}; y, z : {target}; END_VAR
        y := {name}(x); z := TO_{target}(x); END_PROGRAM"""
        instance = compile_application([Source("p.st", text)]).instantiate()
        write, read = instance.writer(["P.x"]), instance.reader(["P.y"])
        other = instance.reader(["P.z"])
        if LEGAL[source, target] == "parse":
            pairs = texts_for(target, rng)
        else:
            pairs = [(v, converted(v, source, target)) for v in samples(source, rng)]
        for value, wanted in pairs:
            found = run(instance, write, read, value)
            assert same(found, wanted), f"{name}({value!r}) is {wanted!r}, got {found!r}"
            assert found is FAULT or same(other()[0], wanted), f"TO_{target}({value!r})"


@pytest.mark.parametrize("source", ALL)
def test_every_other_pair_is_one_error_at_its_call(source):
    """The pair is named, and nothing else is reported."""
    for target in ALL:
        if (source, target) in LEGAL:
            continue
        text = (
            f"PROGRAM P VAR x : {source}; y : {target}; END_VAR"
            f"\ny := {source}_TO_{target}(x); END_PROGRAM"
        )
        with pytest.raises(ProblemsError) as caught:
            compile_application([Source("p.st", text)])
        (problem,) = caught.value.problems
        assert f"expected a pair of types that convert, got {source} and {target}" in (
            problem.message
        )
        assert (problem.place.line, problem.place.column) == (2, 6)


def test_the_oracle_knows_every_type():
    """Nothing that the language has is left out of the matrix."""
    assert set(ALL) == set(ELEMENTARY_TYPES)
    assert len(LEGAL) == 635


@pytest.mark.parametrize("source", [*WHOLE, *REALS])
def test_constants_convert_as_variables_do(source):
    """What the checker folds has the value that generated code computes."""
    rng = random.Random(source)
    values = [v for v in samples(source, rng) if math.isfinite(v)]
    targets = [t for t in [*WHOLE, *REALS] if LEGAL[source, t] == "number"]
    lines, names, wanted = [], [], []
    for target in targets:
        for number, value in enumerate(values):
            literal = f"{value!r}" if source in REALS else f"{value}"
            constant = f"{source}#{literal}".replace("e", "E")
            if "E" in literal.upper() and "." not in literal:
                constant = f"{source}#{float(literal):.17E}"
            names.append(f"r_{target}_{number}")
            lines.append((target, f"{names[-1]} := {source}_TO_{target}({constant});"))
            wanted.append(converted(value, source, target))
    declared = " ".join(f"{n} : {t};" for n, (t, _) in zip(names, lines, strict=True))
    body = "\n".join(line for _, line in lines)
    text = f"PROGRAM P VAR {declared} END_VAR\n{body}\nEND_PROGRAM"
    instance = compile_application([Source("p.st", text)]).instantiate()
    instance.scan(0)
    found = instance.reader([f"P.{name}" for name in names])()
    for (_, line), value, expected in zip(lines, found, wanted, strict=True):
        assert same(value, expected), f"{line} is {expected!r}, got {value!r}"


@pytest.fixture(scope="module")
def truncations():
    """TRUNC of both real types into every whole-number type."""
    calls = [(real, whole) for real in REALS for whole in INTS]
    declared = " ".join(f"x_{r} : {r};" for r in REALS)
    declared += " ".join(f"t_{r}_{w}, o_{r}_{w} : {w};" for r, w in calls)
    body = " ".join(
        f"t_{r}_{w} := {r}_TRUNC_{w}(x_{r}); o_{r}_{w} := TRUNC(x_{r});" for r, w in calls
    )
    text = f"PROGRAM P VAR {declared} END_VAR {body} END_PROGRAM"
    instance = compile_application([Source("p.st", text)]).instantiate()
    reads = [instance.reader([f"P.{k}_{r}_{w}" for r, w in calls]) for k in "to"]
    return calls, instance, instance.writer([f"P.x_{r}" for r in REALS]), reads


@settings(max_examples=100, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False, width=32) | st.floats(-1e5, 1e5, width=32))
def test_trunc_cuts_towards_zero(truncations, value):
    """TRUNC and its typed names give numpy's trunc, cut to the type's width."""
    calls, instance, write, reads = truncations
    write([value, value])
    instance.scan(0)
    whole = int(np.trunc(np.float64(value)))
    wanted = [np.array(whole % 2**64, np.uint64).astype(DTYPES[w]).item() for _, w in calls]
    for read in reads:
        assert list(read()) == wanted


SIZES = dict(zip(BITS, (8, 16, 32, 64), strict=True))


@pytest.mark.parametrize("whole", INTS)
@pytest.mark.parametrize("bits", BITS)
def test_bcd_is_the_decimal_digits(whole, bits):
    """To BCD and back: four bits a digit; too many digits and no digits are faults."""
    text = f"""PROGRAM P VAR x, z : {whole}; y : {bits}; back : BOOL; END_VAR
    IF back THEN z := {bits}_BCD_TO_{whole}(y); ELSE y := {whole}_TO_BCD_{bits}(x); END_IF;
    END_PROGRAM"""
    instance = compile_application([Source("p.st", text)]).instantiate()
    rng, digits = random.Random(f"{whole}{bits}"), SIZES[bits] // 4
    info = np.iinfo(DTYPES[whole])
    numbers = [0, 9, 10, 25, 99, 100, 127, -1, 10**digits - 1, 10**digits, 3_690_369]
    numbers += [rng.randrange(10 ** rng.randint(1, digits)) for _ in range(6)]
    for number in numbers:
        if not info.min <= number <= info.max:
            continue
        instance.write("P.back", False)
        wanted = int(str(number), 16) if 0 <= number < 10**digits else FAULT
        assert run(instance, instance.writer(["P.x"]), instance.reader(["P.y"]), number) == wanted
        if wanted is not FAULT:
            instance.write("P.back", True)
            assert run(instance, instance.writer(["P.y"]), instance.reader(["P.z"]), wanted) == (
                number
            )
    instance.write("P.back", True)
    assert run(instance, instance.writer(["P.y"]), instance.reader(["P.z"]), 0x1A) is FAULT


def test_the_oracle_rounds_halves_to_even():
    """IEC 61131-3's own examples hold for the oracle too."""
    examples = {1.6: 2, -1.6: -2, 1.5: 2, -1.5: -2, 1.4: 1, -1.4: -1, 2.5: 2, -2.5: -2}
    assert {x: half_even(x) for x in examples} == examples
    assert TEXTS == ["STRING", "WSTRING"]
