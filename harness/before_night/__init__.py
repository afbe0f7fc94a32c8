"""Asks for everything that a night needs of the plan, the machine and the rig, before anything begins.

``check`` shows what :func:`harness.before_night.ask.night_needs` finds; ``run`` asks the same and refuses a
night to which something is missing.
"""
