"""Readers: one module a file format, each with its own sniffing; `read_scan` picks one."""
