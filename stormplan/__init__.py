"""stormplan: from the open weather forecast to a decision for every surface."""

__version__ = "0.1.0"
