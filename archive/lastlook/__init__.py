"""lastlook: what did it look like just before it was closed?"""

__version__ = "0.1.0"
