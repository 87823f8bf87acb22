"""Runs: files that state them, their films, the work on them, and what is written."""
