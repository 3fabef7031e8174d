"""A machine as pictures: process and charts as plain geometry, and what its charts wait for."""

from __future__ import annotations

from softctl.picture.process import process_picture
from softctl.picture.sequence import sequence_chart, sequence_charts
from softctl.picture.waiting import Terms

__all__ = ["Terms", "process_picture", "sequence_chart", "sequence_charts"]
