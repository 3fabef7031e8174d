"""Whole sources: program organisation units, types, configurations (IEC 61131-3 annex A)."""

from __future__ import annotations

from softctl.logic import tree
from softctl.logic.cursor import OBJECT_WORDS, ParseError, unsupported
from softctl.logic.lexer import tokenize
from softctl.logic.parse_chart import CHART_STARTS, ChartParser
from softctl.logic.parse_declarations import POU_ENDS, SECTION_KINDS, STATEMENT_STARTS
from softctl.logic.parse_statements import ENDS
from softctl.logic.source import Reporter, Source, Token

_BARE_STARTS = STATEMENT_STARTS | {"name", "address"}
_POU_KINDS = ("PROGRAM", "FUNCTION", "FUNCTION_BLOCK")


class _Parser(ChartParser):
    def unit(self) -> tree.Unit:
        unit = tree.Unit(self.source)
        while self.token.kind != "end":
            try:
                self._declaration(unit)
            except ParseError:
                self.depth = 0
                self.skip_to(POU_ENDS)
                if self.token.kind.startswith("END_"):
                    self.advance()
        return unit

    def _declaration(self, unit: tree.Unit) -> None:
        kind = self.token.kind
        if kind in _POU_KINDS:
            unit.pous.append(self._pou())
        elif kind == "TYPE":
            self.type_section(unit)
        elif kind == "VAR_GLOBAL":
            unit.globals_.append(self.section())
        elif kind == "CONFIGURATION":
            unit.configurations.append(self._configuration())
        elif kind in OBJECT_WORDS:
            self.skip_unsupported()
        elif self.is_word("USING"):
            self.reporter.error(self.token, unsupported("USING"))
            self.skip_to({";"})
        elif kind in SECTION_KINDS or (kind in _BARE_STARTS and not unit.pous):
            unit.pous.append(self._bare_program())
        elif not self.accept(";"):
            error = self.unexpected(
                "PROGRAM, FUNCTION_BLOCK, FUNCTION, TYPE, VAR_GLOBAL or CONFIGURATION"
            )
            self.advance()
            raise error

    def _bare_program(self) -> tree.Pou:
        at = self.token
        self.reporter.depart(at, "a body outside any unit: write PROGRAM name … END_PROGRAM")
        stem = self.source.name.rsplit("/", 1)[-1].split(".", 1)[0] or "Main"
        name = stem if stem.isidentifier() else "Main"
        sections = self.sections()
        pou = tree.Pou(at, "PROGRAM", name, None, sections, [], None, self.source)
        self._body(pou)
        return pou

    def _pou(self) -> tree.Pou:
        keyword = self.advance()
        pragma = keyword.pragma
        if self.is_word("ABSTRACT") or self.is_word("FINAL"):
            self.reporter.error(self.advance(), unsupported("CLASS"))
        name = self.expect_name(f"the {keyword.kind}'s name")
        result: tree.TypeSpec | None = None
        if keyword.kind == "FUNCTION" and self.accept(":"):
            result = self.type_spec()
        elif self.is_word("EXTENDS") or self.is_word("IMPLEMENTS"):
            self.reporter.error(self.token, unsupported(self.token.key))
            self.skip_to({";", *SECTION_KINDS, *CHART_STARTS, *POU_ENDS, *OBJECT_WORDS})
        self.accept(";")
        pou = tree.Pou(name, keyword.kind, name.text, result, [], [], None, self.source, pragma)
        pou.sections = self.sections()
        self._body(pou)
        end = f"END_{keyword.kind}"
        if not self.accept(end):
            self.unexpected(f"a statement or {end}")
            self.skip_to(POU_ENDS)
            if self.token.kind.startswith("END_"):
                self.advance()
        self.accept(";")
        return pou

    def _body(self, pou: tree.Pou) -> None:
        start = self.previous.end
        self._skip_objects()
        if self.token.kind in CHART_STARTS:
            pou.network = self.network()
        else:
            pou.body = self.statements()
            self._stray_ends(pou)
        self._skip_objects()
        pou.span = (start, self.token.start)

    def _stray_ends(self, pou: tree.Pou) -> None:
        """Go on behind an END_IF that has no IF, so that later errors show too."""
        while self.token.kind in ENDS and self.token.kind != "end":
            self.unexpected(f"a statement or END_{pou.kind}")
            self.advance()
            self.accept(";")
            pou.body += self.statements()

    def _skip_objects(self) -> None:
        while self.token.kind in OBJECT_WORDS:
            self.skip_unsupported()

    # Configurations

    def _configuration(self) -> tree.Configuration:
        self.advance()
        name = self.expect_name("the configuration's name")
        configuration = tree.Configuration(name, name.text, [], [], [])
        self._resource_body(configuration, "END_CONFIGURATION")
        return configuration

    def _resource_body(
        self, configuration: tree.Configuration, end: str, resource: str = ""
    ) -> None:
        while not self.accept(end):
            if self.token.kind == "end":
                raise self.unexpected(end)
            start = self.token
            try:
                self._configured(configuration, end, resource)
            except ParseError as error:
                self.recover(error, 0)
                if self.token.kind in POU_ENDS:
                    raise  # the end of something else: this one has lost its own
                self.skip_to({";", *POU_ENDS} - {"PROGRAM"})
                if not self.accept(";") and self.token is start:
                    self.advance()
        self.accept(";")

    def _configured(self, configuration: tree.Configuration, end: str, resource: str) -> None:
        """One element of a configuration or resource."""
        kind = self.token.kind
        if kind in SECTION_KINDS:
            section = self.section()
            section.resource = resource
            configuration.sections.append(section)
        elif kind == "RESOURCE":
            self._resource(configuration)
        elif self.is_word("TASK"):
            task = self._task()
            task.resource = resource
            configuration.tasks.append(task)
        elif kind == "PROGRAM":
            program = self._program_instance()
            program.resource = resource
            configuration.programs.append(program)
        elif not self.accept(";"):
            error = self.unexpected(f"VAR_GLOBAL, RESOURCE, TASK, PROGRAM or {end}")
            self.accept("END_VAR")
            raise error

    def _resource(self, configuration: tree.Configuration) -> None:
        self.advance()
        name = self.expect_name("the resource's name")
        type_name = self.expect_name("the resource's type").text if self.word("ON") else ""
        configuration.resources.append(tree.Resource(name, name.text, type_name))
        self._resource_body(configuration, "END_RESOURCE", name.text)

    def _task(self) -> tree.Task:
        self.advance()
        name = self.expect_name("the task's name")
        task = tree.Task(name, name.text, None, None, None)
        self.expect("(", "( and the task's properties")
        while True:
            key = self.expect_name("INTERVAL, SINGLE or PRIORITY")
            self.expect(":=", ":= after the property")
            value = self.expression()
            if key.key == "INTERVAL":
                task.interval = value
            elif key.key == "SINGLE":
                task.single = value
            elif key.key == "PRIORITY":
                task.priority = value
            else:
                raise self.fail(key, f"expected INTERVAL, SINGLE or PRIORITY, got {key.text}")
            if not self.accept(","):
                break
        self.expect(")", ", or ) in these properties")
        self.end_of_statement("the task")
        return task

    def _program_instance(self) -> tree.ProgramInstance:
        self.advance()
        if not self.accept("RETAIN"):
            self.accept("NON_RETAIN")
        name = self.expect_name("the program instance's name")
        task = self.expect_name("the task's name").text if self._with() else ""
        self.expect(":", ": and the program's type")
        type_name = self.expect_name("the program's type").text
        arguments: list[tree.Argument] = []
        if self.token.kind == "(":
            call = self.postfix(tree.Name(name, type_name))
            assert isinstance(call, tree.Call)
            arguments = call.arguments
        self.end_of_statement("the program instance")
        return tree.ProgramInstance(name, name.text, type_name, task, arguments)

    def _with(self) -> Token | None:
        return self.word("WITH")


def parse(source: Source, reporter: Reporter) -> tree.Unit:
    """Parse one source; errors go to the reporter and what is sound is returned."""
    return _Parser(tokenize(source, reporter), reporter).unit()
