"""The commands, one module each; `xrdfilm.cli` loads only the one that is asked for."""
