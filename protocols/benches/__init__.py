"""Ready bench files."""
