"""A record as one page: no script, nothing fetched, readable in light, dark and print.

Functions whose result is HTML take texts as they are and escape them, except where an
argument is said to be HTML.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib.resources import files

CAUTION = (
    "Softctl is a test harness and never a safety function: emergency stops and trips are "
    "hard-wired and designed by licensed people to the local code."
)


@dataclass(frozen=True, slots=True)
class Basis:
    """What a record is about and rests on.

    `started` is a date and time with its zone, `hashes` are SHA-256 by the name of a file or
    of the software.
    """

    machine: str
    title: str
    started: str
    version: str
    hashes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a column; numbers stand at its right end."""

    title: str
    is_number: bool = False


def document(title: str, parts: Iterable[str]) -> str:
    """The whole page with its style; `parts` are HTML."""
    style = files("softctl.paper").joinpath("page.css").read_text(encoding="utf-8")
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>",
            f"<h1>{escape(title)}</h1>",
            *parts,
            "</main>\n</body>\n</html>\n",
        ]
    )


def opening(basis: Basis, *more: str) -> str:
    """The line below the title: machine, date, what else there is to say, version."""
    said = (f"Machine {basis.machine}", basis.started, *more, f"softctl {basis.version}")
    return f'<p class="soft">{escape(", ".join(text for text in said if text))}</p>'


def headline(words: str, *, is_good: bool, about: str) -> Iterator[str]:
    """The outcome in one line; what it is `about`, and the caution that goes with it."""
    kind, sign = ("good", "✓") if is_good else ("bad", "✗")
    yield f'<p class="result {kind}">{sign} {escape(words)}</p>'
    yield f'<p class="soft">{escape(about)} {escape(CAUTION)}</p>'


def mark(kind: str, words: str) -> str:
    """A verdict: `kind` is good, bad or open; `words` begin with a sign of their own."""
    return f'<span class="verdict {kind}">{escape(words)}</span>'


def table(
    columns: Sequence[str | Column],
    rows: Iterable[Sequence[str]],
    *,
    broken: Sequence[bool] | None = None,
) -> Iterator[str]:
    """A table; the cells are HTML, and rows that are `broken` stand out.

    A column without a title for all of them makes a table without a head.
    """
    heads = [one if isinstance(one, Column) else Column(one) for one in columns]
    yield '<div class="wide"><table>'
    if any(head.title for head in heads):
        cells = "".join(f"<th{_class(head)}>{escape(head.title)}</th>" for head in heads)
        yield f"<thead><tr>{cells}</tr></thead>"
    yield "<tbody>"
    for number, row in enumerate(rows):
        found = "".join(
            f"<td{_class(head)}>{cell}</td>" for head, cell in zip(heads, row, strict=True)
        )
        marked = ' class="broken"' if broken is not None and broken[number] else ""
        yield f"<tr{marked}>{found}</tr>"
    yield "</tbody></table></div>"


def hash_table(basis: Basis) -> Iterator[str]:
    """The files and the software that the record rests on."""
    yield "<h2>What it rests on</h2>"
    rows = (
        (escape(name), f'<span class="code">{escape(digest)}</span>')
        for name, digest in basis.hashes.items()
    )
    yield from table(["file or software", "SHA-256"], rows)


def signatures(carried_out_by: str = "") -> Iterator[str]:
    """Places to sign, with the name of who carried it out where it is known."""
    yield '<section class="sign"><h2>Signatures</h2><table class="sign"><thead><tr>'
    yield "<th></th><th>name</th><th>date</th><th>signature</th></tr></thead><tbody>"
    for who in ("carried out by", "witnessed by", "accepted by"):
        name = escape(carried_out_by) if who == "carried out by" else ""
        yield f"<tr><td>{who}</td><td>{name}</td><td></td><td></td></tr>"
    yield "</tbody></table></section>"


def _class(column: Column) -> str:
    return ' class="time"' if column.is_number else ""
