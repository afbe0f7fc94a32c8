"""The live page of a campaign: what it does now, how far it is, and two safe actions."""

from harness.watch.beacon import Beacon

__all__ = ["Beacon"]
