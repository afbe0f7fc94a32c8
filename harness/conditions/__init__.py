"""Conditions: cooldown, warm-up and soak gates, and what they decide by."""
