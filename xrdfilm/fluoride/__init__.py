"""Residual fluoride, conversion, leftovers and reaction products."""
