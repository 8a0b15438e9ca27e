"""Loads, packs, budget, wiring."""
