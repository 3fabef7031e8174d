"""The journal of a controller: events and samples in SQLite, written without holding it up."""

from softctl.journal.entries import Entry, Sample
from softctl.journal.recorder import Recorder
from softctl.journal.unkept import Journal, UnkeptJournal
from softctl.journal.writer import JournalWriter

__all__ = ["Entry", "Journal", "JournalWriter", "Recorder", "Sample", "UnkeptJournal"]
