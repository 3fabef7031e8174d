"""The command that reads a journal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.journal.entries import KINDS, Entry, Sample
from softctl.journal.reader import (
    ENTRY_HEAD,
    SAMPLE_HEAD,
    JournalReader,
    Wanted,
    entry_row,
    sample_row,
    utc_text,
    write_csv,
    write_parquet,
)
from softctl.runtime.folder import demo_folder, read_machine
from softctl.runtime.state import JOURNAL_FILE, state_directory
from softctl.values.names import suggest
from softctl.values.units import parse_duration


@dataclass(frozen=True, slots=True)
class JournalOptions:
    """What is asked of a journal; `since` and `until` as people write them."""

    folder: Path | None
    state: Path | None
    kinds: tuple[str, ...]
    names: tuple[str, ...]
    since: str | None
    until: str | None
    samples: bool
    csv: Path | None
    parquet: Path | None


def show_journal(options: JournalOptions) -> None:
    """Print or export the rows that are wanted; raises SoftctlError."""
    reader = JournalReader(_path(options))
    wanted = _wanted(options, datetime.now(UTC))
    head = SAMPLE_HEAD if options.samples else ENTRY_HEAD
    try:
        for path, write in ((options.csv, write_csv), (options.parquet, write_parquet)):
            if path is not None:
                rows = (
                    map(sample_row, reader.samples(wanted))
                    if options.samples
                    else map(entry_row, reader.entries(wanted))
                )
                count = write(path, head, rows)
                print(f"{path}: {count} rows")
        if options.csv is None and options.parquet is None:
            _print(reader, wanted, samples=options.samples)
    finally:
        reader.close()


def _print(reader: JournalReader, wanted: Wanted, *, samples: bool) -> None:
    lines = map(_sample_line, reader.samples(wanted)) if samples else None
    is_empty = True
    for line in lines or map(_entry_line, reader.entries(wanted)):
        is_empty = False
        print(line)
    if is_empty:
        print("nothing in the journal is like that")


def _sample_line(sample: Sample) -> str:
    return f"{utc_text(sample.wall_ns)}  {sample.point:<24}{sample.value}"


def _entry_line(entry: Entry) -> str:
    by = f"  by {entry.source}" if entry.source else ""
    about = f"{entry.kind} {entry.name}".strip()
    value = entry.details.get("value")
    shown = "" if value is None else f" {value} {entry.details.get('unit', '')}".rstrip()
    if entry.kind in ("run", "link"):
        shown = "".join(f"  {name} {detail}" for name, detail in entry.details.items())
    reason = entry.details.get("reason") if entry.kind == "force" else ""
    why = f": {reason}" if reason else ""
    return f"{utc_text(entry.wall_ns)}  {about:<28}{entry.what}{shown}{by}{why}"


def _path(options: JournalOptions) -> Path:
    if options.state is not None:
        return options.state / JOURNAL_FILE
    folder = options.folder or demo_folder()
    return state_directory(folder, read_machine(folder).name) / JOURNAL_FILE


def _wanted(options: JournalOptions, now: datetime) -> Wanted:
    for kind in options.kinds:
        if kind not in KINDS:
            hint = suggest(kind, KINDS)
            more = f": {hint}" if hint else ""
            raise SoftctlError(f"expected a kind among {', '.join(KINDS)}; got {kind}{more}")
    return Wanted(
        options.kinds, options.names, _instant(options.since, now), _instant(options.until, now)
    )


def _instant(text: str | None, now: datetime) -> int | None:
    """`2026-03-01T12:00`, read as UTC unless it says otherwise, or `10 min` ago."""
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        pass
    else:
        at = at if at.tzinfo else at.replace(tzinfo=UTC)
        return int(at.timestamp() * 1e9)
    try:
        return int(now.timestamp() * 1e9) - parse_duration(text)
    except ValueError:
        raise SoftctlError(
            f"expected a time such as 2026-03-01T12:00 or one ago such as '10 min', got '{text}'"
        ) from None
