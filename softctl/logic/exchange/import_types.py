"""Types, initial values and variables from elements to ST."""

from __future__ import annotations

from dataclasses import dataclass

from softctl.logic.exchange.checked import Checked, documentation
from softctl.logic.exchange.format import SECTION_KINDS
from softctl.logic.exchange.reader import Node
from softctl.logic.exchange.remarks import comment_lines

_INDENT = "    "


@dataclass
class _Declared:
    """Variables declared together: they share all but their names."""

    names: list[str]
    rest: str
    comment: str
    before: list[str]


class TypeImporter(Checked):
    """Reads declarations."""

    _structs = 0  # open around the current element

    # Types

    def declaration(self, node: Node) -> list[str]:
        """The lines of one type in a TYPE section."""
        spec = node.child("UserDefinedTypeSpec")
        self.leave_unknown(node.children, ("UserDefinedTypeSpec", "InitialValue"))
        name = self.name(node)
        if spec is None:
            self.error(node, f"expected a UserDefinedTypeSpec in type {name}, got none")
            return []
        initial = self.initial(node)
        lines = self.comment(documentation(node), _INDENT)
        return [*lines, f"{_INDENT}{name} : {self._spec(spec)}{initial};"]

    def comment(self, text: str, indent: str = "") -> list[str]:
        """A documentation as lines of its own."""
        if not text:
            return []
        first, *rest = comment_lines(text)
        return (
            [f"{indent}{first}", *rest]
            if first[:2] == "(*"
            else [f"{indent}{line}" for line in (first, *rest)]
        )

    def type_(self, node: Node) -> str:
        """The type that an element refers to or describes."""
        name, spec = node.child("TypeName"), node.child("InstantlyDefinedType")
        if name is not None:
            return self.type_name(name)
        if spec is not None:
            return self._spec(spec)
        self.error(node, f"expected a TypeName or InstantlyDefinedType in {node.name}")
        return "INT"

    def _spec(self, node: Node) -> str:
        kind = node.kind
        if kind in ("DirectlyDerivedTypeSpec", "StringTypeSpec"):
            length = node.get("length")
            return self._base(node) + (f"[{self.expression(node, length)}]" if length else "")
        if kind == "SubrangeTypeSpec":
            return f"{self._base(node)} ({self._range(node, 'Range')})"
        if kind in ("EnumTypeSpec", "EnumTypeWithNamedValueSpec"):
            return self._enumeration(node)
        if kind == "ArrayTypeSpec":
            bounds = [self._bounds(dimension) for dimension in node.all("DimensionSpec")]
            return f"ARRAY[{', '.join(bounds)}] OF {self._base(node)}"
        if kind == "StructTypeSpec":
            return self._struct(node)
        self.error(node, f"expected a type that ST has here, got {kind or 'none'}")
        return "INT"

    def _struct(self, node: Node) -> str:
        self.leave_unknown(node.children, ("Member",))
        self._structs += 1
        members = self.variables(node.all("Member"), self._structs + 1)
        end = _INDENT * self._structs + "END_STRUCT"
        self._structs -= 1
        return "\n".join(["STRUCT", *members, end])

    def _base(self, node: Node) -> str:
        base = node.child("BaseType")
        if base is None:
            self.error(node, f"expected a BaseType in {node.kind}, got none")
            return "INT"
        return self.type_(base)

    def _bounds(self, node: Node) -> str:
        return self._range(node, "IndexRange") if node.children else "*"

    def _range(self, node: Node, name: str) -> str:
        limits = node.child(name)
        if limits is None:
            self.error(node, f"expected a {name} in {node.name}, got none")
            return "0..0"
        ends = (limits.get("lower"), limits.get("upper"))
        return "..".join(self.expression(limits, end) for end in ends)

    def _enumeration(self, node: Node) -> str:
        items = []
        for item in node.all("Enumerator"):
            value = item.get("value")
            tail = f" := {self.expression(item, value)}" if value else ""
            items.append(f"{self.name(item)}{tail}")
        base = f"{self._base(node)} " if node.child("BaseType") is not None else ""
        return f"{base}({', '.join(items)})"

    # Initial values

    def initial(self, node: Node) -> str:
        """`:= …` if an element has an initial value."""
        value = node.child("InitialValue")
        return f" := {self._value(value)}" if value is not None else ""

    def _value(self, node: Node) -> str:
        simple, array, struct = map(node.child, ("SimpleValue", "ArrayValue", "StructValue"))
        if simple is not None:
            return self.expression(simple, simple.get("value"))
        if array is not None:
            return f"[{', '.join(map(self._item, array.all('Value')))}]"
        if struct is not None:
            members = (f"{self.name(v, 'member')} := {self._value(v)}" for v in struct.all("Value"))
            return f"({', '.join(members)})"
        self.error(node, f"expected a value in {node.name}, got none")
        return "0"

    def _item(self, node: Node) -> str:
        times = node.get("repetitionValue")
        value = self._value(node) if node.children or not times else ""
        return f"{self.expression(node, times)}({value})" if times else value

    # Variables

    def section(self, node: Node) -> list[str]:
        """The lines of one VAR section."""
        self.leave_unknown(node.children, ("Variable",))
        if node.get("accessSpecifier") in ("public", "internal"):
            self.leave(node, f"access specifier {node.get('accessSpecifier')}")
        words = [SECTION_KINDS[node.name]]
        words += [word.upper() for word in ("constant", "retain") if node.get(word) == "true"]
        head = " ".join(words)
        return [head, *self.variables(node.all("Variable"), 1), "END_VAR"]

    def variables(self, nodes: list[Node], depth: int) -> list[str]:
        """The lines of variables or members."""
        indent = _INDENT * depth
        groups: list[_Declared] = []
        for node in nodes:
            declared = self._declared(node, indent)
            shares = node.extension("SharesType") is not None
            if shares and groups and groups[-1].rest == declared.rest:
                groups[-1].names += declared.names
                groups[-1].before += declared.before
            else:
                groups.append(declared)
        return [line for group in groups for line in self._lines(group, indent)]

    def _lines(self, group: _Declared, indent: str) -> list[str]:
        text = f"{indent}{', '.join(group.names)} : {group.rest};{trailing(group.comment)}"
        return [*group.before, text]

    def _declared(self, node: Node, indent: str) -> _Declared:
        self.leave_unknown(node.children, ("Type", "InitialValue", "Address"))
        type_ = node.child("Type")
        if type_ is None:
            self.error(node, f"expected a Type in variable {node.get('name')}, got none")
            return _Declared([], "INT", "", [])
        before = self.comment((node.extension("Before") or "").strip(), indent)
        pragma = (node.extension("Pragma") or "").strip()
        if "}" in pragma:
            self.error(node, "expected a pragma without }, got one")
        elif pragma:
            before.append(f"{indent}{{{pragma}}}")
        edge = {"rising": " R_EDGE", "falling": " F_EDGE"}.get(node.get("edgeDetection"), "")
        rest = f"{self.type_(type_)}{edge}{self.initial(node)}"
        return _Declared([self.name(node) + self._address(node)], rest, documentation(node), before)

    def _address(self, node: Node) -> str:
        address = node.child("Address")
        if address is None:
            return ""
        text = address.get("address")
        if not text.startswith("%"):
            self.error(address, f"expected an address such as %IX0.0, got {text!r}")
            return ""
        return f" AT {self.expression(address, text)}"


def trailing(text: str) -> str:
    """A comment behind a declaration."""
    if not text:
        return ""
    if "\n" not in text:
        return f" // {text}"
    return f" (* {text.replace('(*', '( *').replace('*)', '* )')} *)"
