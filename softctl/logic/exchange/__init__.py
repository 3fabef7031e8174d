"""Programs as documents of the open XML exchange format, IEC 61131-10, and back.

Written and read: IEC 61131-10:2019, edition 1.0 (namespace
`www.iec.ch/public/TC65SC65BWG7TF10`, schema version 1.0), for bodies in ST and SFC: data
types, units with all their sections, initial values, charts, configurations with
resources, tasks and globals, and comments as documentation. Its elements and attributes
are named here from memory of the standard's schema, which is not at hand: another
program's documents may spell one differently, and then the list of what was not carried
over says so. Documents in other namespaces, such as those of the format's predecessor,
are refused.

What ST has and the format has not (pragmas, comments before a declaration, the order of
sections, variables declared together) travels as additional data named
`urn:softctl:exchange`, which the format asks other programs to keep.
"""

from softctl.logic.exchange.export import Exchanged, st_to_xml
from softctl.logic.exchange.import_units import xml_to_st

__all__ = ["Exchanged", "st_to_xml", "xml_to_st"]
