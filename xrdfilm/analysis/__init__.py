"""One film: premises, the chain from its scans to what is known of it, and its record."""
