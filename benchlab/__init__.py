"""Bench test evidence for model aircraft: raw logs in, decisions and one report per airframe out."""

__version__ = "0.1.0"
