"""Types and variables (IEC 61131-3 tables 11 to 14)."""

from __future__ import annotations

from softctl.logic import tree
from softctl.logic.cursor import ParseError, describe_token, unsupported
from softctl.logic.parse_expressions import ExpressionParser
from softctl.logic.source import Token

SECTION_KINDS = frozenset(
    [
        "VAR",
        "VAR_INPUT",
        "VAR_OUTPUT",
        "VAR_IN_OUT",
        "VAR_TEMP",
        "VAR_EXTERNAL",
        "VAR_GLOBAL",
        "VAR_ACCESS",
        "VAR_CONFIG",
        "VAR_CONSTANT",
    ]
)
STATEMENT_STARTS = frozenset(["IF", "CASE", "FOR", "WHILE", "REPEAT", "RETURN", "EXIT"])
POU_ENDS = frozenset(
    [
        "END_PROGRAM",
        "END_FUNCTION",
        "END_FUNCTION_BLOCK",
        "END_CONFIGURATION",
        "END_RESOURCE",
        "PROGRAM",
        "FUNCTION",
        "FUNCTION_BLOCK",
        "TYPE",
        "CONFIGURATION",
    ]
)


class DeclarationParser(ExpressionParser):
    """Parses type declarations and variable sections."""

    def type_section(self, unit: tree.Unit) -> None:
        """TYPE … END_TYPE."""
        self.expect("TYPE")
        while self.token.kind not in ("END_TYPE", "end") and self.token.kind not in POU_ENDS:
            try:
                self._type_declaration(unit.types)
            except ParseError as error:
                self.recover(error, 0)
                self.skip_to({";", "END_TYPE", "END_STRUCT", *POU_ENDS})
                self.accept("END_STRUCT")
                self.accept(";")
        self.expect("END_TYPE", "a type's name or END_TYPE")
        self.accept(";")

    def _type_declaration(self, types: list[tree.TypeDeclaration]) -> None:
        """One type; a broken one is kept as unknown, so that its uses are no errors too."""
        name = self.expect_name("a type's name or END_TYPE")
        declaration = tree.TypeDeclaration(name, name.text, tree.UnknownSpec(name), None)
        types.append(declaration)
        self.expect(":", ": after the type's name")
        declaration.spec = self.type_spec()
        declaration.initial = self.initial_value() if self.accept(":=") else None
        if not self.accept(";"):
            if self.previous.kind != "END_STRUCT":
                raise self.missing_semicolon("the type")
            self.reporter.depart(self.previous, "END_STRUCT without ; behind it: write END_STRUCT;")

    def type_spec(self) -> tree.TypeSpec:
        """Any type specification."""
        self.deepen()
        spec = self._type_spec()
        self.depth -= 1
        return spec

    def _type_spec(self) -> tree.TypeSpec:
        token = self.token
        if token.kind == "ARRAY":
            return self._array()
        if token.kind == "STRUCT":
            return self._struct()
        if token.kind == "(":
            return self._enumeration("")
        if token.kind in ("POINTER", "REF_TO"):
            return self._address_type()
        if token.kind == "name":
            return self._named()
        raise self.unexpected("a type")

    def _address_type(self) -> tree.TypeSpec:
        at = self.advance()
        self.reporter.error(at, unsupported(at.key))
        self.accept("TO")
        self.type_spec()
        return tree.UnknownSpec(at)

    def _named(self) -> tree.TypeSpec:
        if self.token.key == "REFERENCE" and self.peek().kind == "TO":
            return self._address_type()
        name = self.advance()
        if name.key in ("STRING", "WSTRING"):
            return self._string(name)
        if self.token.kind != "(":
            return tree.TypeName(name, name.text)
        if self.peek().kind == "name" and self.peek(2).kind in (",", ")", ":="):
            return self._enumeration(name.text)
        self.advance()
        low = self.expression()
        self.expect("..", ".. between the limits of the subrange")
        high = self.expression()
        self.expect(")", ") after the subrange")
        return tree.SubrangeSpec(name, name.text, low, high)

    def _string(self, name: Token) -> tree.TypeSpec:
        length: tree.Expression | None = None
        if self.accept("["):
            length = self.expression()
            self.expect("]", "] after the length")
        elif self.token.kind == "(":
            self.reporter.depart(self.advance(), f"a length in parentheses: write {name.key}[…]")
            length = self.expression()
            self.expect(")", ") after the length")
        return tree.StringSpec(name, name.key == "WSTRING", length)

    def _enumeration(self, base: str) -> tree.TypeSpec:
        at = self.expect("(")
        items: list[tuple[Token, tree.Expression | None]] = []
        while True:
            name = self.expect_name("a value's name")
            items.append((name, self.expression() if self.accept(":=") else None))
            if not self.accept(","):
                break
        self.expect(")", ", or ) in this enumeration")
        if not base and self.token.kind == "name":
            base = self.advance().text
        return tree.EnumSpec(at, base, items)

    def _array(self) -> tree.TypeSpec:
        at = self.advance()
        self.expect("[", "[ after ARRAY")
        bounds: list[tuple[tree.Expression, tree.Expression] | None] = []
        while True:
            if self.accept("*"):
                bounds.append(None)
            else:
                low = self.expression()
                self.expect("..", ".. between the bounds of the array")
                bounds.append((low, self.expression()))
            if not self.accept(","):
                break
        self.expect("]", ", or ] in these bounds")
        self.expect("OF", "OF after the bounds")
        return tree.ArraySpec(at, bounds, self.type_spec())

    def _struct(self) -> tree.TypeSpec:
        at = self.advance()
        if self.word("OVERLAP"):
            raise self.fail(self.previous, "OVERLAP is not supported")
        fields: list[tree.Variable] = []
        while self.token.kind not in ("END_STRUCT", "end"):
            self._variables(fields)
        self.expect("END_STRUCT")
        return tree.StructSpec(at, fields)

    # Variables

    def sections(self) -> list[tree.Section]:
        """All variable sections that follow."""
        found: list[tree.Section] = []
        while self.token.kind in SECTION_KINDS:
            found.append(self.section())
        return found

    def section(self) -> tree.Section:
        """One VAR… END_VAR."""
        at = self.advance()
        section = tree.Section(at, at.kind, [])
        if at.kind == "VAR_CONSTANT":
            self.reporter.depart(at, "VAR_CONSTANT in one word: write VAR CONSTANT")
            section.kind, section.constant = "VAR", True
        self._qualifiers(section)
        if at.kind in ("VAR_ACCESS", "VAR_CONFIG"):
            self._paths(section)
            return section
        ends = {"END_VAR", "end", *POU_ENDS, *SECTION_KINDS}
        while self.token.kind not in ends and not self._at_statement():
            try:
                self._variables(section.variables)
            except ParseError as error:
                self.recover(error, 0)
                self.skip_to({";", *ends})
                self.accept(";")
        if not self.accept("END_VAR"):
            self._missing_end_var(at)
        elif self.accept(";"):
            pass
        return section

    def _paths(self, section: tree.Section) -> None:
        """The lines of VAR_ACCESS and VAR_CONFIG (IEC 61131-3 tables 63 and 64)."""
        ends = {"END_VAR", "end", *POU_ENDS, *SECTION_KINDS}
        while self.token.kind not in ends:
            try:
                section.paths.append(self._path(section.kind == "VAR_ACCESS"))
            except ParseError as error:
                self.recover(error, 0)
                self.skip_to({";", *ends})
                self.accept(";")
        self.expect("END_VAR", "a path or END_VAR")

    def _path(self, named: bool) -> tree.InstancePath:
        at, name = self.token, ""
        if named:
            name = self.expect_name("an access path's name or END_VAR").text
            self.expect(":", ": and a path after the name")
        words = self._path_words()
        path = tree.InstancePath(at, name, words, self._location(), tree.UnknownSpec(at))
        self.expect(":", ": and a type after the path")
        path.spec = self.type_spec()
        if named:
            path.writable = self.word("READ_WRITE") is not None
            if not path.writable:
                self.word("READ_ONLY")
        elif self.accept(":="):
            path.initial = self.initial_value()
        self.end_of_statement("the path")
        return path

    def _path_words(self) -> list[Token | list[tree.Expression]]:
        if self.token.kind == "address":
            return [self.advance()]
        words: list[Token | list[tree.Expression]] = []
        words.append(self.expect_name("a path such as Resource.Program.Variable"))
        while True:
            if self.accept("."):
                address = self.accept("address")
                words.append(address or self.expect_name("a name after ."))
            elif self.accept("["):
                indices = [self.expression()]
                while self.accept(","):
                    indices.append(self.expression())
                self.expect("]", "] to close this index")
                words.append(indices)
            else:
                return words

    def _at_statement(self) -> bool:
        """True where statements begin though END_VAR has not come."""
        if self.token.kind in STATEMENT_STARTS:
            return True
        return self.token.kind == "name" and self.peek().kind in (":=", "(", ".", "[")

    def _missing_end_var(self, opening: Token) -> None:
        opened = f"{opening.kind} was opened in line {opening.line}"
        got = describe_token(self.token)
        self.fail(self.token, f"expected a variable's name or END_VAR, got {got}", opened)

    def _qualifiers(self, section: tree.Section) -> None:
        while True:
            if self.accept("CONSTANT"):
                section.constant = True
            elif self.accept("RETAIN") or self.word("PERSISTENT"):
                section.retain = True
            elif not self.accept("NON_RETAIN"):
                return

    def _variables(self, found: list[tree.Variable]) -> None:
        """One declaration; the names of a broken one are kept, so that their uses are no errors."""
        pragma = self.token.pragma
        made = [self._variable()]
        try:
            while self.accept(","):
                made.append(self._variable())
            self.expect(":", ": and a type after the variable's name")
            spec = self.type_spec()
            edge = ""
            if self.token.kind == "name" and self.token.key in ("R_EDGE", "F_EDGE"):
                edge = self.advance().key[0]
            initial = None
            if self.accept(":="):
                is_array = isinstance(spec, tree.ArraySpec)
                initial = self.bare_array() if is_array else self.initial_value()
        except ParseError:
            found += made
            raise
        for variable in made:
            variable.spec, variable.initial, variable.edge = spec, initial, edge
            variable.pragma = pragma
        found += made
        self.end_of_statement("the declaration")
        for variable in made:
            variable.comment = self.comments.get(self.previous.line, "")

    def _variable(self) -> tree.Variable:
        name = self.expect_name("a variable's name or END_VAR")
        variable = tree.Variable(name, name.text, tree.UnknownSpec(name))
        variable.address = self._location()
        return variable

    def _location(self) -> str:
        if not self.accept("AT"):
            return ""
        return self.expect("address", "an address such as %IX0.0 after AT").text
