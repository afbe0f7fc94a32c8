"""Unattended steps: what a person would do at a title, done by the machine.

``play`` is the pure part: it knows the steps and decides what comes next from what was seen and when. What is
asked of a screen with keyboard and pointer states ``desk``; ``x11`` and ``windows`` are such desks, and
``likeness`` compares pictures. ``hands`` acts and ``eyes`` looks, at the title's own windows only. ``player``
runs a play on a desk beside the engine, and ``stepped`` makes a title with its steps one workload.
"""
