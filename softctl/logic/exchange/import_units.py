"""One document of the exchange format as ST."""

from __future__ import annotations

from softctl.errors import Problem, ProblemsError
from softctl.logic import tree
from softctl.logic.exchange.checked import documentation
from softctl.logic.exchange.export import Exchanged
from softctl.logic.exchange.format import (
    NAMESPACE,
    PATHS,
    SECTION_KINDS,
    SECTIONS,
    UNIT_KINDS,
)
from softctl.logic.exchange.import_chart import ChartImporter
from softctl.logic.exchange.import_types import TypeImporter
from softctl.logic.exchange.reader import Node, read_xml
from softctl.logic.parser import parse
from softctl.logic.source import Reporter, Source

_HEADERS = ("FileHeader", "ContentHeader")


def xml_to_st(text: str, file: str) -> Exchanged:
    """Read an IEC 61131-10 document and write its units as ST.

    `file` is what messages call it. Raises ProblemsError with every error: what is not
    well-formed, no document of this format, or not sound ST inside.
    """
    root = read_xml(text, file)
    if root.name != "Project" or root.namespace != NAMESPACE:
        got = f"{root.name} in {root.namespace or 'no namespace'}"
        message = f"expected an IEC 61131-10 document (Project in {NAMESPACE}), got {got}"
        raise ProblemsError([Problem(message, root.place)])
    importer = _Importer(file)
    written = "\n".join(importer.project(root)).rstrip() + "\n"
    if importer.problems:
        raise ProblemsError(importer.problems)
    # Every part is sound by itself; this makes sure of the whole.
    reporter = Reporter()
    parse(Source(f"{file} as ST", written), reporter)
    if reporter.errors:
        raise ProblemsError(reporter.errors)
    return Exchanged(written, tuple(importer.left))


class _Importer(TypeImporter):
    def project(self, root: Node) -> list[str]:
        self.leave_unknown(root.children, (*_HEADERS, "Types", "Instances"))
        shared: list[str] = []
        configurations: list[str] = []
        for instances in root.all("Instances"):
            self.leave_unknown(instances.children, ("Configuration",))
            for node in instances.all("Configuration"):
                if node.extension("FileGlobals") is not None:
                    shared += self._sections(node.all("GlobalVars"))
                else:
                    configurations += self._configuration(node)
        units: list[str] = []
        for types in root.all("Types"):
            self.leave_unknown(types.children, ("GlobalNamespace",))
            for namespace in types.all("GlobalNamespace"):
                units += self._namespace(namespace)
        return [*shared, *units, *configurations]

    def _sections(self, nodes: list[Node]) -> list[str]:
        lines: list[str] = []
        for node in nodes:
            lines += [*self.section(node), ""]
        return lines

    def _namespace(self, namespace: Node) -> list[str]:
        lines: list[str] = []
        is_open = False
        for node in namespace.children:
            is_type = node.name == "DataTypeDecl"
            if is_type != is_open:
                lines += ["TYPE"] if is_type else ["END_TYPE", ""]
                is_open = is_type
            if is_type:
                lines += self.declaration(node)
            elif node.name in UNIT_KINDS:
                lines += [*self._unit(node), ""]
            elif node.name == "NamespaceDecl":
                self.leave(node, f"namespace {node.get('name')}, whose units are taken")
                lines += self._namespace(node)
            elif node.name not in ("Documentation", "AddData"):
                self.leave(node, f"element {node.name}")
        return [*lines, "END_TYPE", ""] if is_open else lines

    # Program organisation units

    def _unit(self, node: Node) -> list[str]:
        known = ("Parameters", "ResultType", "MainBody", "Action", "Transition", *SECTION_KINDS)
        self.leave_unknown(node.children, known)
        kind = UNIT_KINDS[node.name]
        lines = self.comment(documentation(node))
        pragma = (node.extension("Pragma") or "").strip()
        if pragma and "}" not in pragma:
            lines.append(f"{{{pragma}}}")
        result = node.child("ResultType")
        tail = f" : {self.type_(result)}" if result is not None else ""
        lines.append(f"{kind} {self.name(node)}{tail}")
        lines += self._interface(node)
        return [*lines, *self._body(node), f"END_{kind}"]

    def _interface(self, node: Node) -> list[str]:
        sections: list[Node] = []
        for child in node.children:
            if child.name == "Parameters":
                self.leave_unknown(child.children, SECTION_KINDS)
                sections += [part for part in child.children if part.name in SECTION_KINDS]
            elif child.name in SECTION_KINDS:
                sections.append(child)
        ordered = _in_order(sections, (node.extension("Order") or "").split())
        return [line for section in ordered for line in self.section(section)]

    def _body(self, node: Node) -> list[str]:
        name = node.get("name")
        main = node.child("MainBody")
        bodies = [] if main is None else main.all("BodyContent")
        if len(bodies) > 1:
            self.leave(bodies[1], f"all bodies of {name} but the first")
        if not bodies:
            return []
        if bodies[0].kind == "SFC":
            return self._chart(node, bodies[0])
        for action in node.all("Action"):
            self.leave(action, f"action {action.get('name')} of {name}, which is no chart")
        return self._text(bodies[0], name)

    def _text(self, body: Node, name: str) -> list[str]:
        text = body.child("ST")
        if body.kind != "ST" or text is None:
            self.leave(body, f"the body of {name} in {body.kind or 'no language'}")
            return []
        return ["", *self.statements(text).strip("\n").split("\n")]

    def _chart(self, node: Node, body: Node) -> list[str]:
        conditions = {}
        for transition in node.all("Transition"):
            text = next(transition.walk("ST"), None)
            if text is None:
                self.leave(transition, f"transition {transition.get('name')}, which is not in ST")
            else:
                conditions[transition.get("name").upper()] = self.condition(text)
        chart = ChartImporter(body, self, conditions)
        lines = ["", *chart.lines()]
        for action in node.all("Action"):
            name = self.name(action)
            contents = action.child("BodyContent")
            text_lines = self._text(contents, f"action {name}") if contents is not None else []
            lines += self.comment(documentation(action))
            lines += [f"ACTION {name}:", *text_lines[1:], "END_ACTION", ""]
        return [*lines, *chart.actions]

    # Configurations

    def _configuration(self, node: Node) -> list[str]:
        self.leave_unknown(node.children, ("GlobalVars", "Resource"))
        lines = [*self.comment(documentation(node)), f"CONFIGURATION {self.name(node)}"]
        for section in node.all("GlobalVars"):
            lines += self.section(section)
        for resource in node.all("Resource"):
            if resource.extension("Implicit") is not None:
                lines += self._resource(resource)
                continue
            on = resource.get("resourceTypeName")
            tail = f" ON {self.name(resource, 'resourceTypeName')}" if on else ""
            lines += self.comment(documentation(resource))
            lines += [f"RESOURCE {self.name(resource)}{tail}", *self._resource(resource)]
            lines.append("END_RESOURCE")
        return [*lines, *self._paths(node), "END_CONFIGURATION", ""]

    def _paths(self, node: Node) -> list[str]:
        """VAR_ACCESS and VAR_CONFIG among the additional data, and nothing else there."""
        found = node.extension_node("Paths")
        if found is None:
            return []
        text, place = found.text.strip(), found.text_place
        above = "\n" * max(0, place.line - 2) + "CONFIGURATION C\n"
        source = Source(self.file, f"{above}{' ' * (place.column - 1)}{text}\nEND_CONFIGURATION")
        reporter = Reporter()
        unit = parse(source, reporter)
        self.problems += reporter.errors
        others = [*unit.types, *unit.globals_, *unit.pous, *unit.configurations[1:]]
        others += [part for one in unit.configurations for part in _not_paths(one)]
        if others and not reporter.errors:
            message = f"expected {' or '.join(PATHS)}, got {others[0].at.text}"
            self.problems.append(Problem(message, others[0].at.place))
        return text.split("\n")

    def _resource(self, node: Node) -> list[str]:
        self.leave_unknown(node.children, ("GlobalVars", "Task", "ProgramInstance"))
        lines: list[str] = []
        for child in node.children:
            if child.name == "GlobalVars":
                lines += self.section(child)
            elif child.name == "Task":
                lines += self._task(child)
            elif child.name == "ProgramInstance":
                lines += self._program(child)
        return [*lines, *self._paths(node)]

    def _task(self, node: Node) -> list[str]:
        properties = [
            f"{key.upper()} := {self.expression(node, node.get(key))}"
            for key in ("interval", "single", "priority")
            if node.get(key)
        ]
        lines = self.comment(documentation(node), "    ")
        return [*lines, f"    TASK {self.name(node)}({', '.join(properties)});"]

    def _program(self, node: Node) -> list[str]:
        task = node.get("associatedTaskName")
        tail = f" WITH {self.name(node, 'associatedTaskName')}" if task else ""
        arguments = (node.extension("Arguments") or "").strip()
        called = f"({self.expressions(node, arguments)})" if arguments else ""
        type_name = self.name(node, "typeName")
        lines = self.comment(documentation(node), "    ")
        return [*lines, f"    PROGRAM {self.name(node)}{tail} : {type_name}{called};"]


def _not_paths(configuration: tree.Configuration) -> list[tree.Node]:
    sections = [section for section in configuration.sections if section.kind not in PATHS]
    return [
        *sections,
        *configuration.resources,
        *configuration.tasks,
        *configuration.programs,
    ]


def _in_order(sections: list[Node], order: list[str]) -> list[Node]:
    """Sections in the order that the text had, if that is known and still true."""
    if sorted(order) != sorted(SECTION_KINDS[node.name] for node in sections):
        return sections
    waiting = {kind: [n for n in sections if SECTION_KINDS[n.name] == kind] for kind in SECTIONS}
    return [waiting[kind].pop(0) for kind in order]
