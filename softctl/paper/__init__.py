"""Records as pages of HTML: the parts that those of trials, audits, drills and checkouts share."""

from softctl.paper.page import (
    CAUTION,
    Basis,
    Column,
    document,
    hash_table,
    headline,
    mark,
    opening,
    signatures,
    table,
)

__all__ = [
    "CAUTION",
    "Basis",
    "Column",
    "document",
    "hash_table",
    "headline",
    "mark",
    "opening",
    "signatures",
    "table",
]
