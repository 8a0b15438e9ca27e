"""Pressure hold: compensation, decay model, leak rate, judgement."""
