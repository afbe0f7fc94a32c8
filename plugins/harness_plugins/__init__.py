"""First-party plugins. Loaded through the entry-point group ``harness.plugins`` only."""
