"""What keeps a night going when levelrig itself, the machine or its clock fails.

``supervisor``: a process of its own that ends a hung campaign, restores and starts it again.
``boot``: the system's own unit that goes on after a reboot. ``notify``: tells the user. ``timekeeping``: a
clock that was set, a machine that slept.
"""
