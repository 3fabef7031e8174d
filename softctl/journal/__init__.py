"""The journal of a controller: events and samples in SQLite, written without holding it up."""

from softctl.journal.entries import Entry, Sample
from softctl.journal.recorder import Recorder
from softctl.journal.writer import JournalWriter

__all__ = ["Entry", "JournalWriter", "Recorder", "Sample"]
