"""levelrig: is a tuned graphics card really as good as the factory setting?"""

from importlib.metadata import version

__version__ = version("levelrig")
