"""Orientation fractions and texture: coupled, tilt, azimuth and rocking scans, buffers."""
