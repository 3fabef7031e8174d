"""Programs to IEC 61131-10 documents and back: nothing that the language has is lost.

The schema that documents are checked against is in exchange_data: written for these tests
from memory of the standard's published structure (IEC 61131-10, edition 1.0), sharing
nothing with the code under test; lxml is the second reader.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest
import test_logic_programs as programs
from exchange_trees import tree_of
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from softctl.errors import ProblemsError
from softctl.logic import Global, Source, compile_application
from softctl.logic.exchange import st_to_xml, xml_to_st
from softctl.logic.parse_chart import TIMED

ROOT = Path(__file__).parents[2]
DATA = Path(__file__).parent / "exchange_data"
FILES = sorted(
    path.relative_to(ROOT).as_posix()
    for top in ("softctl", "configs", "tests")
    for path in (ROOT / top).rglob("*.st")
)
EVERYTHING = "tests/logic/exchange_data/everything.st"


@cache
def schema() -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(DATA / "iec61131_10_subset.xsd"))


def exported(text: str, name: str = "p.st") -> str:
    """The document of a text, after the second reader and the schema have passed it."""
    xml = st_to_xml([Source(name, text)], title="t").text
    document = etree.fromstring(xml.encode(), etree.XMLParser(resolve_entities=False))
    assert schema().validate(document), schema().error_log
    return xml


def through(text: str, name: str = "p.st") -> str:
    """A text after the way to XML and back."""
    return xml_to_st(exported(text, name), "p.xml").text


@pytest.mark.parametrize("name", FILES)
def test_every_program_here_comes_back_with_an_equal_tree(name):
    """Demo, plant blocks, standard blocks and test programs survive, and once more the same."""
    text = (ROOT / name).read_text(encoding="utf-8")
    back = through(text, name)
    left = st_to_xml([Source(name, text)]).left
    assert not [p for p in left if "VAR_" in p.message]
    assert tree_of(back, name) == tree_of(text, name)
    assert through(back, name) == back


def test_the_files_are_found():
    """The walk sees what must be there, so that it cannot pass on nothing."""
    wanted = {EVERYTHING, "softctl/logic/prelude.st", "configs/glasshouse_feed/feed.st"}
    assert wanted <= set(FILES)


def test_trees_that_differ_are_told_apart():
    """The comparison sees a value, a name, a comment behind a variable and an order."""
    text = (ROOT / EVERYTHING).read_text(encoding="utf-8")
    for old, new in [(":= 3;", ":= 4;"), ("S2", "S9"), ("// first", "// last"), ("a(P1)", "a(P0)")]:
        assert old in text
        assert tree_of(text.replace(old, new)) != tree_of(text)


def test_bodies_keep_their_comments_and_layout():
    """An ST body, a condition and an action come back to the letter."""
    text = (ROOT / EVERYTHING).read_text(encoding="utf-8")
    back = through(text)
    for part in (
        "    // a comment < & > ]]>\n    IF go AND NOT stop THEN lit",
        "lit := TRUE; (* two\n       lines *) END_IF;\n",
        "{pragma inside}\n    CASE j OF Up: k := Down; ELSE ; END_CASE; // last\n",
        ":= a // why\n   AND b // because\n",
        "    // nothing\nEND_ACTION",
    ):
        assert part in text
        assert part in back


def test_comments_and_pragmas_of_declarations_come_back():
    """What stands before or behind an element is its documentation."""
    back = through((ROOT / EVERYTHING).read_text(encoding="utf-8"))
    for part in (
        "// The start\nINITIAL_STEP S0:",
        "// behind\nSTEP S2:",
        "// of second\nACTION second:",
        "    // quick\n    TASK Fast(",
        "        // before inner\n        inner : STRUCT\n            x : BOOL;",
        "        {unit: m}\n        a : INT := 3; // first\n",
        "{block: yes}\nFUNCTION_BLOCK Lamp",
        "    k, j : (Up, Down);",
    ):
        assert part in back


def test_what_has_no_place_is_listed():
    """A comment behind everything and a pragma before a section are named."""
    text = """PROGRAM P
{attribute} VAR a : BOOL; END_VAR
a := TRUE;
END_PROGRAM
(* the end *)"""
    left = st_to_xml([Source("p.st", text)]).left
    assert [(problem.place.line, problem.place.column) for problem in left] == [(2, 1), (5, 1)]
    assert all(problem.severity == "warning" for problem in left)
    assert "a pragma" in left[0].message
    assert "a comment" in left[1].message


CONFIGURED = """PROGRAM P
VAR out AT %Q* : BOOL; n : INT; END_VAR
n := n + 1;
END_PROGRAM

CONFIGURATION C
    RESOURCE R ON Any
        PROGRAM one : P;
    END_RESOURCE
    // who may look in
    VAR_ACCESS
        count : R.one.n : INT READ_WRITE; // and write
    END_VAR
    VAR_CONFIG R.one.out AT %QX0.3 : BOOL; R.one.n : INT := 5; END_VAR
END_CONFIGURATION
"""


def test_paths_of_a_configuration_come_back_to_the_letter():
    """VAR_ACCESS and VAR_CONFIG travel as ST in additional data, comments and all."""
    xml = exported(CONFIGURED)
    assert "Paths" in xml
    back = xml_to_st(xml, "p.xml").text
    assert st_to_xml([Source("p.st", CONFIGURED)]).left == ()
    assert tree_of(back) == tree_of(CONFIGURED)
    assert "// who may look in\nVAR_ACCESS\n" in back
    assert "READ_WRITE; // and write" in back


@pytest.mark.parametrize(
    ("new", "message"),
    [
        ("VAR_GLOBAL x : INT; END_VAR", "expected VAR_ACCESS or VAR_CONFIG, got VAR_GLOBAL"),
        (
            "END_CONFIGURATION PROGRAM Other END_PROGRAM CONFIGURATION D",
            "expected VAR_ACCESS or VAR_CONFIG, got Other",
        ),
        ("VAR_CONFIG R.one.n INT; END_VAR", "expected : and a type after the path, got INT"),
    ],
)
def test_other_things_in_the_place_of_paths_are_errors(new, message):
    """What another hand put there is read as strictly as the rest, with its place."""
    xml = exported(CONFIGURED)
    old = re.search(r"VAR_CONFIG.*?END_VAR", xml)[0]
    changed = xml.replace(old, new)
    with pytest.raises(ProblemsError) as caught:
        xml_to_st(changed, "p.xml")
    (problem,) = caught.value.problems
    assert message in problem.message
    line = changed[: changed.index(new)].count("\n") + 1
    assert problem.place.line == line


def test_line_ends_of_other_systems():
    """Carriage returns are line ends, in a comment too, and change nothing else."""
    text = "PROGRAM P\nVAR a : INT; (* x\ny *) END_VAR\na := 1; // one\na := 2;\nEND_PROGRAM\n"
    text = text.replace("\n", "\r\n")
    assert tree_of(through(text)) == tree_of(text.replace("\r\n", "\n"))


# Behaviour


def run(application, inputs, outputs, scans):
    """What some variables are over a scripted run."""
    instance = application.instantiate()
    write, read = instance.writer(list(inputs)), instance.reader(outputs)
    seen = []
    for number in range(scans):
        write([script(number) for script in inputs.values()])
        instance.scan(number * 100_000_000)
        seen.append((read(), instance.active_steps("Feed")))
    return seen


def test_the_demo_behaves_the_same():
    """Over a scripted batch, every output and step is the same in every scan."""
    points = [
        Global(name, "BOOL", False)
        for name in (
            "START",
            "STOP",
            "COMMS_ALARM",
            "ZSC_101",
            "ZSO_101",
            "LSH_101",
            "LSL_101",
            "P_101_RUN",
            "P_102_RUN",
            "A_101_RUN",
        )
    ]
    states = ("EVEN", "OFF_SPEC", "FEED_ALARM", "BLEND_ALARM")
    points += [
        Global(n, "BOOL", True) for n in ("RUNNING", "P_101", "P_102", "A_101", "XV_101", *states)
    ]
    points += [Global("BATCHES", "UDINT", True), Global("STIR_TIME", "TIME", False, 10**9)]
    reals = ("LT_101", "AT_101", "FT_101", "FT_102", "COND_LOW", "S_101_STRENGTH", "S_102_STRENGTH")
    points += [Global(n, "REAL", n in ("CALCIUM", "POTASSIUM")) for n in (*reals, "CALCIUM")]
    points += [Global("POTASSIUM", "REAL", True), Global("COND_HIGH", "REAL", False, 9.0)]
    points += [Global("RELEASE", "BOOL", False)]
    name = "configs/glasshouse_feed/feed.st"
    text = (ROOT / name).read_text(encoding="utf-8")
    inputs = {
        "START": lambda n: n in (3, 4, 200),
        "STOP": lambda n: n == 190,
        "ZSC_101": lambda n: n % 120 < 105,
        "LSH_101": lambda n: n % 120 > 12,
        "LSL_101": lambda n: n % 120 < 110,
        "A_101_RUN": lambda n: 20 <= n % 120 < 80,
    }
    outputs = ["RUNNING", "P_101", "P_102", "A_101", "XV_101", "BATCHES", "Feed.Stirring.T"]
    seen = [
        run(compile_application([Source(name, version)], points), inputs, outputs, 600)
        for version in (text, through(text, name))
    ]
    assert seen[0] == seen[1]
    assert seen[0][-1][0][5] > 1  # batches were made
    assert len({steps for _, steps in seen[0]}) == 8


SCRIPTED = [name for name in FILES if name.startswith("tests/logic/programs/")]


@pytest.mark.parametrize("name", SCRIPTED)
def test_programs_behave_the_same(name):
    """Over its script of stimuli, a program that came back has the same state in every scan."""
    text = (ROOT / name).read_text(encoding="utf-8")
    script = {
        int(at): programs._PAIR.findall(pairs) for at, pairs, _ in programs._LINE.findall(text)
    }
    states = []
    for version in (text, through(text, name)):
        application = compile_application([Source(name, version)])
        instance = application.instantiate()
        states.append(seen := [instance.snapshot()])
        for at in range(0, max(script) + programs.PERIOD_MS, programs.PERIOD_MS):
            for path, value in script.get(at, ()):
                path = programs._path(application.programs[0], path)
                instance.write(path, programs._value(value))
            instance.scan(at * programs.MS)
            seen.append(instance.snapshot())
    assert states[0] == states[1]
    assert len(set(map(repr, states[0]))) > 1


# Charts

NAMES = st.integers(0, 7)


@st.composite
def charts(draw):
    """A chart of any shape that ST can say: also ones that no drawing would show."""
    count = draw(st.integers(1, 8))
    step = st.integers(0, count - 1)
    steps = st.lists(step, min_size=1, max_size=4)
    lines = []
    for number in range(count):
        word = "INITIAL_STEP" if draw(st.booleans()) else "STEP"
        actions = draw(st.lists(associations(), max_size=3))
        lines.append(f"{word} S{number}: {' '.join(actions)} END_STEP")
    for sources, targets in draw(st.lists(st.tuples(steps, steps), max_size=8)):
        name = draw(st.sampled_from(["", f"T{len(lines)}"]))
        priority = draw(st.sampled_from(["", "(PRIORITY := 0)", "(PRIORITY := 17)"]))
        ends = (f"({', '.join(f'S{n}' for n in names)})" for names in (sources, targets))
        condition = draw(
            st.sampled_from(["a", "NOT b AND S0.X", "S0.T >= T#5s (* c *)", "a // x\n"])
        )
        lines.append(
            f"TRANSITION {name} {priority} FROM {' TO '.join(ends)} := {condition}; END_TRANSITION"
        )
    if draw(st.booleans()):
        lines = draw(st.permutations(lines))
    lines.append("ACTION act: a := b; END_ACTION")
    return f"PROGRAM P VAR a, b : BOOL; END_VAR {' '.join(lines)} END_PROGRAM"


@st.composite
def associations(draw):
    """One line of an action block."""
    qualifier = draw(st.sampled_from(["N", "R", "S", "L", "D", "P", "P0", "P1", "SD", "DS", "SL"]))
    time = ", T#1s500ms" if qualifier in TIMED else ""
    indicators = draw(st.sampled_from(["", ", a", ", a, b.c[2]"]))
    return f"{draw(st.sampled_from(['act', 'b']))}({qualifier}{time}{indicators});"


@settings(max_examples=150, deadline=None)
@given(charts())
def test_charts_of_any_shape_come_back_equal(text):
    """Selection, simultaneity, loops, jumps, qualifiers and priorities survive."""
    assert tree_of(through(text)) == tree_of(text)


# Expressions

LEAVES = st.sampled_from(
    "1 -2 16#FF 2.5E-3 -0.5 TRUE T#5s INT#-5 'a$'b' \"w\" D#2020-01-31 x y.z a[1] a[i+1,2].b w.%X3"
    " Hue#Red %IX0.1 f() f(1) f(a:=1,b=>c) g(NOT~d=>e,h=>)".replace("~", "\0").split()
).map(lambda text: text.replace("\0", " "))
OPERATORS = st.sampled_from(
    ["OR", "XOR", "AND", "&", "=", "<>", "<", ">", "<=", ">=", "+", "-", "*", "/", "MOD", "**"]
)
EXPRESSIONS = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.tuples(inner, OPERATORS, inner).map(" ".join),
        inner.map("({})".format),
        inner.map("NOT {}".format),
        inner.map("-({})".format),
        inner.map("f(x := {}, y)".format),
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(EXPRESSIONS)
def test_expressions_in_declarations_come_back_equal(text):
    """Initial values and bounds are written from the tree: groups and literals survive."""
    source = f"""TYPE T : ARRAY[0..{text}] OF INT := [3({text}), 1]; END_TYPE
    PROGRAM P VAR a : INT := {text}; END_VAR END_PROGRAM"""
    assert tree_of(through(source)) == tree_of(source)


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"])))
def test_comments_of_any_text_survive(text):
    """Whatever a body's comment holds comes back, marks of XML and all."""
    comment = re.sub("[(*{/)\ufffe\uffff]", "", text)
    source = f"PROGRAM P\nVAR a : INT; END_VAR\n(* {comment} *)\na := 1;\nEND_PROGRAM\n"
    assert f"(* {comment} *)\na := 1;" in through(source)


@pytest.mark.parametrize(("character", "name"), [("\x07", "U+0007"), ("\ufffe", "U+FFFE")])
def test_characters_that_xml_lacks_are_refused(character, name):
    """A text that no document can hold is an error with its place, not a broken document."""
    with pytest.raises(ProblemsError) as caught:
        st_to_xml([Source("p.st", f"PROGRAM P\n (* a{character} *)\nEND_PROGRAM")])
    assert f"expected a character that XML has, got {name} (p.st:2:6)" in str(caught.value)


def test_syntax_errors_stop_an_export():
    """Every error of every source is shown."""
    sources = [
        Source("a.st", "PROGRAM P x := ; END_PROGRAM"),
        Source("b.st", "PROGRAM END_PROGRAM"),
    ]
    with pytest.raises(ProblemsError) as caught:
        st_to_xml(sources)
    assert [problem.place.file for problem in caught.value.problems] == ["a.st", "b.st"]


@pytest.mark.parametrize(
    ("chart", "message"),
    [
        (
            "INITIAL_STEP A: END_STEP TRANSITION FROM A TO C := TRUE; END_TRANSITION",
            "a step, got C",
        ),
        ("INITIAL_STEP A: END_STEP STEP a: END_STEP", "step a is declared twice"),
    ],
)
def test_charts_that_cannot_be_drawn_are_refused(chart, message):
    """A link to no step has no symbol to go to."""
    with pytest.raises(ProblemsError, match=message):
        st_to_xml([Source("p.st", f"PROGRAM P {chart} END_PROGRAM")])
