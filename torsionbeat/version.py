"""The version, alone in a module, so that anything may name it without loading the front door."""

__all__ = ["__version__"]

__version__ = "0.2.0"
