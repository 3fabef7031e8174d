"""Names of the format, and small helpers to write its elements."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement

NAMESPACE = "www.iec.ch/public/TC65SC65BWG7TF10"
INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
EXTENSION = "urn:softctl:exchange"
"""The name of our additional data, which other programs are told to keep."""

SECTIONS = {
    "VAR_INPUT": "InputVars",
    "VAR_OUTPUT": "OutputVars",
    "VAR_IN_OUT": "InoutVars",
    "VAR": "Vars",
    "VAR_TEMP": "TempVars",
    "VAR_EXTERNAL": "ExternalVars",
    "VAR_GLOBAL": "GlobalVars",
}
SECTION_KINDS = {element: kind for kind, element in SECTIONS.items()}
PATHS = ("VAR_ACCESS", "VAR_CONFIG")
"""Sections that the format has no element for that is known here; they travel as ST."""

PARAMETERS = ("VAR_INPUT", "VAR_OUTPUT", "VAR_IN_OUT")
UNITS = {"PROGRAM": "Program", "FUNCTION_BLOCK": "FunctionBlock", "FUNCTION": "Function"}
UNIT_KINDS = {element: kind for kind, element in UNITS.items()}


def add(parent: Element, tag: str, kind: str = "", /, **attributes: str) -> Element:
    """A child; `kind` is its xsi:type, and empty attributes are left out."""
    given = {"xsi:type": kind, **attributes}
    return SubElement(parent, tag, {key: text for key, text in given.items() if text})


def document(parent: Element, text: str) -> None:
    """A documentation element, if there is a text."""
    if text:
        add(parent, "Documentation", "SimpleText").text = text


def extend(parent: Element, /, **texts: str | None) -> None:
    """Additional data of ours, behind the documentation: elements with a text.

    A text may be empty but not None.
    """
    given = {name: text for name, text in texts.items() if text is not None}
    if not given:
        return
    place = Element("AddData")
    parent.insert(len(parent.findall("Documentation")), place)
    data = add(place, "Data", name=EXTENSION, handleUnknown="preserve")
    for name, text in given.items():
        SubElement(data, name, {"xmlns": EXTENSION}).text = text
