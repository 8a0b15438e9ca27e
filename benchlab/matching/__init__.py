"""Distances between parts, groups, assignment, trim."""
