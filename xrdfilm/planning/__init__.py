"""Planning: line speed from a growth rate, counting times from a scan, HF from a line speed."""
