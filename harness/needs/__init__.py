"""What a night needs: how a need is stated, and the questions that plugins ask of their own entries.

A plugin states its needs by the hook ``levelrig_needs``; :mod:`harness.before_night` asks for all of them.
"""
