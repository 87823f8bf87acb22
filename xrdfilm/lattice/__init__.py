"""Places of lines: peaks named, alignment, cells, breadths, fringes, oxygen."""
