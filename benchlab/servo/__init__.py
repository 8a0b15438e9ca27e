"""Servo cycling: cycles, strokes, per-cycle quantities, events and judgement."""
