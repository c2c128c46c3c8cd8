"""The version of the package, for the modules that name it."""

__version__ = "0.1.0"
