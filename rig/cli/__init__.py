"""The command line: a file per command."""
