"""Turn photographs of an opened chip into numbers that can be trusted."""

__version__ = "0.1.0"
