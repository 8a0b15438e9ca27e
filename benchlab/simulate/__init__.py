"""Seeded generators of logs with known truth."""
