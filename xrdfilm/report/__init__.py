"""Figures, pages and documents made from results; nothing is computed here."""
