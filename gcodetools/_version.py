"""The version, a literal so that `beadwright --version` reads no metadata."""

__version__ = "0.1.0"
