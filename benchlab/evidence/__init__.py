"""Sealed evidence: archive, provenance, verification."""
