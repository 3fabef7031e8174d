"""Sources as one document of the exchange format."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, indent, tostring

from softctl.errors import Problem, ProblemsError
from softctl.logic import tree
from softctl.logic.exchange.export_chart import ChartExporter
from softctl.logic.exchange.export_types import TypeExporter, parameter_numbers
from softctl.logic.exchange.format import (
    INSTANCE,
    NAMESPACE,
    PARAMETERS,
    PATHS,
    SECTIONS,
    UNITS,
    add,
    document,
    extend,
)
from softctl.logic.exchange.remarks import Remarks, comment_lines
from softctl.logic.exchange.st_text import arguments, expression
from softctl.logic.lexer import tokenize
from softctl.logic.parser import parse
from softctl.logic.source import Reporter, Source

FILE_GLOBALS = "FileGlobals"
_NO_TIME = "1970-01-01T00:00:00"
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Exchanged:
    """A converted text and what of the original is not in it."""

    text: str
    left: tuple[Problem, ...]


def st_to_xml(
    sources: Sequence[Source], *, title: str = "", version: str = "", created: str = _NO_TIME
) -> Exchanged:
    """Write ST sources as one IEC 61131-10 document.

    `created` is the document's date and time in ISO 8601, `version` that of softctl.
    Raises ProblemsError for syntax errors and for characters that XML does not have.
    """
    reporter = Reporter()
    units = [parse(source, reporter) for source in sources]
    problems = [*reporter.errors, *(p for source in sources for p in _not_xml(source))]
    if problems:
        raise ProblemsError(problems)
    exporter = _Exporter(title or (sources[0].name if sources else ""), version, created)
    for unit in units:
        exporter.unit(unit)
    return exporter.finish()


def _not_xml(source: Source) -> Iterator[Problem]:
    for found in _NOT_XML.finditer(source.text):
        place = Remarks(source).place(found.start())
        code = f"U+{ord(found.group()):04X}"
        yield Problem(f"expected a character that XML has, got {code}", place)


class _Exporter:
    def __init__(self, title: str, version: str, created: str) -> None:
        names = {"xmlns": NAMESPACE, "xmlns:xsi": INSTANCE}
        self.root = Element("Project", {**names, "schemaVersion": "1.0"})
        add(
            self.root,
            "FileHeader",
            companyName="softctl",
            productName="softctl",
            productVersion=version or "0",
        )
        header = add(self.root, "ContentHeader", name=title or "project", creationDateTime=created)
        scaling = add(header, "CoordinateInfo")
        for language in ("FbdScaling", "LdScaling", "SfcScaling"):
            add(scaling, language, x="1", y="1")
        self.types = add(add(self.root, "Types"), "GlobalNamespace")
        self.instances = add(self.root, "Instances")
        self.left: list[Problem] = []

    def finish(self) -> Exchanged:
        indent(self.root)
        text = tostring(self.root, "unicode", short_empty_elements=True)
        return Exchanged(f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n', tuple(self.left))

    # Comments are claimed from start to end, so elements are written in order of the text.

    def unit(self, unit: tree.Unit) -> None:
        self.remarks = Remarks(unit.source)
        self.declare = TypeExporter(self.remarks)
        shared = add(self.instances, "Configuration", name=FILE_GLOBALS)
        extend(shared, FileGlobals="")
        elements: list[tree.Node] = [
            *unit.types,
            *unit.globals_,
            *unit.pous,
            *unit.configurations,
        ]
        for node in sorted(elements, key=lambda element: element.at.start):
            if isinstance(node, tree.TypeDeclaration):
                self.declare.declaration(self.types, node)
            elif isinstance(node, tree.Section):
                self._section(shared, node)
            elif isinstance(node, tree.Pou):
                self._pou(node)
            elif isinstance(node, tree.Configuration):
                self._configuration(node)
        if not unit.globals_:
            self.instances.remove(shared)
        self.remarks.leave_until(len(unit.source.text))
        self.left += self.remarks.left

    # Program organisation units

    def _pou(self, pou: tree.Pou) -> None:
        made = add(self.types, UNITS[pou.kind], name=pou.name)
        document(made, self.remarks.claim_until(pou.at.start, pou.pragma))
        sections = [s for s in pou.sections if self._is_known(s)]
        kinds = [section.kind for section in sections]
        order = " ".join(kinds) if kinds != _usual(kinds) else None
        extend(made, Pragma=pou.pragma or None, Order=order)
        if pou.result is not None:
            self.declare.type_(made, "ResultType", pou.result)
        # Comments go by the text's order, elements by the format's.
        numbers = parameter_numbers()
        place = add(made, "Parameters") if set(kinds) & set(PARAMETERS) else made
        for section in sections:
            parameter = section.kind in PARAMETERS
            self.declare.section(
                place if parameter else made, section, numbers if parameter else None
            )
        body = add(made, "MainBody")
        if pou.network is None:
            self._text(body, pou.source, pou.span)
            return
        chart = ChartExporter(pou.network, _network(body), self.remarks)
        chart.write()
        for action in pou.network.actions:
            element = add(made, "Action", name=action.name)
            document(element, chart.texts[id(action)])
            self._text(element, pou.source, action.span)
        self.remarks.leave_until(pou.span[1])

    def _is_known(self, section: tree.Section) -> bool:
        if section.kind in SECTIONS:
            return True
        at = section.at
        message = f"not carried over: {section.kind}"
        self.left.append(Problem(message, at.place, "warning", at.source.excerpt(at.line)))
        return False

    def _text(self, parent: Element, source: Source, span: tree.Span) -> None:
        """A body in ST as written, without the empty lines around it."""
        body = source.text[slice(*span)].rstrip()
        lines = body.replace("\r\n", "\n").replace("\r", " ").split("\n")
        while len(lines) > 1 and not lines[0].strip():
            del lines[0]
        add(add(parent, "BodyContent", "ST"), "ST").text = "\n".join(lines)
        self.remarks.skip_until(span[1])

    # Configurations

    def _section(self, parent: Element, node: tree.Section) -> None:
        if self._is_known(node):
            self.declare.section(parent, node)

    def _configuration(self, node: tree.Configuration) -> None:
        made = add(self.instances, "Configuration", name=node.name)
        document(made, self.remarks.claim_until(node.at.start))
        resources = {"": made}
        paths: dict[str, list[str]] = {}
        parts: list[tree.Node] = [*node.sections, *node.resources, *node.tasks, *node.programs]
        for part in sorted(parts, key=lambda element: element.at.start):
            if isinstance(part, tree.Resource):
                element = add(made, "Resource", name=part.name, resourceTypeName=part.type_name)
                document(element, self.remarks.claim_until(part.at.start))
                resources[part.name] = element
            elif isinstance(part, tree.Section) and part.kind in PATHS:
                paths.setdefault(part.resource, []).append(self._paths(part))
            elif isinstance(part, tree.Section):
                self._section(resources[part.resource], part)
            elif isinstance(part, tree.Task | tree.ProgramInstance):
                self._scheduled(self._resource(resources, part.resource), part)

        for name, texts in paths.items():
            extend(resources[name], Paths="\n".join(texts))

    def _paths(self, section: tree.Section) -> str:
        """VAR_ACCESS or VAR_CONFIG as written, with the comments before it."""
        before = self.remarks.claim_until(section.at.start)
        source = section.at.source
        tokens = tokenize(source, Reporter()).tokens
        ends = (t for t in tokens if t.kind == "END_VAR" and t.start > section.at.start)
        end = next(ends).start + len("END_VAR")
        self.remarks.skip_until(end)
        lines = comment_lines(before) if before else []
        return "\n".join([*lines, source.text[section.at.start : end]])

    @staticmethod
    def _resource(resources: dict[str, Element], name: str) -> Element:
        """Tasks and programs need a resource; one that is not in the text is marked."""
        if name:
            return resources[name]
        if " " not in resources:
            resources[" "] = add(resources[""], "Resource", name="Resource")
            extend(resources[" "], Implicit="")
        return resources[" "]

    def _scheduled(self, parent: Element, node: tree.Task | tree.ProgramInstance) -> None:
        text = self.remarks.claim_until(node.at.start)
        if isinstance(node, tree.Task):
            properties = {"interval": node.interval, "single": node.single}
            given = {k: expression(v) for k, v in properties.items() if v is not None}
            priority = expression(node.priority) if node.priority is not None else ""
            made = add(parent, "Task", name=node.name, **given, priority=priority)
            document(made, text)
            return
        made = add(
            parent,
            "ProgramInstance",
            name=node.name,
            typeName=node.type_name,
            associatedTaskName=node.task,
        )
        document(made, text)
        extend(made, Arguments=arguments(node.arguments) or None)


def _usual(kinds: list[str]) -> list[str]:
    """The order of sections that reading gives without more being said."""
    return sorted(kinds, key=lambda kind: kind not in PARAMETERS)


def _network(body: Element) -> Element:
    return add(add(body, "BodyContent", "SFC"), "Network")
