"""snapledger: from wide coaching film to one row per snap."""

__version__ = "0.1.0"
