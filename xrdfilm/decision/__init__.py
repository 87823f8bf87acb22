"""Limits, guard bands and the three-way verdict."""
