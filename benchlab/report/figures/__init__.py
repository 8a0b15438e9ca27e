"""Figures: one function per figure, each returning a `Figure` or None where its data are missing."""

from benchlab.report.figures.base import ALLOWED_TRACES, Figure

__all__ = ["ALLOWED_TRACES", "Figure"]
