"""Background, line profiles, and the fit of all windows of one scan or of thousands."""
