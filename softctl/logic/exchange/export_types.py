"""Types, initial values and variables as elements."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from xml.etree.ElementTree import Element

from softctl.logic import tree
from softctl.logic.exchange.format import SECTIONS, add, document, extend
from softctl.logic.exchange.remarks import Remarks
from softctl.logic.exchange.st_text import expression, unknown


class TypeExporter:
    """Writes the declarations of one source."""

    def __init__(self, remarks: Remarks) -> None:
        self.remarks = remarks

    # Types

    def declaration(self, parent: Element, node: tree.TypeDeclaration) -> None:
        """One type of a TYPE section."""
        made = add(parent, "DataTypeDecl", name=node.name)
        document(made, self.remarks.claim_until(node.at.start))
        if isinstance(node.spec, tree.TypeName) or _is_plain_string(node.spec):
            spec = add(made, "UserDefinedTypeSpec", "DirectlyDerivedTypeSpec")
            add(add(spec, "BaseType"), "TypeName").text = _type_name(node.spec)
        else:
            self._spec(made, "UserDefinedTypeSpec", node.spec)
        self._initial(made, node.initial)

    def type_(self, parent: Element, name: str, spec: tree.TypeSpec) -> None:
        """A reference to a type, or a type described in place."""
        made = add(parent, name)
        if isinstance(spec, tree.TypeName) or _is_plain_string(spec):
            add(made, "TypeName").text = _type_name(spec)
        else:
            self._spec(made, "InstantlyDefinedType", spec)

    def _spec(self, parent: Element, name: str, spec: tree.TypeSpec) -> None:
        if isinstance(spec, tree.StringSpec):
            assert spec.length is not None
            length = expression(spec.length)
            made = add(parent, name, "StringTypeSpec", length=length)
            add(add(made, "BaseType"), "TypeName").text = _type_name(spec)
        elif isinstance(spec, tree.SubrangeSpec):
            made = add(parent, name, "SubrangeTypeSpec")
            add(add(made, "BaseType"), "TypeName").text = spec.base
            add(made, "Range", lower=expression(spec.low), upper=expression(spec.high))
        elif isinstance(spec, tree.EnumSpec):
            self._enumeration(parent, name, spec)
        elif isinstance(spec, tree.ArraySpec):
            self._array(parent, name, spec)
        elif isinstance(spec, tree.StructSpec):
            made = add(parent, name, "StructTypeSpec")
            for field in self._fresh(spec.fields):
                self._variable(made, "Member", *field)
        else:
            raise unknown(spec)

    def _enumeration(self, parent: Element, name: str, spec: tree.EnumSpec) -> None:
        named = bool(spec.base) or any(value is not None for _, value in spec.items)
        kind = "EnumTypeWithNamedValueSpec" if named else "EnumTypeSpec"
        made = add(parent, name, kind)
        if spec.base:
            add(add(made, "BaseType"), "TypeName").text = spec.base
        for token, value in spec.items:
            text = expression(value) if value is not None else ""
            add(made, "Enumerator", name=token.text, value=text)

    def _array(self, parent: Element, name: str, spec: tree.ArraySpec) -> None:
        made = add(parent, name, "ArrayTypeSpec")
        self.type_(made, "BaseType", spec.element)
        for number, pair in enumerate(spec.bounds, 1):
            dimension = add(made, "DimensionSpec", dimensionNumber=str(number))
            if pair is not None:
                add(dimension, "IndexRange", lower=expression(pair[0]), upper=expression(pair[1]))

    # Initial values

    def _initial(self, parent: Element, node: tree.Expression | None) -> None:
        if node is not None:
            self._value(add(parent, "InitialValue"), node)

    def _value(self, parent: Element, node: tree.Expression) -> None:
        if isinstance(node, tree.ArrayInitial):
            made = add(parent, "ArrayValue")
            for times, value in node.items:
                repeat = expression(times) if times is not None else ""
                item = add(made, "Value", repetitionValue=repeat)
                if value is not None:
                    self._value(item, value)
        elif isinstance(node, tree.StructInitial):
            made = add(parent, "StructValue")
            for member in node.fields:
                assert member.value is not None
                self._value(add(made, "Value", member=member.name), member.value)
        else:
            add(parent, "SimpleValue", value=expression(node))

    # Variables

    def section(
        self, parent: Element, node: tree.Section, number: Iterator[int] | None = None
    ) -> None:
        """One VAR section; `number` counts the parameters of a unit."""
        made = add(
            parent,
            SECTIONS[node.kind],
            constant="true" if node.constant else "",
            retain="true" if node.retain else "",
            accessSpecifier="private" if node.kind == "VAR" else "",
        )
        for variable in self._fresh(node.variables):
            order = str(next(number)) if number is not None else ""
            self._variable(made, "Variable", *variable, order)

    @staticmethod
    def _fresh(variables: list[tree.Variable]) -> Iterator[tuple[tree.Variable, bool]]:
        """Variables, and whether each shares a type without a name with the one before."""
        before: tree.TypeSpec | None = None
        for variable in variables:
            yield variable, variable.spec is before and not isinstance(before, tree.TypeName)
            before = variable.spec

    def _variable(
        self, parent: Element, name: str, node: tree.Variable, shares: bool, order: str = ""
    ) -> None:
        edge = {"R": "rising", "F": "falling"}.get(node.edge, "")
        made = add(parent, name, name=node.name, orderWithinParamSet=order, edgeDetection=edge)
        before = self.remarks.claim_until(node.at.start, node.pragma)
        document(made, node.comment)
        extend(
            made,
            Before=before or None,
            Pragma=node.pragma or None,
            SharesType="" if shares else None,
        )
        self.type_(made, "Type", node.spec)
        self._initial(made, node.initial)
        if node.address:
            add(made, "Address", address=node.address)
        self.remarks.claim_same(node.comment)


def _is_plain_string(spec: tree.TypeSpec) -> bool:
    return isinstance(spec, tree.StringSpec) and spec.length is None


def _type_name(spec: tree.TypeSpec) -> str:
    if isinstance(spec, tree.StringSpec):
        return "WSTRING" if spec.wide else "STRING"
    assert isinstance(spec, tree.TypeName)
    return spec.name


def parameter_numbers() -> Iterator[int]:
    """1, 2, 3 … for the parameters of one unit."""
    return count(1)
