"""Ready specimen files."""
