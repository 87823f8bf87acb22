"""Powder CIF."""
