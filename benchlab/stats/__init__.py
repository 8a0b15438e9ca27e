"""Trends, steps, outliers, uncertainty and conformity. Knows nothing of servos or tanks."""
