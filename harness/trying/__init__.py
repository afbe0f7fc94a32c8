"""One title, once, now: the night's own code over one cell, with an account of each step."""
