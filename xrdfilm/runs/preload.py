"""Libraries that every worker needs, imported once in the process that workers are forked from.

They then share the memory of these libraries, and start at once. Nothing is opened here: tables
and files are each worker's own.
"""

import pybaselines
import scipy.optimize
import scipy.stats
import xraydb

import xrdfilm.readers.registry
import xrdfilm.runs.chunks

__all__ = ["pybaselines", "scipy", "xraydb", "xrdfilm"]
