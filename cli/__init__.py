"""What people touch: commands, terminal output, pages."""

__version__ = "0.1.0"
