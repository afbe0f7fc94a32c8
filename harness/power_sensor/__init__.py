"""What a card's own power readings are worth: a measured model of its sensors and what follows. Pure.

A card does not watch its power all the time: it looks at it now and then, for a while. A load that goes on
and off in the rhythm of those looks is seen at one phase only. :mod:`model` is what ``levelrig doctor
--power`` found out about a card, :mod:`rhythm` how far readings can then be off under a given load.
"""
