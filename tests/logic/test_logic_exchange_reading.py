"""Documents that softctl has not written: what is taken, what is listed, what is refused."""

from __future__ import annotations

import pytest
from exchange_trees import tree_of

from softctl.errors import ProblemsError
from softctl.logic import Source, compile_application
from softctl.logic.exchange import xml_to_st

SPACE = "www.iec.ch/public/TC65SC65BWG7TF10"
INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"


def document(types: str = "", instances: str = "") -> str:
    """A document with a prefix of its own, as other programs write them."""
    return f"""<?xml version="1.0"?>
<ppx:Project xmlns:ppx="{SPACE}" xmlns:i="{INSTANCE}" schemaVersion="1.0">
<ppx:Types><ppx:GlobalNamespace>
{types.replace("</", "</ppx:").replace("<", "<ppx:").replace("<ppx:/ppx:", "</ppx:")}
</ppx:GlobalNamespace></ppx:Types>
<ppx:Instances>{instances}</ppx:Instances>
</ppx:Project>"""


def program(body: str, more: str = "", variables: str = "") -> str:
    """A program of one body."""
    declared = "".join(
        f'<Variable name="{name}"><Type><TypeName>BOOL</TypeName></Type></Variable>'
        for name in variables.split()
    )
    return f'<Program name="P"><Vars>{declared}</Vars><MainBody>{body}</MainBody>{more}</Program>'


def chart(*symbols: str, more: str = "", variables: str = "a b") -> str:
    """A program whose body is a chart."""
    inside = "".join(symbols)
    return program(f'<BodyContent i:type="ppx:SFC">{inside}</BodyContent>', more, variables)


def symbol(kind: str, ins: str = "", outs: str = "", inside: str = "", **attributes: str) -> str:
    """A symbol with the points that enter and leave it."""
    given = "".join(f' {name}="{text}"' for name, text in attributes.items())
    points = "".join(
        f'<ConnectionPointIn><Connection refConnectionPointOutId="{n}"/></ConnectionPointIn>'
        for n in ins.split()
    ) + "".join(f'<ConnectionPointOut connectionPointOutId="{n}"/>' for n in outs.split())
    return f'<SfcObject i:type="ppx:{kind}"{given}>{points}{inside}</SfcObject>'


def when(text: str) -> str:
    """A transition's condition."""
    return f'<Condition><Inline i:type="ppx:ST"><ST>{text}</ST></Inline></Condition>'


def data_type(kind: str) -> str:
    """A type of one kind, with nothing in it."""
    spec = f'<UserDefinedTypeSpec i:type="ppx:{kind}"/>'
    return f'<DataTypeDecl name="T">{spec}</DataTypeDecl>'


def step(name: str, ins: str = "", outs: str = "", **attributes: str) -> str:
    return symbol("Step", ins, outs, name=name, **attributes)


def tried(types: str, instances: str = "") -> list[str]:
    """The messages of a document that is refused."""
    with pytest.raises(ProblemsError) as caught:
        xml_to_st(document(types, instances), "x.xml")
    return [str(problem) for problem in caught.value.problems]


def test_a_chart_drawn_another_way():
    """Links straight from a step to two transitions, nested branches, inline actions."""
    text = xml_to_st(
        document(
            chart(
                step("A", "", "1", initialStep="true"),
                symbol("Transition", "1", "2", when(":= a;")),
                symbol("SimultaneousDivergence", "2", "3 4"),
                symbol("SimultaneousDivergence", "4", "5 6"),
                step("B", "3", "7"),
                step("C", "5", "8"),
                step("D", "6", "9"),
                symbol("SimultaneousConvergence", "8 9", "10"),
                symbol("SimultaneousConvergence", "7 10", "11"),
                symbol("Transition", "11", "12", when("TRUE"), name="done", priority="3"),
                symbol("Transition", "1", "13", '<Condition><Reference name="swap"/></Condition>'),
                symbol("SelectionConvergence", "12 13", "14"),
                step("E", "14", "15"),
                symbol("Transition", "15", "16", '<Condition><Reference name="b"/></Condition>'),
                symbol("JumpStep", "16", targetName="A"),
                more='<Transition name="Swap"><BodyContent i:type="ppx:ST"><ST>a XOR b</ST>'
                "</BodyContent></Transition>",
            )
        ),
        "x.xml",
    ).text
    assert tree_of(text) == tree_of(
        """PROGRAM P VAR a : BOOL; b : BOOL; END_VAR
        INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        STEP E: END_STEP
        TRANSITION FROM A TO (B, C, D) := a; END_TRANSITION
        TRANSITION done (PRIORITY := 3) FROM (B, C, D) TO E := TRUE; END_TRANSITION
        TRANSITION FROM A TO E := a XOR b; END_TRANSITION
        TRANSITION FROM E TO A := b; END_TRANSITION
        END_PROGRAM"""
    )


def test_actions_inside_their_block_get_a_name():
    """An action without a name becomes one of the chart, and the program runs."""
    block = (
        '<Action qualifier="N"><Inline i:type="ppx:ST"><ST>b := TRUE;</ST></Inline></Action>'
        '<Action qualifier="L" duration="T#5s"><Reference name="a"/></Action>'
    )
    text = xml_to_st(
        document(
            chart(
                symbol(
                    "Step",
                    outs="1",
                    inside='<ConnectionPointOutAction connectionPointOutId="2"/>',
                    name="S",
                    initialStep="true",
                ),
                symbol("ActionBlock", "2", "", block),
            )
        ),
        "x.xml",
    ).text
    assert "    S_action_1(N);\n    a(L, T#5s);\n" in text
    instance = compile_application([Source("p.st", text)]).instantiate()
    instance.scan(0)
    assert (instance.read("P.a"), instance.read("P.b")) == (True, True)


def test_what_the_language_has_not_is_listed_with_its_place():
    """Other languages, classes, methods, namespaces and unknown elements are not silent."""
    made = xml_to_st(
        document(
            '<Class name="K"/>\n'
            '<NamespaceDecl name="N"><Function name="F"><ResultType><TypeName>INT</TypeName>'
            "</ResultType></Function></NamespaceDecl>\n"
            + program('<BodyContent i:type="ppx:LD"><Rung/></BodyContent>', "<Method/>")
        ),
        "x.xml",
    )
    messages = [str(problem) for problem in made.left]
    assert [problem.place.line for problem in made.left] == [4, 5, 6, 6]
    for words, message in zip(
        ("element Class", "namespace N", "element Method", "the body of P in LD"),
        messages,
        strict=True,
    ):
        assert f"not carried over: {words}" in message
    assert "FUNCTION F : INT" in made.text
    assert "PROGRAM P\n" in made.text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "expected well-formed XML, got: no element found (x.xml:1:1)"),
        ("<a>\n  <b></a>", "expected well-formed XML, got: mismatched tag (x.xml:2:8)"),
        ("plain", "expected well-formed XML, got: syntax error (x.xml:1:1)"),
        ("<a>&b;</a>", "expected well-formed XML, got: undefined entity (x.xml:1:4)"),
        ("<a/>", "got a in no namespace (x.xml:1:1)"),
        ('<Project xmlns="urn:x"/>', "got Project in urn:x (x.xml:1:1)"),
        (
            '<!DOCTYPE a [<!ENTITY b "bbb">]>\n<a>&b;</a>',
            "expected a document without a DOCTYPE, got one: it is never read (x.xml:1:13)",
        ),
        ('<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>', "without a DOCTYPE"),
        (
            "<a>" * 300 + "</a>" * 300,
            "expected at most 200 nested elements, got more (x.xml:1:601)",
        ),
    ],
)
def test_what_is_no_document_is_refused(text, message):
    """Broken XML, document types, deep nesting and other formats: an error with its place."""
    with pytest.raises(ProblemsError) as caught:
        xml_to_st(text, "x.xml")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("types", "message"),
    [
        ('<Program name="1st"/>', "expected a name as name of Program, got '1st' (x.xml:4:1)"),
        ('<Program name="IF"/>', "expected a name as name of Program, got 'IF'"),
        ("<Program/>", "expected a name as name of Program, got nothing"),
        ('<Program name="P END_PROGRAM"/>', "expected a name as name of Program"),
        (
            program('<BodyContent i:type="ppx:ST"><ST>a := 1;\nb := ;</ST></BodyContent>'),
            "expected an expression, got ; (x.xml:5:6)",
        ),
        (
            program('<BodyContent i:type="ppx:ST"><ST>END_PROGRAM PROGRAM Q</ST></BodyContent>'),
            "expected a statement or the end of the body, got END_PROGRAM",
        ),
        (
            program(
                "",
                "<Vars><Variable name='x'><Type><TypeName>INT; y</TypeName></Type>"
                "</Variable></Vars>",
            ),
            "expected a type's name, got 'INT; y'",
        ),
        (
            program(
                "",
                "<Vars><Variable name='x'><Type><TypeName>INT</TypeName></Type>"
                "<InitialValue><SimpleValue value='1; y : INT'/></InitialValue></Variable></Vars>",
            ),
            "expected an operator or the end of the expression, got ;",
        ),
        (program("", "<Vars><Variable name='x'/></Vars>"), "expected a Type in variable x"),
        ('<DataTypeDecl name="T"/>', "expected a UserDefinedTypeSpec in type T, got none"),
        (
            data_type("ArrayTypeSpec"),
            "expected a BaseType in ArrayTypeSpec",
        ),
        (
            data_type("RefTypeSpec"),
            "expected a type that ST has here, got RefTypeSpec",
        ),
        (
            chart(step("A", "", "1"), symbol("Transition", "1", "2", when("a"))),
            "expected a step behind the transition, got none",
        ),
        (
            chart(symbol("Transition", "9", "2", when("a")), step("A", "2", "1")),
            "expected a connection point that exists, got 9",
        ),
        (
            chart(
                step("A", "", "1"),
                symbol("Transition", "1", "2", when("a")),
                symbol("Transition", "2", "3", when("a")),
                step("B", "3", ""),
            ),
            "expected a step behind the transition, got a Transition",
        ),
        (
            chart(
                symbol("SelectionDivergence", "2", "1 2"),
                symbol("Transition", "1", "3", when("a")),
                step("B", "3", ""),
            ),
            "expected links that end, got a circle without a step",
        ),
        (
            chart(
                step("A", "", "1"), step("B", "2", "1"), symbol("Transition", "1", "2", when("a"))
            ),
            "expected connection points of their own, got 1",
        ),
        (
            chart(step("A", "", "1"), step("B", "2", ""), symbol("Transition", "1", "2")),
            "expected a condition in ST, got none",
        ),
    ],
)
def test_documents_that_make_no_sound_program_are_refused(types, message):
    """Names, types, values, bodies and links are checked where they stand in the document."""
    assert any(message in found for found in tried(types)), tried(types)


def test_all_errors_of_a_document_are_shown():
    """One import shows every error, in order of the document."""
    found = tried('<Program name="1"/>\n<Program name="2"/>')
    assert ["x.xml:4" in found[0], "x.xml:5" in found[1]] == [True, True]


def test_no_text_of_a_document_is_taken_for_more_than_it_is():
    """Documentation cannot close its comment, a pragma of ours cannot close its brace."""
    types = """<Program name="P"><Documentation>bad *) PROGRAM Q (* end</Documentation>
    <Vars><Variable name="x"><Documentation>two
    lines *) y : INT; (*</Documentation><Type><TypeName>INT</TypeName></Type></Variable></Vars>
    </Program>"""
    text = xml_to_st(document(types), "x.xml").text
    unit = tree_of(text)[1]
    assert [pou[1]["name"] for pou in unit["pous"]] == ["P"]
    variables = unit["pous"][0][1]["sections"][0][1]["variables"]
    assert [variable[1]["name"] for variable in variables] == ["x"]
