"""Bytes to canonical tables: dialect, channels and units, clock, streaming reader, validation. Knows no part kind."""
