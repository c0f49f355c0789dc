"""What people touch: commands, terminal output, pages."""
