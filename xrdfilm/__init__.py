"""From X-ray diffraction scans of solution-deposited superconducting films to decisions."""

__version__ = "0.1.0"
