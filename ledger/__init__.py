"""What is known about dialysis accesses: events, entries, the store, and what is rebuilt from them."""

__version__ = "0.1.0"
